"""The command line as a user calls it, inside the test's own process."""

import sys

import pytest

from calib.cli.main import main


def calib(
    arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> tuple[int, str, str]:
    """Exit status, standard output and standard error of one call."""
    monkeypatch.setattr(sys, "argv", ["calib", *arguments])
    try:
        main()
        status = 0
    except SystemExit as exit_:
        status = int(exit_.code or 0)
    out, err = capsys.readouterr()
    return status, out, err
