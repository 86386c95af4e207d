"""Sums the weights of the flagged samples around a place, by quality bit, eight samples at once.

Explicit vector instructions as in `lanes`, without branches, because flags are unpredictable.
"""

from collections.abc import Callable
from typing import Any

from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from calib.film.kernels import LANES
from calib.film.lanes import ADDRESS, FLOAT, VECTOR, fma, folded, folded_together, load, spread
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK

_BITS = ir.VectorType(ir.IntType(16), LANES)
_NOTHING, _FIRST = ir.Constant(VECTOR, [0.0] * LANES), ir.Constant(ADDRESS, 0)


def _all_of(kind: Any, value: float) -> Any:
    return ir.Constant(kind, [value] * LANES)


def _has(builder: Any, flags: Any, bit: int) -> Any:
    return builder.icmp_unsigned("!=", builder.and_(flags, _all_of(_BITS, bit)), _all_of(_BITS, 0))


def _absolute(builder: Any, vector: Any) -> Any:
    kind = ir.FunctionType(VECTOR, [VECTOR])
    return builder.call(builder.module.declare_intrinsic("llvm.fabs.v8f32", (), kind), [vector])


def _any_of(builder: Any, flags: Any) -> Any:
    """Bitwise or of eight values."""
    kind = ir.FunctionType(ir.IntType(16), [_BITS])
    return builder.call(builder.module.declare_intrinsic("llvm.vector.reduce.or.v8i16", (), kind), [flags])


def _add(builder: Any, total: Any, which: Any, size: Any) -> None:
    """Add to `total` those of eight sizes that the mask `which` selects."""
    builder.store(builder.fadd(builder.load(total), builder.select(which, size, _NOTHING)), total)


def _note(builder: Any, every: Any, flags: Any) -> None:
    """Or the bits of eight samples into `every`."""
    builder.store(builder.or_(builder.load(every), flags), every)


def _over_taps(builder: Any, args: Any, of_eight: Callable[[Any, Any, Any], None]) -> None:
    """Call `of_eight` with bits, values and weights of every eight samples, over all lines of a place."""
    at_bits, at_values, stride, at_along, at_across, rows, chunks = args

    def at(address: Any, number: Any, n_bytes: int) -> Any:
        return builder.add(address, builder.mul(number, ir.Constant(ADDRESS, n_bytes)))

    with (
        cgutils.for_range(builder, rows, intp=ADDRESS) as row,
        cgutils.for_range(builder, chunks, intp=ADDRESS) as chunk,
    ):
        first = builder.mul(chunk.index, ir.Constant(ADDRESS, LANES))
        here = builder.add(builder.mul(row.index, stride), first)
        along = spread(builder, load(builder, at(at_along, row.index, 4), FLOAT), FLOAT, LANES)
        weight = builder.fmul(along, load(builder, at(at_across, first, 4), VECTOR))
        of_eight(load(builder, at(at_bits, here, 2), _BITS, 2), load(builder, at(at_values, here, 4), VECTOR), weight)


_TAPS = (types.uint64,) * 7


@intrinsic
def sum_ends(typingctx, bits, values, stride, along, across, rows, chunks):  # type: ignore[no-untyped-def]
    """Sums of the absolute weights of a place's samples beyond the low and the high end of the curve, the bits of all
    samples, and whether all values are finite. If there are no other bits, the sums equal those of `sum_flagged`.

    `bits`, `values`, `along`, `across` are the addresses for the first sample, `stride` is the number of samples from
    line to line; there are `rows` lines of `chunks` times eight samples.
    """

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        low, high, known = (cgutils.alloca_once_value(builder, _NOTHING) for _ in range(3))
        every = cgutils.alloca_once_value(builder, _all_of(_BITS, 0))

        def of_eight(flags: Any, values: Any, weight: Any) -> None:
            size = _absolute(builder, weight)
            _add(builder, low, _has(builder, flags, LOW_DENSITY), size)
            _add(builder, high, _has(builder, flags, HIGH_DENSITY), size)
            _note(builder, every, flags)
            builder.store(fma(builder, values, _NOTHING, builder.load(known)), known)  # NaN stays NaN

        _over_taps(builder, args, of_eight)
        both = [builder.extract_element(folded(builder, builder.load(total), 1), _FIRST) for total in (low, high)]
        here = builder.extract_element(folded(builder, builder.load(known), 1), _FIRST)
        is_known = builder.fcmp_ordered("==", here, ir.Constant(FLOAT, 0.0))
        every = _any_of(builder, builder.load(every))
        return context.make_tuple(builder, signature.return_type, [*both, every, is_known])

    return types.Tuple((types.float32, types.float32, types.uint16, types.boolean))(*_TAPS), codegen


@intrinsic
def sum_flagged(typingctx, bits, values, stride, along, across, rows, chunks):  # type: ignore[no-untyped-def]
    """Sums of the absolute weights of a place's known taps that are low, high, bridged dropouts and bridged marks; of
    the taps without a value, and of those with positive weight; and the dropout and mark bits of the taps without a
    value. Arguments as in `sum_ends`."""

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        totals = [cgutils.alloca_once_value(builder, _NOTHING) for _ in range(6)]
        lost_bits = cgutils.alloca_once_value(builder, _all_of(_BITS, 0))

        def of_eight(flags: Any, values: Any, weight: Any) -> None:
            size, magnitude = (_absolute(builder, vector) for vector in (weight, values))
            counts = builder.and_(_has(builder, flags, 0xFFFF), builder.fcmp_ordered("!=", weight, _NOTHING))
            finite = builder.fcmp_ordered("<", magnitude, _all_of(VECTOR, float("inf")))
            known, lost = builder.and_(counts, finite), builder.and_(counts, builder.not_(finite))
            filled, dropped = builder.and_(known, _has(builder, flags, FILLED)), _has(builder, flags, DROPOUT)
            of_each = (
                builder.and_(known, _has(builder, flags, LOW_DENSITY)),
                builder.and_(known, _has(builder, flags, HIGH_DENSITY)),
                builder.and_(filled, dropped),
                builder.and_(filled, builder.not_(dropped)),
                lost,
                builder.and_(lost, builder.fcmp_ordered(">", weight, _NOTHING)),
            )
            for total, which in zip(totals, of_each, strict=True):
                _add(builder, total, which, size)
            said = builder.and_(flags, _all_of(_BITS, DROPOUT | MARK))
            _note(builder, lost_bits, builder.select(lost, said, _all_of(_BITS, 0)))

        _over_taps(builder, args, of_eight)
        vectors = [builder.load(total) for total in totals]
        total = builder.fadd(*folded_together(builder, vectors + [_NOTHING] * (LANES - len(vectors))))
        each = [builder.extract_element(total, ir.Constant(ADDRESS, number)) for number in range(len(vectors))]
        return context.make_tuple(builder, signature.return_type, [*each, _any_of(builder, builder.load(lost_bits))])

    return types.Tuple((types.float32,) * 6 + (types.uint16,))(*_TAPS), codegen
