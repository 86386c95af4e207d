"""The folder of a run's products: one run at a time, none of its own inputs in it, nothing left of one that ended."""

import time
from pathlib import Path

import pytest

from calib.errors import InputError
from calib.folder_lock import held
from calib.run import frame_job
from calib.run.frame_job import run_frame
from calib.run.out_folder import claimed


def test_two_runs_do_not_write_into_one_folder(tmp_path: Path) -> None:
    """Products of two frames would be mixed; the one that is refused leaves the other's empty folders alone."""
    out = tmp_path / "new" / "out"
    with claimed(out, (), overwrite=False):
        with (
            pytest.raises(InputError, match="found a folder in which another run is at work"),
            claimed(out, (), overwrite=False),
        ):
            pass
        assert sorted(path.name for path in out.iterdir()) == ["film", "map"]
    with claimed(out, (), overwrite=False), held(out, wait=False):  # which the batch holds around a run
        pass


def test_a_holder_that_was_stopped_is_not_waited_for_without_end(tmp_path: Path) -> None:
    """Someone who suspends a run that compiles, and begins another, would see the second stand still for ever."""
    began = time.monotonic()
    with held(tmp_path, wait=True), held(tmp_path, wait=True, at_most_s=0.1):
        assert time.monotonic() >= began + 0.1
    with held(tmp_path, wait=False):
        pass


def test_products_do_not_go_where_the_frame_s_own_files_lie(tmp_path: Path) -> None:
    """The pattern of the strips would find the products the next time."""
    (tmp_path / "frame" / "film").mkdir(parents=True)
    (tmp_path / "link").symlink_to(tmp_path / "frame")
    with (
        pytest.raises(InputError, match=r"--out: found 000\.tif of the frame itself where products go, expected "),
        claimed(tmp_path / "link", (tmp_path / "frame" / "film" / "000.tif",), overwrite=False),
    ):
        pass
    assert not (tmp_path / "frame" / "map").exists()


def test_a_run_that_is_interrupted_leaves_no_empty_folders(  # type: ignore[no-untyped-def]
    calibrated, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the fits are done and nothing is written yet."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(frame_job, "fit_frame", lambda *_, **__: calibrated.result.fits)
    monkeypatch.setattr(frame_job, "write_film", interrupted)
    with pytest.raises(KeyboardInterrupt):
        run_frame(calibrated.package, tmp_path / "a" / "b", threads=1, overwrite=False)
    assert list(tmp_path.iterdir()) == []
