"""Makes and writes rasters block by block, with small previews of them."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from calib.ordered import in_order_on, workers
from calib.products.rasters import Compressed, RasterSpec, rasters
from calib.run.progress import Progress, tracked
from calib.run.rasters.previews import Preview, bits_counted, shares_of

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


def by_name(block: "DataclassInstance") -> dict[str, Any]:
    """The arrays of a block by the names of its fields, which are those of the rasters."""
    return {field.name: getattr(block, field.name) for field in fields(block)}


def write_blocks(
    specs: Mapping[str, RasterSpec],
    places: Sequence[tuple[slice, slice]],
    make: Callable[[slice, slice], Mapping[str, NDArray]],
    threads: int,
    step: str,
    progress: Progress,
) -> dict[str, Preview]:
    """Write rasters of which `make` gives each block (rows, columns), one array for each of `specs`; returns previews.

    The thread that makes a block also compresses it and its overviews, while the values are still in its cache. The
    calling thread only stores the tiles, which must be done in order.
    """
    with rasters(specs, threads) as writers, workers(threads) as pool:

        def work(place: tuple[slice, slice]) -> dict[str, tuple[Compressed, NDArray[np.int64]]]:
            made, at = make(*place), (place[0].start, place[1].start)
            return {
                name: (writer.compressed(*at, made[name]), bits_counted(made[name])) for name, writer in writers.items()
            }

        counts: dict[str, list[NDArray[np.int64]]] = {name: [] for name in writers}
        for parts in tracked(in_order_on(pool, work, places, 2 * threads), len(places), step, progress):
            for name, (tiles, counted) in parts.items():
                writers[name].store(tiles)
                counts[name].append(counted)
        return {name: Preview(writer.picture, shares_of(counts[name])) for name, writer in writers.items()}
