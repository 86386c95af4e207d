"""A product is complete or absent after an exception and after a killed process."""

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from calib.products.atomic import atomic_file, remove_leftovers, write_text


def names_in(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_the_product_appears_on_leaving_the_block_and_not_before(tmp_path):
    product = tmp_path / "report.html"
    with atomic_file(product) as aside:
        aside.write_text("half")
        assert not product.exists()
        assert aside.parent == tmp_path
        assert aside.name.startswith(".")
    assert product.read_text() == "half"
    assert names_in(tmp_path) == ["report.html"]


def test_an_exception_leaves_the_old_file_and_no_temporary_file(tmp_path):
    product = tmp_path / "report.html"
    product.write_text("earlier")

    def fail():
        with atomic_file(product) as aside:
            aside.write_text("half")
            aside.with_name(aside.name + ".aux.xml").write_text("what a library put beside it")
            raise RuntimeError("full disk")

    with pytest.raises(RuntimeError, match="full disk"):
        fail()
    assert product.read_text() == "earlier"
    assert names_in(tmp_path) == ["report.html"]


def test_writing_nothing_is_an_error_and_keeps_the_old_file(tmp_path):
    product = tmp_path / "report.html"
    with pytest.raises(FileNotFoundError, match=r"report\.html"), atomic_file(product):
        pass
    assert names_in(tmp_path) == []


def test_text_is_written_unchanged(tmp_path):
    write_text(tmp_path / "a.json", "µm\n")
    assert (tmp_path / "a.json").read_bytes() == b"\xc2\xb5m\n"


KILLED_WRITER = """
import sys, os, signal
import numpy as np
from pathlib import Path
from calib.products.rasters import RasterSpec, raster
from calib.products.tiles import RasterLayout
layout = RasterLayout(1500, 700, np.dtype("float32"), (1.0, 0.0, 0.0, 0.0, 1.0, 0.0))
with raster(RasterSpec(Path(sys.argv[1]) / "density.tif", layout)) as product:
    product.write_block(0, 0, np.ones((900, 700), np.float32))
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_a_killed_run_leaves_no_partial_product_and_the_next_run_removes_its_temporary_file(tmp_path):
    killed = subprocess.run([sys.executable, "-c", KILLED_WRITER, str(tmp_path)], timeout=60)
    assert killed.returncode == -signal.SIGKILL
    assert not (tmp_path / "density.tif").exists()
    left = names_in(tmp_path)
    assert left, "the writer was killed before it wrote anything, so this test shows nothing"
    assert all(name.startswith(".density.tif.") for name in left)
    (tmp_path / ".keep.part").write_text("somebody else's hidden file")

    assert [path.name for path in remove_leftovers(tmp_path)] == left
    assert names_in(tmp_path) == [".keep.part"]


def test_temporary_files_of_another_live_process_stay_and_old_ones_with_our_id_do_not(tmp_path):
    living = tmp_path / f".map.tif.{os.getppid()}.part"
    own = tmp_path / "film" / f".density.tif.{os.getpid()}.part.0"
    own.parent.mkdir()
    living.touch()
    own.touch()
    assert remove_leftovers(tmp_path) == (own,)
    assert living.exists()
