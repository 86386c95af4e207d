"""Run the demo on a fresh machine: ``python3 demo/first_run.py``. Needs only Python 3.11 or newer and a network.

Makes the environment `.venv` at the top of the repository, installs calib into it, and runs ``calib demo``.
"""

import hashlib
import subprocess
import sys
import venv
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent


def environment(extra: str = "") -> Path:
    """Folder of the environment's commands, made or brought up to date with `pyproject.toml`; `extra`: ``[test]``."""
    if sys.version_info < (3, 11):  # noqa: UP036 - this file is what an older Python is met with
        sys.exit(f"calib needs Python 3.11 or newer, found {sys.version.split()[0]}")
    folder = ROOT / ".venv"
    commands = folder / "bin"
    stamp = folder / f"installed{extra}"
    wanted = hashlib.sha256((ROOT / "pyproject.toml").read_bytes() + str(ROOT).encode()).hexdigest()
    if stamp.exists() and stamp.read_text() == wanted:
        return commands
    print(f"making the environment {folder} (once) ...", flush=True)
    venv.create(folder, with_pip=True)
    install = [
        commands / "python",
        "-m",
        "pip",
        "install",
        "--quiet",
        "--disable-pip-version-check",
        "--editable",
        f"{ROOT}{extra}",
    ]
    if subprocess.run(install).returncode:
        sys.exit("the installation failed: see pip's message above")
    stamp.write_text(wanted)
    return commands


if __name__ == "__main__":
    sys.exit(subprocess.run([environment() / "calib", "demo", *sys.argv[1:]]).returncode)
