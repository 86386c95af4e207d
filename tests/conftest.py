"""What all tests share: steady hypothesis, linear algebra on one thread, and their order.

Several test processes on a few cores would otherwise spend their time waiting for each other's threads; and on a fresh
copy for what each other compiles.
"""

import csv
import os
from pathlib import Path

import pytest
from hypothesis import settings
from threadpoolctl import threadpool_limits

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # for the processes that tests start
threadpool_limits(1, user_api="blas")
settings.register_profile("steady", derandomize=True, deadline=None, max_examples=60)
settings.load_profile("steady")
GEOMETRY = Path(__file__).parent / "data" / "geometry"
WHOLE_FRAME = "calibrated"  # the fixture whose frame takes nearly all compiled code there is
COMPILES_LITTLE = ("house", "camera", "frame", "light", "demo", "ground", "products")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """First one test of a whole frame, for which a process of a fresh copy compiles for minutes, and behind it what
    needs little of that: another process passes those tests meanwhile."""
    whole = next((item for item in items if WHOLE_FRAME in getattr(item, "fixturenames", ())), None)

    def place(item: pytest.Item) -> int:
        folder = Path(item.path).parent.name
        return 0 if item is whole else 1 + (folder not in COMPILES_LITTLE)

    items.sort(key=place)


@pytest.fixture(scope="session")
def published():
    """Rows of a check file by name; its header names the source."""

    def rows(name: str) -> list[dict[str, str]]:
        lines = (GEOMETRY / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        return list(csv.DictReader(line for line in lines if not line.startswith("#")))

    return rows
