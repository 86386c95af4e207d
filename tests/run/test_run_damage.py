"""What is said of strips of whose lines some are lost, for more than one reason too."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np

from calib.frame.frame import StripRaster
from calib.frame.remarks import worded
from calib.frame.strips import split_at_jump, without_lines
from calib.run.fitting.damage import damaged
from calib.tone.dropouts import Dropouts, with_unread

CUT_OFF = "its file is cut off after 700 of 800 bytes"


def strip(damage: str = "") -> StripRaster:
    return StripRaster(1, Path("001.tif"), 80, 5, np.dtype(np.uint16), is_reversed=False, damage=damage)


def said_of(raster: StripRaster, of_file: range) -> tuple[str, ...]:
    """What is said of a strip beside a whole one; lines `of_file` of it, as it is now, its file has lost."""
    unread = raster.between_pieces()
    unread[of_file] = True
    lost = with_unread(Dropouts(np.zeros((0, 3), np.int32), np.count_nonzero(~unread), raster.n_samples), unread)
    whole = Dropouts(np.zeros((0, 3), np.int32), 80, 5)
    said, out = damaged(SimpleNamespace(strips=(strip(), raster)), (whole, lost))  # type: ignore[arg-type]
    assert out == ()
    return worded(said, (strip(), raster))


def test_what_a_file_has_lost_is_said_also_where_other_lines_are_left_out() -> None:
    """Lines left out because their video is inverted, or a jump of the picture, made it silent (a bug)."""
    cut_off = f"strip 1 (001.tif): lines 70 to 79 of 80 left out: {CUT_OFF}"
    assert said_of(strip(CUT_OFF), range(70, 80)) == (cut_off,)
    assert said_of(without_lines(strip(CUT_OFF), range(20, 30)), range(70, 80)) == (cut_off,)
    jump = "strip 1 (001.tif): its picture jumps between lines 39 and 42, as seen: 6 lines of film are missing"
    put_in = split_at_jump(strip(CUT_OFF), 40, 42, 6, "seen")
    assert said_of(put_in, range(76, 86)) == (jump, f"strip 1 (001.tif): lines 76 to 85 of 86 left out: {CUT_OFF}")


def test_each_jump_is_said_with_what_shows_it() -> None:
    """Of two jumps the later found one's neighbours were named for both (a bug)."""
    raster = split_at_jump(split_at_jump(strip(), 60, 60, -8, "strip 2 shows"), 20, 20, 10, "strip 0 shows")
    assert said_of(raster, range(0)) == (
        "strip 1 (001.tif): its picture jumps between lines 19 and 20, as strip 0 shows: 10 lines of film are missing",
        "strip 1 (001.tif): its picture jumps between lines 59 and 68, as strip 2 shows: 8 lines show film twice",
    )
