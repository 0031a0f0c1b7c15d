"""Where the chunks of a simulation are worked on: in this process, in several, on a cluster.

Each way takes a function and a stream of its arguments and gives results as they come, in any
order; arguments are asked for only when there is room for them.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Generator, Iterator
from concurrent import futures
from dataclasses import dataclass
from itertools import islice
from typing import Any, TypeAlias

from joblib.externals.loky import get_reusable_executor
from joblib.externals.loky.process_executor import BrokenProcessPool

from silagetrial.errors import SilageTrialError

__all__ = ["Jobs", "Results", "Workers", "here", "local_workers", "supplied", "worker_lost"]

Jobs: TypeAlias = Iterator[tuple[Any, ...]]
Results: TypeAlias = Generator[Any, None, None]

AHEAD = 2
"""Jobs given out for each worker: one in work, one waiting.  loky's own queue holds one more than
two for each: with jobs beside that queue it cannot be shut down without an error."""


@dataclass(frozen=True)
class Workers:
    """Workers and the way to them.

    Attributes
    ----------
    count : int
        How many at the start.
    apply : callable
        Of a function and a stream of argument tuples: its results, in any order.
    """

    count: int
    apply: Callable[[Callable[..., Any], Jobs], Results]


def here() -> Workers:
    """Return this process as the only worker."""
    return Workers(1, _one_by_one)


def _one_by_one(function: Callable[..., Any], jobs: Jobs) -> Results:
    for job in jobs:
        yield function(*job)


def local_workers(count: int) -> Workers:
    """Return processes of this machine; they stay for the next simulation, for some minutes.

    Raises
    ------
    SilageTrialError
        While applying: a process ended before its work did.
    """
    if count == 1:
        return here()

    def apply(function: Callable[..., Any], jobs: Jobs) -> Results:
        """Apply a function to jobs in local processes."""
        executor = _started(count)
        running: set[futures.Future[Any]] = set()
        ended = False
        try:
            yield from supplied(
                jobs,
                running,
                submit=lambda job: executor.submit(function, *job),
                first=_first_of,
                room=lambda: AHEAD * count,
            )
            ended = True
        except BrokenProcessPool as error:
            raise worker_lost("a worker process") from error
        finally:
            if not ended:
                executor.shutdown(wait=True, kill_workers=True)

    return Workers(count, apply)


def _started(count: int) -> Any:
    """Start processes that leave Ctrl-C, which a terminal sends to all, to this one."""
    if not hasattr(signal, "pthread_sigmask"):
        return get_reusable_executor(count, initializer=_ignore_interrupts)
    # What is blocked here is blocked there from the first moment on.
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        executor = get_reusable_executor(count)
        executor.submit(int)
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)
    return executor


def _ignore_interrupts() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


def _first_of(running: set[futures.Future[Any]]) -> futures.Future[Any]:
    return next(iter(futures.wait(running, return_when=futures.FIRST_COMPLETED).done))


def supplied(
    jobs: Jobs,
    running: set[Any],
    *,
    submit: Callable[[tuple[Any, ...]], Any],
    first: Callable[[set[Any]], Any],
    room: Callable[[], int],
) -> Results:
    """Keep workers supplied with jobs, and give results as they come.

    Parameters
    ----------
    jobs : iterator of tuple
    running : set
        Filled with the futures of jobs given out, so that the caller can call them off.
    submit : callable
        Of a job: its future.
    first : callable
        Of the running futures: one that is done.
    room : callable
        How many jobs may be given out at once.
    """
    while True:
        for job in islice(jobs, max(0, room() - len(running))):
            running.add(submit(job))
        if not running:
            return
        future = first(running)
        running.discard(future)
        yield future.result()


def worker_lost(what: str) -> SilageTrialError:
    """Return the error of a worker that ended by itself or was killed."""
    return SilageTrialError(
        found=f"{what} that ended before its work was done, most often for want of memory",
        expected="workers that run to the end",
        remedy="run again, with fewer workers where memory is short; finished chunks are taken "
        "from the checkpoint where one was given",
    )
