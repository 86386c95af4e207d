"""The workers of a batch: processes of this machine, or the workers of a dask cluster that runs already."""

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

DEATHS_FORGIVEN = 0  # retries by the scheduler: the batch itself tries a dead worker's frames again, one at a time
CONNECT_S = 15.0  # timeout of the connection to a scheduler
OWN_VERSION = version("calib")
_FRAME = "frame"
# Replaces the library's own setting, which also makes workers return every freed block to the system: that is slow.
_ENVIRONMENT = {"OMP_NUM_THREADS": "1", "MKL_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"}
_HERE = {
    "distributed.scheduler.allowed-failures": DEATHS_FORGIVEN,
    "distributed.nanny.pre-spawn-environ": _ENVIRONMENT,
    "distributed.worker.multiprocessing-method": "forkserver",
    # The library's own monitoring, which by default runs many times a second and which nothing here uses.
    "distributed.worker.profile.enabled": False,
    "distributed.admin.tick.interval": "1s",
    "distributed.admin.system-monitor.interval": "1m",
}


@dataclass(frozen=True, slots=True)
class Workers:
    """A client of a scheduler, and the resources a task requests so that each worker has one frame at a time."""

    client: Client
    per_task: dict[str, int] | None

    def count(self) -> int:
        """Present number of workers; at least 1, so that a frame is always submitted for the next one that comes."""
        return max(1, len(self.client.nthreads()))


@contextmanager
def workers_here(count: int) -> Iterator[Workers]:
    """Start `count` worker processes on this machine; they end with this process, also when it is killed."""
    with (
        _forked_from_one_that_loads(),
        dask.config.set(_HERE),
        LocalCluster(
            n_workers=count,
            threads_per_worker=1,
            processes=True,
            memory_limit=0,  # none: a frame may use all memory of the machine
            dashboard_address="127.0.0.1:0",  # any free port; None would take the default one, perhaps another batch's
            resources={_FRAME: 1},
            silence_logs=logging.CRITICAL,
        ) as cluster,
        Client(cluster, set_as_default=False) as client,
    ):
        yield Workers(client, {_FRAME: 1})


@contextmanager
def _forked_from_one_that_loads() -> Iterator[None]:
    """Start the process from which workers are forked; it loads their modules once, while the scheduler starts.

    At the end the environment of this process, which the library changes too, is restored.
    """
    before = dict(os.environ)
    os.environ.update(_ENVIRONMENT)  # read when libraries are loaded: a process to be forked must have no threads
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
    """Use the workers of the scheduler at `address`. They need this version of calib and must see the same files.

    That scheduler's own setting decides how often it retries a frame whose worker died.

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
    # When a scheduler goes away the library logs tracebacks; the batch reports it in one line instead.
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
