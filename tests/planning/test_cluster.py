"""A real scheduler and real worker processes: the bits of one process, whoever is killed."""

from __future__ import annotations

import contextlib
import importlib
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field

import pandas as pd
import pytest
from planning.simulation_plans import plan_of

import silagetrial
from silagetrial.errors import SilageTrialError, UsageError
from silagetrial.planning import cluster
from silagetrial.planning.chunks import Progress
from silagetrial.planning.plan import Spread
from silagetrial.planning.simulate import Simulation, simulate_power

PLAN = plan_of(5, openings=(60, 150), effect=(0.4,), lost=0.2, spread=Spread(pair=0.3, core=0.5))
GRID = {"lost": (0.0, 0.3), "half_life": (0.0, 60.0)}
TRIALS = 2048
KILLS = 20


def run(trials: int = TRIALS, **options: object) -> Simulation:
    return simulate_power(PLAN, trials=trials, seed=7, grid=GRID, **options)


@dataclass
class Cluster:
    """A scheduler and its workers, each a process of its own."""

    port: int
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]] = field(default_factory=list)

    @property
    def address(self) -> str:
        return f"tcp://127.0.0.1:{self.port}"

    def add(self) -> None:
        self.workers.append(
            dask("worker", self.address, "--nthreads", "1", "--no-nanny", "--no-dashboard")
        )

    def wait_for(self, count: int) -> None:
        deadline = time.monotonic() + 60
        distributed = importlib.import_module("distributed")
        with distributed.Client(self.address, timeout=20, set_as_default=False) as client:
            while len(client.nthreads()) != count:
                assert time.monotonic() < deadline
                time.sleep(0.1)

    def kill(self, number: int) -> None:
        process = self.workers.pop(number)
        process.send_signal(signal.SIGKILL)
        process.wait()


def dask(*words: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "dask", *words],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


@pytest.fixture(scope="module")
def running() -> Iterator[Cluster]:
    port = free_port()
    scheduler = dask("scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard")
    here = Cluster(port, scheduler)
    try:
        yield here
    finally:
        for process in (*here.workers, here.scheduler):
            process.kill()
            process.wait()


@pytest.mark.slow
def test_a_scheduler_without_workers_says_how_to_start_some(
    running: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    running.wait_for(0)
    monkeypatch.setattr(cluster, "WAIT", 2.0)
    with pytest.raises(UsageError, match="no worker at the scheduler") as caught:
        run(cluster=running.address)
    assert f"dask worker {running.address} --nthreads 1" in str(caught.value)


@pytest.mark.slow
def test_twenty_killed_workers_change_no_bit(running: Cluster) -> None:
    whole = run()
    for _ in range(2 - len(running.workers)):
        running.add()
    running.wait_for(2)
    same(run(cluster=running.address), whole)
    killed_in_the_middle = 0
    for kill in range(KILLS):
        hit = threading.Event()

        def tell(progress: Progress, kill: int = kill, hit: threading.Event = hit) -> None:
            # Once chunks have come, and others are with both workers.
            if progress.left > 0 and not hit.is_set():
                hit.set()
                running.kill(kill % 2)
                running.add()  # for the next round; till it is up, the other one works alone

        found = run(cluster=running.address, progress=tell)
        killed_in_the_middle += hit.is_set()
        same(found, whole)
        running.wait_for(2)
    assert killed_in_the_middle == KILLS


@pytest.mark.slow
def test_another_version_on_a_worker_is_refused(
    running: Cluster, monkeypatch: pytest.MonkeyPatch
) -> None:
    if not running.workers:
        running.add()
    monkeypatch.setattr(cluster, "__version__", "0.0.1")
    with pytest.raises(UsageError, match=silagetrial.__version__) as caught:
        run(cluster=running.address)
    assert "install the same versions" in str(caught.value)


def same(one: Simulation, other: Simulation) -> None:
    pd.testing.assert_frame_equal(one.table.frame, other.table.frame, check_exact=True)


def test_nobody_at_the_address(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "WAIT", 0.5)
    with pytest.raises(UsageError, match="no scheduler at") as caught:
        run(trials=10, cluster=f"tcp://127.0.0.1:{free_port()}")
    assert "dask scheduler" in str(caught.value)
    with pytest.raises(UsageError, match="no scheduler at"):
        run(trials=10, cluster="nowhere://127.0.0.1:1")


def test_without_dask_the_extra_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(UsageError, match="without dask") as caught:
        run(trials=10, cluster="tcp://127.0.0.1:1")
    assert "silagetrial[cluster]" in str(caught.value)


def test_work_lost_with_several_workers_is_an_error_that_says_so() -> None:
    distributed = importlib.import_module("distributed")

    class Lost:
        def result(self) -> None:
            raise distributed.scheduler.KilledWorker("task", "worker", 3)

    class Client:
        loop = None

        def submit(self, *_: object, pure: bool) -> Lost:
            return Lost()

        def nthreads(self) -> dict[str, int]:
            return {"worker": 1}

        def cancel(self, _: object) -> None:
            return None

    class Module:
        scheduler = distributed.scheduler

        class as_completed:  # noqa: N801 - dask's name
            def __init__(self, *, loop: object) -> None:
                self.all: list[Lost] = []

            def add(self, future: Lost) -> None:
                self.all.append(future)

            def __next__(self) -> Lost:
                return self.all.pop()

    results = cluster._applied(Module, Client(), int, iter([()]))
    with (
        contextlib.closing(results),
        pytest.raises(SilageTrialError, match="ended with each of several workers"),
    ):
        next(results)
