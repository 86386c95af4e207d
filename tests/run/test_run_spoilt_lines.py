"""Lines whose video is wrong are left out of a strip, and each reason is said."""

from pathlib import Path

import numpy as np

from calib.frame.frame import StripRaster
from calib.frame.remarks import Remark
from calib.run.fitting.spoilt_lines import _Spoilt, _without

STRIP = StripRaster(3, Path("003.tif"), 100, 50, np.dtype(np.uint16), is_reversed=False)


def test_each_of_several_faults_of_a_strip_is_said() -> None:
    """The strongest once took the place of all others: who mended it met the next one only then."""
    strip, said = _without(STRIP, [_Spoilt(range(10, 20), "its bits are still"), _Spoilt([15, 40], "it is inverted")])
    assert said == [
        Remark("lines 10 to 19 of 100 left out: its bits are still", (3,)),
        Remark("lines 15, 40 of 100 left out: it is inverted", (3,)),
    ]
    assert np.flatnonzero(strip.between_pieces()).tolist() == [*range(10, 20), 40]


def test_a_strip_of_which_hardly_a_line_is_left_is_lost_for_all_its_reasons() -> None:
    """Nothing is measured by a few last lines; what is said of a lost strip is its damage."""
    strip, said = _without(STRIP, [_Spoilt(range(95), "it jumps"), _Spoilt(range(5), "it is inverted")])
    assert strip.is_lost
    assert strip.damage == "it jumps and it is inverted"
    assert said == []
