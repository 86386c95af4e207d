"""Rasters made and written block by block, with their small pictures."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields
from typing import TYPE_CHECKING, Any

from numpy.typing import NDArray

from calib.ordered import in_order_on, workers
from calib.products.rasters import Compressed, RasterSpec, rasters
from calib.run.previews import Part, Preview
from calib.run.progress import Progress, tracked

if TYPE_CHECKING:
    from _typeshed import DataclassInstance


def by_name(block: "DataclassInstance") -> dict[str, Any]:
    """What a block of several rasters holds, or what is kept of each, by the rasters' names."""
    return {field.name: getattr(block, field.name) for field in fields(block)}


def write_blocks(
    specs: Mapping[str, RasterSpec],
    places: Sequence[tuple[slice, slice]],
    make: Callable[[slice, slice], Mapping[str, NDArray]],
    pictures: Mapping[str, Preview],
    threads: int,
    step: str,
    progress: Progress,
) -> None:
    """Write rasters whose blocks (rows, columns) `make` gives, one array for each of `specs`; `pictures` of some of
    them are filled.

    The thread that makes a block also compresses it and draws it small, while its values are still at hand; only what
    must be done in order is done by the one that waits for all.
    """
    with rasters(specs, threads) as writers, workers(threads) as pool:

        def work(place: tuple[slice, slice]) -> tuple[dict[str, Compressed], dict[str, Part]]:
            made, at = make(*place), (place[0].start, place[1].start)
            parts = {name: picture.part_of(*at, made[name]) for name, picture in pictures.items()}
            return {name: writer.compressed(*at, made[name]) for name, writer in writers.items()}, parts

        done = in_order_on(pool, work, places, 2 * threads)
        for tiles, parts in tracked(done, len(places), step, progress):
            for name, writer in writers.items():
                writer.store(tiles[name])
            for name, picture in pictures.items():
                picture.add(parts[name])
