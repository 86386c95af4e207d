"""The workers of a batch: processes of this machine, or those of a cluster that somebody else runs."""

import logging
import os
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from importlib.metadata import version
from multiprocessing.forkserver import ensure_running, set_forkserver_preload
from typing import Any

import dask
from distributed import Client, LocalCluster
from distributed.utils import silence_logging_cmgr

from calib.errors import CalibError, InputError
from calib.run.batch.task import JOB

DEATHS_FORGIVEN = 0  # by the scheduler: the batch itself tries a dead worker's frames again, one at a time
CONNECT_S = 15.0  # after which a scheduler does not answer
OWN_VERSION = version("calib")
_FRAME = "frame"
# The library's own setting also lets a worker hand every freed block back to the system, which costs much of its time.
_ENVIRONMENT = {"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
_HERE = {
    "distributed.scheduler.allowed-failures": DEATHS_FORGIVEN,
    "distributed.nanny.pre-spawn-environ": _ENVIRONMENT,
    "distributed.worker.multiprocessing-method": "forkserver",
    # What the library sees to by itself, many times a second, and nobody asks for: what runs, how busy all is.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "1m",
}


@dataclass(frozen=True, slots=True)
class Workers:
    """A client of a scheduler, and what a task must ask for so that a worker has one frame at a time."""

    client: Client
    per_task: dict[str, int] | None

    def count(self) -> int:
        """How many workers there are now; at least 1, so that there is always a frame waiting for one that comes."""
        return max(1, len(self.client.nthreads()))


@contextmanager
def workers_here(count: int) -> Iterator[Workers]:
    """`count` worker processes of this machine; they end with this process, also when it is killed."""
    with (
        _forked_from_one_that_loads(),
        dask.config.set(_HERE),
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            memory_limit=0,  # a frame may use what there is: the machine, not a share of it, says when memory is out
            dashboard_address="127.0.0.1:0",  # none would still take the usual port, which another batch may have
            resources={_FRAME: 1},
            silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield Workers(client, {_FRAME: 1})


@contextmanager
def _forked_from_one_that_loads() -> Iterator[None]:
    """Start the process that workers are forked from: it loads what they need, once, while the scheduler starts.

    In the end this process has its own environment back, which the library changes too.
    """
    before = dict(os.environ)
    os.environ.update(_ENVIRONMENT)  # libraries look when they are loaded; it must have no threads when it is forked
    set_forkserver_preload([JOB, "calib.run.report.page", "distributed.nanny"])
    try:
        ensure_running()
        yield
    finally:
        for name in os.environ.keys() - before.keys():
            del os.environ[name]
        os.environ.update(before)


@contextmanager
def workers_of(address: str) -> Iterator[Workers]:
    """The workers of the scheduler at `address`. They need this version of calib and must see the same files.

    How often a frame is tried again whose worker dies is for that scheduler to say.

    Raises:
        InputError: no scheduler answers there, or a worker has another version of calib or none.
    """
    with dask.config.set({"distributed.comm.timeouts.connect": f"{CONNECT_S} s"}):
        try:
            client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise InputError(
                "batch", "--scheduler", address, "the address of a scheduler that answers, such as tcp://10.0.0.5:8786"
            ) from error
    # What the library logs of a scheduler that goes are traces of its own; the batch says it in a line.
    with silence_logging_cmgr(logging.CRITICAL), client:
        _check_versions(client, address)
        yield Workers(client, None)


def _check_versions(client: Client, address: str) -> None:
    try:
        found: dict[str, Any] = client.run(version, "calib")
    except ImportError as error:
        raise CalibError(f"--scheduler {address}: a worker has no calib; it needs version {OWN_VERSION}") from error
    for worker, other in found.items():
        if other != OWN_VERSION:
            raise CalibError(
                f"--scheduler {address}: the worker {worker} has calib {other}; it needs version {OWN_VERSION}"
            )
