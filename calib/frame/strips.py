"""Finds the strips of a frame by their pattern, in film order; all have one width and type.

A strip with a damaged file keeps its place: readable lines are read, all others are marked as lost.
"""

import glob
import os
import re
from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from statistics import median_low

import numpy as np

from calib.errors import InputError
from calib.frame.coherence import oddities
from calib.frame.decoded import DecodedStrips
from calib.frame.description import Scan
from calib.frame.document import Document
from calib.frame.files import is_within, relative
from calib.frame.frame import Frame, Piece, StripRaster
from calib.frame.gathered import collecting, joined
from calib.frame.raster import DamagedError, OtherKindError, Storage, storage_of
from calib.frame.words import quoted

PLACE = ("scan", "strips")
KEY = ".".join(PLACE)
A_PATTERN = "a pattern of relative paths that one TIFF or more match"
MISSING = "missing"  # stands for the file name of a missing strip
MOST_LINES = 2  # times those of the longest undamaged strip: a truncated file with more lines has a damaged header


def find_strips(scan: Scan, document: Document) -> tuple[tuple[StripRaster, ...], tuple[str, ...]]:
    """The strips that match the pattern, sorted by name, and a line for each oddity. Raises `InputError`."""
    paths = _matches(scan.strips, document)
    storages, damage = _storages(paths)
    first = min(storages)
    _check_saturation(scan, storages[first], document)
    decoded = DecodedStrips()
    n_lines = median_low(storage.n_lines for storage in storages.values())
    strips = tuple(
        StripRaster(
            index=index,
            path=path,
            n_lines=storages[index].n_lines if index in storages else n_lines,
            n_samples=storages[first].n_samples,
            dtype=storages[first].stored.newbyteorder("="),
            is_reversed=_is_reversed(scan, index),
            decoded=decoded,
            damage=damage.get(index, ""),
            is_lost=index not in storages,
        )
        for index, path in enumerate(paths)
    )
    by_number = sorted(paths, key=_with_numbers)
    odd = ("strips sort differently by name and by number; the order by name is the film order",)
    return strips, (*(odd if by_number != paths else ()), *_gaps(paths))


def with_gap(frame: Frame, before: int, count: int, why: str) -> Frame:
    """The frame with `count` missing strips inserted before strip `before`; its warnings are determined again."""
    strips = frame.strips
    n_lines = median_low(strip.n_lines for strip in strips)
    gap = replace(
        strips[before], path=strips[before].path.with_name(MISSING), n_lines=n_lines, damage=why, is_lost=True
    )
    places = tuple(
        replace(strip, index=index, is_reversed=_is_reversed(frame.scan, index))
        for index, strip in enumerate((*strips[:before], *[gap] * count, *strips[before:]))
    )
    known = {*_gaps([strip.path for strip in strips]), *oddities(frame)}
    other = (said for said in frame.warnings if said not in known)
    gapped = replace(frame, strips=places)
    return replace(gapped, warnings=(*_gaps([strip.path for strip in places]), *other, *oddities(gapped)))


def split_at_jump(strip: StripRaster, stop: int, start: int, missing: int, why: str) -> StripRaster:
    """The strip divided at a jump along the film: lines before `stop` and from `start` on are kept.

    `missing` lost lines are inserted between; if negative, that many lines show film twice and are left out. `why` is
    the evidence. Lines are counted in the order of the film as the scan is described."""
    if strip.is_reversed:
        stop, start = strip.n_lines - start, strip.n_lines - stop
    start = max(start, stop - missing)
    whole = strip.pieces or (Piece(0, 0, strip.n_lines),)
    before = (replace(p, count=min(p.count, stop - p.line)) for p in whole if p.line < stop)
    first, *others = (
        Piece(p.line + off + missing, p.first + off, p.count - off, p.why)
        for p, off in ((p, min(max(start - p.line, 0), p.count)) for p in whole)
        if off < p.count or p is whole[-1]  # the last piece marks the end of the file
    )
    return replace(strip, n_lines=strip.n_lines + missing, pieces=(*before, replace(first, why=why), *others))


def without_lines(strip: StripRaster, lines: Collection[int]) -> StripRaster:
    """A strip in one piece without the given lines; the others keep their places."""
    kept = np.ones(strip.n_lines, np.bool_)
    kept[list(lines)] = False
    ends = np.flatnonzero(np.diff(kept.astype(np.int8), prepend=0, append=0)).tolist()
    pieces = [Piece(first, first, stop - first) for first, stop in zip(ends[::2], ends[1::2], strict=True)]
    return replace(strip, pieces=(*pieces, *([] if kept[-1] else [Piece(strip.n_lines, strip.n_lines, 0)])))


def missing_numbers(strips: Sequence[StripRaster], index: int) -> int:
    """How many file numbers are missing before a strip (before the first, from 0 on); 0 if files are not numbered."""
    name, before = strips[index].path.stem, strips[index - 1].path.stem if index else "-1"
    is_numbered = name.isdecimal() and (before.isdecimal() or not index)
    return max(int(name) - int(before) - 1, 0) if is_numbered else 0


def _is_reversed(scan: Scan, index: int) -> bool:
    return scan.reversed == ("odd" if index % 2 else "even")


def _storages(paths: Sequence[Path]) -> tuple[dict[int, Storage], dict[int, str]]:
    """The layouts of strips in their files, and the damage of files, both by strip number.

    Raises `InputError`; also if most files are damaged, or if the name of an unreadable file differs from the pattern
    of the others, because it may not be a strip.
    """
    storages: dict[int, Storage] = {}
    mistakes, lost = list[InputError](), dict[int, DamagedError]()
    for index, path in enumerate(paths):
        with collecting(mistakes):
            try:
                storages[index] = storage_of(path)
            except DamagedError as error:
                lost[index] = error
    other = _of_another_kind(paths, storages)
    lost |= other
    storages = {index: storage for index, storage in storages.items() if index not in other}
    longest = max((storage.n_lines for storage in storages.values() if storage.cut_off is None), default=0)
    damage = {index: error.damage for index, error in lost.items()}
    for index, storage in storages.items():
        if storage.cut_off is not None:
            damage[index] = f"its file is cut off after {storage.cut_off} of {storage.n_bytes} bytes"
            if storage.n_lines > MOST_LINES * longest:
                mistakes.append(_cut_off(paths[index], storage))
    called = [paths[index] for index in storages]
    if 2 * len(lost) > len(paths) or not all(_is_called_as(called, paths[index], lost[index]) for index in lost):
        mistakes += lost.values()
    if mistakes:
        raise joined(mistakes)
    return storages, damage


def _of_another_kind(paths: Sequence[Path], storages: Mapping[int, Storage]) -> dict[int, OtherKindError]:
    """Strips with a width or type other than that of most. Raises `InputError` unless more than half of all agree."""
    kinds = {index: (storage.n_samples, storage.stored.itemsize) for index, storage in storages.items()}
    if len(set(kinds.values())) < 2:
        return {}
    kind, count = Counter(kinds.values()).most_common(1)[0]
    first = next(index for index in kinds if kinds[index] == kind)
    other = {
        index: _unlike(paths[index], storages[index], paths[first], storages[first])
        for index in kinds
        if kinds[index] != kind
    }
    if 2 * count <= len(paths):
        raise joined(other.values())
    return other


def _is_called_as(others: Sequence[Path], path: Path, error: DamagedError) -> bool:
    """Whether a file is named like the `others`: by its suffix if damaged; by all of its name but numbers if it
    is readable but of another kind, as a preview is."""
    if isinstance(error, OtherKindError):
        return _numberless(path) in map(_numberless, others)
    return path.suffix in {other.suffix for other in others}


def _numberless(path: Path) -> str:
    return re.sub("[0-9]+", "0", path.name)


def _cut_off(path: Path, storage: Storage) -> InputError:
    found = f"a file cut off after {storage.cut_off} bytes"
    return InputError(path, KEY, found, f"{storage.n_bytes} bytes, as its header says")


def _gaps(paths: Sequence[Path]) -> tuple[str, ...]:
    """A warning if numbers are missing in consecutively numbered strips and no missing strip was inserted there: all
    later strips would be misplaced by a pitch."""
    if not all(path.stem.isdecimal() or path.name == MISSING for path in paths):
        return ()
    beside = (pair for pair in pairwise(path.stem for path in paths) if MISSING not in pair)
    lacking = [n for before, after in beside for n in range(int(before) + 1, int(after))]
    if not lacking:
        return ()
    named = ", ".join(map(str, lacking[:8])) + (" ..." if len(lacking) > 8 else "")
    told = "unless something else shows a gap there, the strips before and after it are taken for neighbours"
    return (f"no strip is numbered {named}: {told}",)


def _matches(pattern: str, document: Document) -> list[Path]:
    """The files that match the pattern, sorted by the parts of their paths. Raises `InputError`."""
    named_in = document.file_of(PLACE)
    relative(_fixed_part(pattern), document.root, named_in, KEY, A_PATTERN)
    try:
        names = glob.glob(pattern, root_dir=named_in.parent)
    except (OSError, re.error) as error:
        raise InputError(named_in, KEY, quoted(pattern), A_PATTERN) from error
    if not names:
        raise InputError(named_in, KEY, f"{quoted(pattern)}, which matches nothing", A_PATTERN)
    paths = sorted((named_in.parent / name for name in names), key=lambda path: path.parts)
    for path in paths:
        if not is_within(document.root, path):
            found = f"{quoted(pattern)}, of which {path.name} leads out of it"
            raise InputError(named_in, KEY, found, f"{A_PATTERN}, inside the parent of the frame's folder")
        if not os.path.isfile(path):
            raise InputError(named_in, KEY, f"{quoted(pattern)}, of which {path.name} is no file", A_PATTERN)
    return paths


def _fixed_part(pattern: str) -> str:
    """The folders of a pattern before its first wildcard; the pattern itself if it has none."""
    parts = pattern.split("/")
    fixed = next((index for index, part in enumerate(parts) if glob.has_magic(part)), len(parts))
    return "/".join(parts[:fixed]) or ("/" if pattern.startswith("/") else ".")


def _unlike(path: Path, storage: Storage, first_path: Path, first: Storage) -> OtherKindError:
    if storage.n_samples != first.n_samples:
        expected = f"{first.n_samples}, as {first_path.name} has"
        return OtherKindError(path, KEY, f"{storage.n_samples} samples in a line", expected)
    expected = f"{first.stored.newbyteorder('=')}, as {first_path.name} has"
    return OtherKindError(path, KEY, f"samples of {storage.stored.newbyteorder('=')}", expected)


def _check_saturation(scan: Scan, storage: Storage, document: Document) -> None:
    most = 256**storage.stored.itemsize - 1
    if scan.saturation is not None and scan.saturation[1] > most:
        expected = f"at most {most}, since the strips hold {storage.stored.newbyteorder('=')}"
        raise document.mistake(("scan", "saturation", 1), str(scan.saturation[1]), expected)


def _with_numbers(path: Path) -> list[tuple[int, int, str]]:
    """A sort key that compares runs of digits as numbers."""
    pieces = re.split(r"([0-9]+)", path.name)
    return [(1, int(piece), "") if piece.isdigit() else (0, 0, piece) for piece in pieces]
