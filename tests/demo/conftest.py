"""Frames that the tests of the forward model share."""

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from calib_demo.attitude import stated_pose
from calib_demo.catalogue import scenario
from calib_demo.film import film_of
from calib_demo.layout import lay_out
from calib_demo.make import make_frame, simulate, view_of
from calib_demo.readout import common_column_density, draw_strip, line_counts
from calib_demo.scenario import Scenario
from calib_demo.scene import GroundPicture
from calib_demo.truth import Truth


@pytest.fixture(scope="session")
def small_frame(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Truth]:
    """The small scenario's folder and truth."""
    folder = tmp_path_factory.mktemp("frame")
    return folder, make_frame(scenario("small"), folder)


def without_picture(asked: Scenario) -> Truth:
    """A truth whose ground is empty: all of the frame's description at hardly any cost."""
    layout, view = lay_out(asked), view_of(asked)
    empty = GroundPicture(np.zeros((4, 4), dtype=np.float32), 0.0, 0.0, 1.0)
    nothing = np.zeros((0, 3), dtype=np.int64)
    strips = tuple(
        draw_strip(asked, k, lines, (layout.first_center_mm + k * asked.scan.pitch_mm, layout.first_line_mm), nothing)
        for k, lines in enumerate(line_counts(asked))
    )
    film = film_of(asked, layout, empty)
    return Truth(
        asked, layout, view, film, strips, common_column_density(asked), *stated_pose(asked.pointing, asked.seed)
    )


@pytest.fixture(scope="session")
def described() -> Callable[[str], Truth]:
    """Name -> truth without a picture, made once each."""
    made: dict[str, Truth] = {}

    def find(name: str) -> Truth:
        if name not in made:
            made[name] = without_picture(scenario(name))
        return made[name]

    return find


@pytest.fixture(scope="session")
def shrunk() -> Callable[[str], Truth]:
    """Name -> truth of that scenario with three short strips, made once each."""
    made: dict[str, Truth] = {}

    def find(name: str) -> Truth:
        if name not in made:
            whole = scenario(name)
            scan = replace(whole.scan, strips=3, lines=850)
            made[name] = simulate(replace(whole, scan=scan, wedge=replace(whole.wedge, patch_mm=0.05)))
        return made[name]

    return find
