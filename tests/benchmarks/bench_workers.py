"""From one process to two, to a cluster: scaling measured, overheads, and an estimate from them.

Run:  python tests/benchmarks/bench_workers.py  (prints a table; exit 1 where the bits differ)

The reference plan of bench_simulation, 12 % of results missing.  Times are the best of several
runs in turns, with the processes started and warm; starting them is a line of its own.  On a
machine that others use as well, processor seconds tell what wall seconds cannot: both are there.
"""

from __future__ import annotations

import contextlib
import os
import pickle
import socket
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Any

from bench_simulation import reference_plan

from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.chunks import BUNDLE, GROUP, Done, _Group, _run, chunk_rng
from silagetrial.planning.cluster import cluster_workers
from silagetrial.planning.from_plan import ANALYSES
from silagetrial.planning.grids import scenarios_of
from silagetrial.planning.runners import Workers, local_workers
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.simulation import simulation_of

PLAN = reference_plan(missing=0.12)
TRIALS = 32_768
ROUNDS = 3
EMPTY = 400
"""Jobs without work, for the overhead of a job."""
CORES, SCENARIOS, EACH = 1000, 1_000_000, 10_000


def overhead(workers: Workers, scenarios: Sequence[Scenario]) -> float:
    """Seconds that a job without work costs the process that gives it out."""
    group = _Group(0, 0, (128,) * GROUP[1])
    bundle = tuple((scenario, group) for scenario in scenarios)
    start = time.perf_counter()
    for _ in workers.apply(len, ((bundle,) for _ in range(EMPTY))):
        pass
    return (time.perf_counter() - start) / EMPTY


def timed(**options: Any) -> tuple[float, str]:
    start = time.perf_counter()
    found = simulate_power(PLAN, trials=TRIALS, seed=1, **options)
    return time.perf_counter() - start, found.table.to_csv()


def processor_seconds(scenario: Scenario) -> float:
    """Processor seconds of one group of the largest size, in one process."""
    start = time.process_time()
    _run([(scenario, _Group(0, 0, (128,) * GROUP[1]))], 1)
    return time.process_time() - start


@contextlib.contextmanager
def cluster(workers: int) -> Iterator[str]:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = one.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    quiet: dict[str, Any] = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    dask = [sys.executable, "-m", "dask"]
    words = [["scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"]]
    words += [["worker", address, "--nthreads", "1", "--no-nanny", "--no-dashboard"]] * workers
    started = [subprocess.Popen([*dask, *each], **quiet) for each in words]
    try:
        with cluster_workers(address) as there:
            while there.count < workers:
                time.sleep(0.5)
                with cluster_workers(address) as again:
                    there = again
        yield address
    finally:
        for process in started:
            process.kill()
            process.wait()


def grid_of(points: int) -> tuple[list[Scenario], float]:
    """A grid of assumptions, and the seconds that a scenario of it costs before any draw."""
    grid = {"effect": [0.1 + k / points for k in range(points)]}
    start = time.perf_counter()
    found = scenarios_of(PLAN, response_planned(PLAN), grid, analyses=ANALYSES)
    return found, (time.perf_counter() - start) / points


def table_seconds(scenarios: Sequence[Scenario]) -> float:
    """Seconds that a scenario costs in the table at the end."""
    tally = scenarios[0].run(chunk_rng(1, 0, 0), 128)
    done = [Done(tally, 1) for _ in scenarios]
    start = time.perf_counter()
    simulation_of(scenarios, done, seed=1, primary="average", asked=128)
    return (time.perf_counter() - start) / len(scenarios)


def line(words: str, value: float, unit: str) -> None:
    print(f"{words:<66}{value:>10.3g} {unit}", flush=True)


def main() -> int:
    scenarios, making = grid_of(400)
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.1f} at the start; {TRIALS:,} trials")
    processor_seconds(scenarios[0])
    work = min(processor_seconds(scenarios[0]) for _ in range(ROUNDS))
    trial = work / (128 * GROUP[1])
    line("processor time of a trial, draw and both analyses", 1e3 * trial, "ms")
    line(f"a group of {128 * GROUP[1]:,} trials", work, "s")
    line("a scenario and its layout, pickled", len(pickle.dumps(scenarios[0])) / 1e3, "kB")
    start = time.perf_counter()
    overhead(local_workers(2), scenarios[:1])
    line(f"2 processes started, and {EMPTY} empty jobs", time.perf_counter() - start, "s")
    line("a job to a process and back", 1e3 * overhead(local_workers(2), scenarios[:1]), "ms")
    bits: set[str] = set()
    best: dict[str, float] = {}
    with cluster(2) as address:
        with cluster_workers(address) as there:
            overhead(there, scenarios[:1])
            line("a job to a cluster and back", 1e3 * overhead(there, scenarios[:1]), "ms")
            through = overhead(there, scenarios[: BUNDLE[1]])
            line(f"one of {BUNDLE[1]} groups, each of another scenario", 1e3 * through, "ms")
        ways: dict[str, dict[str, Any]] = {
            "1 process": {"workers": 1}, "2 processes": {"workers": 2},
            "dask, 2 workers": {"cluster": address},
        }  # fmt: skip
        for _ in range(ROUNDS):
            for name, options in ways.items():
                seconds, table = timed(**options)
                bits.add(table)
                best[name] = min(best.get(name, seconds), seconds)
    for name, seconds in best.items():
        line(f"{name}, wall", seconds, "s")
        line(f"{name}, times as fast as one process", best["1 process"] / seconds, "")
    print(f"load {os.getloadavg()[0]:.1f} at the end; the same bits: {len(bits) == 1}")
    print(f"\n{SCENARIOS:,} scenarios of {EACH:,} trials, {CORES:,} cores (estimate)")
    jobs = SCENARIOS * -(-EACH // (128 * GROUP[1])) / BUNDLE[1]
    line("work of the cores", SCENARIOS * EACH * trial / CORES / 3600, "h")
    line("meanwhile, giving out the jobs one after another", jobs * through / 3600, "h")
    line("before, making the scenarios", SCENARIOS * making / 3600, "h")
    line("after, the table", SCENARIOS * table_seconds(scenarios) / 3600, "h")
    return 0 if len(bits) == 1 else 1


if __name__ == "__main__":
    sys.exit(main())
