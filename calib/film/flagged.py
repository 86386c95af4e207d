"""What the flagged ones among a place's samples weigh, by what they are flagged with: eight samples at once.

Vector instructions laid down as in `lanes`. The sums of a place stand in memory, LANES float32 of each, from one row of
its samples to the next.
"""

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from calib.film.kernels import LANES
from calib.film.lanes import ADDRESS, FLOAT, VECTOR, after, folded_together, load, spread, store
from calib.quality import DROPOUT, FILLED, HIGH_DENSITY, LOW_DENSITY, MARK

_BITS = ir.VectorType(ir.IntType(16), LANES)
_SUMS = 6  # of low, high, bridged dropouts, bridged marks; of what has no value, and of its weights above zero
ROOM = LANES * (_SUMS + 1)  # float32: the bits of what has no value stand behind the sums
_NONE = ir.Constant(VECTOR, [0.0] * LANES)


def _all_of(kind: Any, value: float) -> Any:
    return ir.Constant(kind, [value] * LANES)


def _behind(builder: Any, sums: Any, number: int) -> Any:
    return after(builder, sums, 4 * LANES * number)


@intrinsic
def clear_flagged(typingctx, sums):  # type: ignore[no-untyped-def]
    """Begin with a place: `sums` is the address of ROOM float32."""

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        for number in range(_SUMS + 1):
            store(builder, _NONE, _behind(builder, args[0], number))
        return context.get_dummy_value()

    return types.void(types.uint64), codegen


@intrinsic
def any_flagged(typingctx, bits):  # type: ignore[no-untyped-def]
    """Whether any of the eight samples whose bits (uint16) are at that address is flagged."""

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        whole = ir.IntType(16 * LANES)
        return builder.icmp_unsigned("!=", load(builder, args[0], whole, 2), ir.Constant(whole, 0))

    return types.boolean(types.uint64), codegen


@intrinsic
def add_flagged(typingctx, bits, values, along, across, sums):  # type: ignore[no-untyped-def]
    """Add the flagged ones of eight samples of a line, whose weight is `along`, to the sums; all others are addresses,
    `across` that of the weights of the eight."""

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        at_bits, at_values, along, at_across, sums = args
        flags, values = load(builder, at_bits, _BITS, 2), load(builder, at_values, VECTOR)
        weight = builder.fmul(spread(builder, along, FLOAT, LANES), load(builder, at_across, VECTOR))
        size, magnitude = (_absolute(builder, vector) for vector in (weight, values))

        def has(bit: int) -> Any:
            return builder.icmp_unsigned("!=", builder.and_(flags, _all_of(_BITS, bit)), _all_of(_BITS, 0))

        counts = builder.and_(has(0xFFFF), builder.fcmp_ordered("!=", weight, _NONE))
        finite = builder.fcmp_ordered("<", magnitude, _all_of(VECTOR, float("inf")))
        known, lost = builder.and_(counts, finite), builder.and_(counts, builder.not_(finite))
        filled, above = builder.and_(known, has(FILLED)), builder.fcmp_ordered(">", weight, _NONE)
        of_each = (
            builder.and_(known, has(LOW_DENSITY)),
            builder.and_(known, has(HIGH_DENSITY)),
            builder.and_(filled, has(DROPOUT)),
            builder.and_(filled, builder.not_(has(DROPOUT))),
            lost,
            builder.and_(lost, above),
        )
        for number, which in enumerate(of_each):
            at = _behind(builder, sums, number)
            store(builder, builder.fadd(load(builder, at, VECTOR), builder.select(which, size, _NONE)), at)
        at, said = _behind(builder, sums, _SUMS), builder.and_(flags, _all_of(_BITS, DROPOUT | MARK))
        gone = builder.select(lost, said, _all_of(_BITS, 0))
        store(builder, builder.or_(load(builder, at, _BITS), gone), at)
        return context.get_dummy_value()

    kinds = types.uint64, types.uint64, types.float32, types.uint64, types.uint64
    return types.void(*kinds), codegen


def _absolute(builder: Any, vector: Any) -> Any:
    kind = ir.FunctionType(VECTOR, [VECTOR])
    return builder.call(builder.module.declare_intrinsic("llvm.fabs.v8f32", (), kind), [vector])


@intrinsic
def sums_of_flagged(typingctx, sums):  # type: ignore[no-untyped-def]
    """The absolute weights of a place's known taps that are low, high, bridged dropouts, and bridged marks; of the taps
    without a value, and of those above zero; and the bits, dropout or mark, of those."""

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        vectors = [load(builder, _behind(builder, args[0], number), VECTOR) for number in range(_SUMS)]
        total = builder.fadd(*folded_together(builder, vectors + [_NONE] * (LANES - _SUMS)))
        each = [builder.extract_element(total, ir.Constant(ADDRESS, number)) for number in range(_SUMS)]
        kind = ir.FunctionType(ir.IntType(16), [_BITS])
        reduce = builder.module.declare_intrinsic("llvm.vector.reduce.or.v8i16", (), kind)
        gone = builder.call(reduce, [load(builder, _behind(builder, args[0], _SUMS), _BITS)])
        return context.make_tuple(builder, signature.return_type, [*each, gone])

    return types.Tuple((types.float32,) * _SUMS + (types.uint16,))(types.uint64), codegen
