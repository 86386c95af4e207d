"""Pass all tests on a fresh machine: ``python3 tests/run_all.py``. Needs only Python 3.11 or newer and a network.

Makes the environment `.venv` with the test extra, then runs the style check, the type check and every test. Arguments
are handed to pytest, e.g. ``python3 tests/run_all.py -k sweep``.
"""

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
sys.path.insert(0, str(ROOT / "demo"))

from first_run import environment  # noqa: E402 - found only once its folder is on the path


def main() -> int:
    """Exit status of the first check that failed, or 0."""
    commands = environment("[test]")
    checks = [
        [commands / "ruff", "check", "."],
        [commands / "ruff", "format", "--check", "."],
        [commands / "mypy"],
        [commands / "pytest", "--numprocesses", "2", "--dist", "loadgroup", *sys.argv[1:]],
    ]
    for check in checks:
        print("$", " ".join(str(part) for part in [check[0].name, *check[1:]]), flush=True)
        status = subprocess.run(check, cwd=ROOT).returncode
        if status:
            return status
    return 0


if __name__ == "__main__":
    sys.exit(main())
