"""Reads and validates a frame package, given the path of its description."""

import os
from dataclasses import replace
from pathlib import Path

from pydantic import ValidationError

from calib.errors import InputError
from calib.frame.coherence import oddities, off_film, scanned_film
from calib.frame.description import FrameDescription
from calib.frame.document import Document, read_document
from calib.frame.files import DESCRIPTION, existing
from calib.frame.frame import ControlPoints, Frame, ReseauMarks
from calib.frame.gathered import collecting, joined
from calib.frame.georeference import check_dem, check_map_crs
from calib.frame.mistakes import mistakes_of
from calib.frame.points import read_control, read_marks
from calib.frame.strips import find_strips


def read_frame(path: str | Path) -> Frame:
    """Read and check a frame package: `path` is its `frame.toml`, or the folder that holds it.

    Only the headers of the strips and of the terrain model are read.

    Raises:
        InputError: one line for each mistake, with the file, the key, what was found and what was expected. The
            description is checked first, then the files that it names, then their agreement; only the mistakes of the
            first of these steps that finds any are raised.
    """
    path = _description_file(Path(path))
    document = read_document(path)
    described = validated(document)
    mistakes: list[InputError] = []
    with collecting(mistakes):
        if described.map.crs is not None:
            check_map_crs(described.map.crs, document)
    with collecting(mistakes):
        marks_file, marks = _marks(described, document)
    with collecting(mistakes):
        control_files, control = _control(described, document)
    with collecting(mistakes):
        dem_files, dem_odd = check_dem(described.terrain.dem, document) if described.terrain else ((), ())
    with collecting(mistakes):
        strips, strips_odd = find_strips(described.scan, document)
    if not mistakes:
        mistakes += off_film(described, marks, control, scanned_film(described.scan, strips), document)
    if mistakes:
        raise joined(mistakes)
    inputs = (*document.files, marks_file, *control_files, *dem_files, *(strip.path for strip in strips))
    frame = Frame(
        path=path,
        name=described.name,
        exposure=described.exposure,
        camera=described.camera,
        film=described.film,
        scan=described.scan,
        pointing=described.pointing,
        sun=described.sun,
        dem=dem_files[0] if dem_files else None,
        control=control,
        map=described.map,
        marks=marks,
        strips=strips,
        inputs=tuple(dict.fromkeys(inputs)),
        warnings=(*strips_odd, *dem_odd),
    )
    return replace(frame, warnings=(*frame.warnings, *oddities(frame)))


def validated(document: Document) -> FrameDescription:
    """The validated description of a document. Raises `InputError` for all its mistakes."""
    try:
        return FrameDescription.model_validate(document.values)
    except ValidationError as error:
        raise joined(mistakes_of(error, document)) from None


def _description_file(path: Path) -> Path:
    """The description file for a path of the file or its folder."""
    file = path / DESCRIPTION if os.path.isdir(path) else path
    if not os.path.isfile(file):
        raise InputError(file, "", "nothing", f"a frame description, {DESCRIPTION}, or the folder that holds it")
    return file


def _marks(described: FrameDescription, document: Document) -> tuple[Path, ReseauMarks]:
    place = ("film", "reseau", "marks")
    expected = "a CSV file with the columns id, x_mm, y_mm"
    named_in = document.file_of(place)
    path = existing(described.film.reseau.marks, document.root, named_in, ".".join(place), expected)
    return path, read_marks(path)


def _control(described: FrameDescription, document: Document) -> tuple[tuple[Path, ...], ControlPoints | None]:
    """The file of the control points, and the points; empty and None if none are given."""
    if described.control is None:
        return (), None
    place = ("control", "points")
    expected = "a CSV file with the columns id, lon_deg, lat_deg, height_m, x_mm, y_mm, sigma_mm"
    path = existing(described.control.points, document.root, document.file_of(place), ".".join(place), expected)
    return (path,), read_control(path)
