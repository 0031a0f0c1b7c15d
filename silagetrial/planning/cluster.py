"""The workers of a dask.distributed cluster, for simulations that outgrow one machine."""

from __future__ import annotations

import contextlib
import importlib
import pickle
import time
from collections.abc import Callable, Generator
from dataclasses import dataclass
from typing import Any

import numpy as np

from silagetrial import __version__
from silagetrial.errors import UsageError
from silagetrial.planning.runners import Jobs, Results, Workers, supplied, worker_lost

__all__ = ["cluster_workers"]

WAIT = 10.0
"""Seconds to wait for the scheduler, and for a first worker."""
AHEAD = 3
"""Jobs given out for each worker: one in work, two waiting, as the way is longer."""
REFRESH = 2.0
"""Seconds after which workers are counted again."""


@contextlib.contextmanager
def cluster_workers(address: str) -> Generator[Workers, None, None]:
    """Connect to a cluster.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.1:8786``.

    Raises
    ------
    UsageError
        dask.distributed is not installed, nobody answers at the address, there is no worker, or
        workers hold other versions of this package or of numpy.
    SilageTrialError
        While applying: one group of chunks was lost with several workers.

    Notes
    -----
    The work of a worker that is lost goes to the others.  Scenarios travel with the work, in the
    scheduler's hands: nothing that is needed lies with one worker alone.
    """
    try:
        distributed = importlib.import_module("distributed")
    except ImportError as error:
        raise UsageError(
            found=f"cluster={address!r} without dask.distributed",
            expected="the extra 'cluster' installed",
            remedy="python -m pip install 'silagetrial[cluster]'",
        ) from error
    try:
        client = distributed.Client(address, timeout=WAIT, set_as_default=False)
    except (OSError, ValueError) as error:
        raise UsageError(
            found=f"no scheduler at {address!r}",
            expected="the address of a running dask scheduler, such as tcp://127.0.0.1:8786",
            remedy="start one with `dask scheduler`, and workers with `dask worker ADDRESS`",
        ) from error
    with client:
        _check_workers(client, address)

        def apply(function: Callable[..., Any], jobs: Jobs) -> Results:
            """Apply a function to jobs on the cluster."""
            return _applied(distributed, client, function, jobs)

        yield Workers(_threads(client), apply)


def _check_workers(client: Any, address: str) -> None:
    try:
        client.wait_for_workers(1, timeout=WAIT)
    except TimeoutError as error:
        raise UsageError(
            found=f"no worker at the scheduler {address!r}",
            expected="at least one worker",
            remedy=f"start some with `dask worker {address} --nthreads 1`",
        ) from error
    mine = _versions()
    for worker, theirs in client.run(_versions).items():
        if theirs != mine:
            raise UsageError(
                found=f"{theirs} on the worker {worker}",
                expected=f"{mine} as here, so that the digits are the same",
                remedy="install the same versions on the workers",
            )


def _versions() -> str:
    return f"silagetrial {__version__}, numpy {np.__version__}"


def _threads(client: Any) -> int:
    return max(1, sum(int(count) for count in client.nthreads().values()))


def _called(pickled: bytes) -> Any:
    function, job = pickle.loads(pickled)
    return function(*job)


def _applied(distributed: Any, client: Any, function: Callable[..., Any], jobs: Jobs) -> Results:
    done = distributed.as_completed(loop=client.loop)
    running: set[Any] = set()

    def submit(job: tuple[Any, ...]) -> Any:
        """Give one job to the cluster."""
        # Bytes, and no name made from them: there is nothing for dask to look into.
        future = client.submit(_called, pickle.dumps((function, job)), pure=False)
        done.add(future)
        return future

    try:
        yield from supplied(
            jobs, running, submit=submit, first=lambda _: next(done), room=_Room(client)
        )
    except distributed.scheduler.KilledWorker as error:
        raise worker_lost("work that ended with each of several workers") from error
    finally:
        client.cancel(list(running))


@dataclass
class _Room:
    """How much may be given out: a cluster may grow, shrink and lose some of its workers."""

    client: Any
    counted: float = -REFRESH
    jobs: int = 0

    def __call__(self) -> int:
        if time.monotonic() - self.counted > REFRESH:
            self.counted, self.jobs = time.monotonic(), AHEAD * _threads(self.client)
        return self.jobs
