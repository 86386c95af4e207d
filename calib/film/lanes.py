"""The inner sums of the interpolation as vector instructions, eight samples at once.

Written in LLVM instructions, because a compiler that must keep the order of floating-point sums does not vectorize
them. Every operation and its order is fixed here, so the result is the same on every machine. Addresses are plain
integers: the caller ensures that all reads lie inside its arrays.
"""

from typing import Any

from llvmlite import ir
from numba import types
from numba.extending import intrinsic

from calib.film.kernels import LANES

FLOAT, _PAIR, _INDEX, ADDRESS = ir.FloatType(), ir.DoubleType(), ir.IntType(32), ir.IntType(64)
VECTOR = ir.VectorType(FLOAT, LANES)


def load(builder: Any, address: Any, kind: Any, align: int = 4) -> Any:
    """The value of type `kind` at an address."""
    return builder.load(builder.inttoptr(address, kind.as_pointer()), align=align)


def store(builder: Any, value: Any, address: Any) -> None:
    """Store a value at an address."""
    builder.store(value, builder.inttoptr(address, value.type.as_pointer()), align=4)


def after(builder: Any, address: Any, n_bytes: int) -> Any:
    """The address `n_bytes` further on."""
    return builder.add(address, ir.Constant(ADDRESS, n_bytes))


def spread(builder: Any, scalar: Any, kind: Any, count: int) -> Any:
    """A vector with one scalar in every lane."""
    vector = ir.VectorType(kind, count)
    one = builder.insert_element(ir.Constant(vector, ir.Undefined), scalar, ir.Constant(_INDEX, 0))
    return builder.shuffle_vector(one, one, ir.Constant(ir.VectorType(_INDEX, count), [0] * count))


def fma(builder: Any, a: Any, b: Any, c: Any) -> Any:
    """a b + c, rounded once."""
    kind = ir.FunctionType(VECTOR, [VECTOR] * 3)
    return builder.call(builder.module.declare_intrinsic("llvm.fma.v8f32", (), kind), [a, b, c])


def _chosen(builder: Any, a: Any, b: Any, lanes: list[int]) -> Any:
    """Selected lanes of two vectors; those of the second are numbered after those of the first."""
    return builder.shuffle_vector(a, b, ir.Constant(ir.VectorType(_INDEX, len(lanes)), lanes))


def folded(builder: Any, vector: Any, down_to: int) -> Any:
    """The vector reduced to `down_to` lanes by adding its upper half to its lower half repeatedly."""
    width = LANES
    while width > down_to:
        half = list(range(width // 2))
        low, high = (_chosen(builder, vector, vector, [lane + up for lane in half]) for up in (0, width // 2))
        vector, width = builder.fadd(low, high), width // 2
    return vector


def folded_together(builder: Any, vectors: list[Any]) -> tuple[Any, Any]:
    """`folded` down to two lanes for each of eight vectors: one vector of all first lanes, one of all second lanes."""

    def summed(a: Any, b: Any, low: list[int], high: list[int]) -> Any:
        return builder.fadd(_chosen(builder, a, b, low), _chosen(builder, a, b, high))

    low, high = [0, 1, 2, 3, 8, 9, 10, 11], [4, 5, 6, 7, 12, 13, 14, 15]
    halves = [summed(vectors[k], vectors[k + 4], low, high) for k in range(4)]
    low, high = [0, 1, 8, 9, 4, 5, 12, 13], [2, 3, 10, 11, 6, 7, 14, 15]
    a, b = (summed(halves[k], halves[k + 1], low, high) for k in (0, 2))
    first, second = ([lane, lane + 2, lane + 8, lane + 10, lane + 4, lane + 6, lane + 12, lane + 14] for lane in (0, 1))
    return _chosen(builder, a, b, first), _chosen(builder, a, b, second)


def _rows(builder: Any, source: Any, stride: Any, n_rows: int, weight_of: Any) -> Any:
    """Sum over rows of eight values times their row's weight; even and odd rows separately, so that the two sums can
    run in parallel."""
    sums = [ir.Constant(VECTOR, [0.0] * LANES)] * min(n_rows, 2)
    at = builder.inttoptr(source, ir.IntType(8).as_pointer())
    for row in range(n_rows):
        values = builder.load(builder.bitcast(at, VECTOR.as_pointer()), align=4)
        sums[row % 2] = fma(builder, values, weight_of(row), sums[row % 2])
        at = builder.gep(at, [stride])
    return sums[0] if n_rows == 1 else builder.fadd(*sums)


@intrinsic
def weighted_block(typingctx, source, stride, along, across, n_rows):  # type: ignore[no-untyped-def]
    """Sum over `n_rows` (a constant) rows of eight float32 at `source`, `stride` bytes apart.

    `along` points at the rows' weights, `across` at those of the eight columns.
    """
    if not isinstance(n_rows, types.IntegerLiteral):
        return None
    count = n_rows.literal_value

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        source, stride, along, across, _ = args

        def weight(row: int) -> Any:
            return spread(builder, load(builder, after(builder, along, 4 * row), FLOAT), FLOAT, LANES)

        total = builder.fmul(_rows(builder, source, stride, count, weight), load(builder, across, VECTOR))
        return builder.extract_element(folded(builder, total, 1), ir.Constant(_INDEX, 0))

    return types.float32(types.uint64, types.uint64, types.uint64, types.uint64, n_rows), codegen


@intrinsic
def weighted_pairs(typingctx, source, stride, along, across, n_rows):  # type: ignore[no-untyped-def]
    """As `weighted_block` over four pairs of float32 per row, with pairs of weights; returns the pair of sums."""
    if not isinstance(n_rows, types.IntegerLiteral):
        return None
    count = n_rows.literal_value

    def codegen(context, builder, signature, args):  # type: ignore[no-untyped-def]
        source, stride, along, across, _ = args

        def weight(row: int) -> Any:
            pair = load(builder, after(builder, along, 8 * row), _PAIR)
            return builder.bitcast(spread(builder, pair, _PAIR, LANES // 2), VECTOR)

        total = builder.fmul(_rows(builder, source, stride, count, weight), load(builder, across, VECTOR))
        sums = folded(builder, total, 2)
        both = [builder.extract_element(sums, ir.Constant(_INDEX, lane)) for lane in (0, 1)]
        return context.make_tuple(builder, signature.return_type, both)

    both = types.UniTuple(types.float32, 2)
    return both(types.uint64, types.uint64, types.uint64, types.uint64, n_rows), codegen
