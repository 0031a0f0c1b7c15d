"""Speed of simulated trials beside R's, where the time goes, and how far it is from the machine's.

Run:  python tests/benchmarks/bench_simulation.py  (prints tables; exit 1 when a limit is passed)

The reference plan: 4 pairs on each of 3 sites x 2 bindings x 4 openings, bales cored again at each
opening: 96 rows, sites fixed, pair and bale random.  Every trial is drawn, fitted by REML, its six
contrasts tested with Kenward-Roger, and has its paired t.  R fits the same model to some of the
same trials with lmer and makes its Kenward-Roger table (lmerTest), or the same six tests and
nothing else (pbkrtest); drawing is not asked of it.  Where there is no Rscript, what was recorded
below stands for it.
"""

from __future__ import annotations

import json
import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import counted
import numpy as np
import pandas as pd

if sys.argv[1:] == ["flops"]:
    counted.install("silagetrial.")  # before anything of the package is imported

from bench_engine import on_one_core
from machine import against_the_machine
from parts import Parts, timed_parts

from silagetrial.data.settings import AnalysisPlan, Opening, Settings
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.chunks import chunk_rng
from silagetrial.planning.draws import draw_trials
from silagetrial.planning.from_plan import scenario_of, truth_of
from silagetrial.planning.plan import Assumption, Plan, SitePlan, Spread
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.trial_analyses import RemlAnalysis

HERE = Path(__file__).parent
CHUNK = 128
TRIALS, MISSING_TRIALS = 10_000, 4_000
SECONDS, MEGABYTES = 2.0, 500.0
FASTER = {"balanced": 1500.0, "missing": 600.0, "refit": 40.0, "tests": 0.0}
"""How many times R's speed is asked for, on two cores; of R's six tests alone nothing is."""
COMPARED = 12
"""Trials of each kind that R fits as well."""


@dataclass(frozen=True)
class OfR:
    """What R needs, milliseconds of processor time a trial, and where that is from.

    Fit and lmerTest's Kenward-Roger table, as its users get it, of balanced trials and of those
    with rows missing; a refit alone; fit and the six tests alone, called in pbkrtest itself.
    """

    balanced: float
    missing: float
    refit: float
    tests: float
    source: str


R_RECORDED = OfR(
    266.0, 233.0, 8.0, 72.0, "recorded: R 4.2.2, lme4 1.1.31, lmerTest 3.1.3, pbkrtest 0.5.2"
)  # fmt: skip


def reference_plan(*, missing: float = 0.0) -> Plan:
    openings = tuple(Opening(f"{d} days", d, (d - 5, d + 5)) for d in (14, 60, 120, 240))
    settings = Settings(
        title="reference", compare=("net", "film"), reference="net", design="recored",
        openings=openings, analysis=AnalysisPlan(primary="pH", contrast=("film", "net")),
    )  # fmt: skip
    spread = Spread(pair=0.6, bale=0.5, core=0.35)
    departures = {"missing": missing} if missing else {}
    assumed = Assumption(effect=(0.3,), spread=spread, departures=departures, source="invented")
    sites = tuple(SitePlan(name, 4) for name in ("farm A", "farm B", "farm C"))
    return Plan(settings, sites, assumptions={"pH": assumed})


def scenario(kind: str) -> Scenario:
    plan = reference_plan(missing=0.12 if kind == "missing" else 0.0)
    return scenario_of(plan, truth_of(plan, response_planned(plan)))


# ------------------------------------------------------------------------------------ R beside


def compared_trials() -> tuple[pd.DataFrame, pd.DataFrame, dict[tuple[str, int], np.ndarray]]:
    """Trials for R, the contrasts as weights of the openings, and our p-values of them."""
    frames, ours = [], {}
    for kind in ("balanced", "missing"):
        here = scenario(kind)
        drawn = draw_trials(here.grid, here.truth, chunk_rng(1, 0, 0), COMPARED)
        question = here.book.question((0, 1, 2, 3))
        assert question is not None
        found = RemlAnalysis()(question, here.grid, drawn, 0.95)
        # R holds a variance at zero where ours goes below: nothing to compare there.
        p = np.where(found.negative[:, None], np.nan, found.p_value)
        for t in range(COMPARED):
            there = True if drawn.present is None else drawn.present[t]
            rows = here.book.rows[["site", "pair", "bale", "binding", "opening"]]
            y = np.where(there, drawn.y[t], np.nan)
            frames.append(rows.assign(kind=kind, trial=t, y=y))
            ours[kind, t] = p[t]
    weights = pd.DataFrame(question.weights, columns=here.book.openings)
    return pd.concat(frames, ignore_index=True), weights, ours


def beside_r() -> tuple[OfR, float]:
    """R's times, and the largest relative difference of its p-values from ours."""
    if shutil.which("Rscript") is None:
        return R_RECORDED, float("nan")
    trials, weights, ours = compared_trials()
    with tempfile.TemporaryDirectory() as folder:
        files = [f"{folder}/trials.csv", f"{folder}/contrasts.csv"]
        # R orders the levels as they come: net first, as in the plan.
        trials.sort_values(["kind", "trial", "binding"], ascending=[True, True, False],
                           kind="stable").to_csv(files[0], index=False)  # fmt: skip
        weights.to_csv(files[1], index=False)
        command = ["Rscript", str(HERE / "bench_simulation.R"), *files]
        done = subprocess.run(command, capture_output=True, text=True, check=True)
    *lines, refits, versions = done.stdout.strip().splitlines()
    times: dict[str, list[float]] = {"balanced": [], "missing": [], "tests": []}
    worst = 0.0
    for line in lines:
        kind, trial, table, tests, *p = line.split()
        times[kind].append(float(table))
        times["tests"].append(float(tests))
        apart = np.abs(ours[kind, int(trial)] / np.array(p, dtype=float) - 1.0)
        worst = max(worst, float(np.nan_to_num(apart).max()))
    balanced, missing, alone = (statistics.median(times[kind]) for kind in times)
    refit = statistics.median(float(x) for x in refits.split())
    return OfR(balanced, missing, refit, alone, "measured here: " + versions.strip()), worst


# --------------------------------------------------------------------------------------- speed


def seconds(call: Callable[[], object], runs: int) -> tuple[float, float]:
    """Median wall-clock and processor time of a call, seconds."""
    wall, processor = [], []
    for _ in range(runs):
        start, cpu = time.perf_counter(), time.process_time()
        call()
        wall.append(time.perf_counter() - start)
        processor.append(time.process_time() - cpu)
    return statistics.median(wall), statistics.median(processor)


@dataclass(frozen=True)
class Speed:
    """Seconds of simulated trials of one kind, with draws, tests and paired t."""

    kind: str
    trials: int
    one: float
    one_processor: float
    two: float
    starting: float

    def milliseconds(self) -> tuple[float, float]:
        """A trial's: processor time in one process, time by the clock in two."""
        return 1000 * self.one_processor / self.trials, 1000 * self.two / self.trials


def speed(kind: str, trials: int) -> Speed:
    plan = reference_plan(missing=0.12 if kind == "missing" else 0.0)
    simulate_power(plan, trials=CHUNK, workers=1)
    one, processor = seconds(lambda: simulate_power(plan, trials=trials, workers=1), 5)
    first, _ = seconds(lambda: simulate_power(plan, trials=trials, workers=2), 1)
    two, _ = seconds(lambda: simulate_power(plan, trials=trials, workers=2), 5)
    return Speed(kind, trials, one, processor, two, max(first - two, 0.0))


def in_own_process(what: str) -> Any:
    """Run a part of this script in a process of its own and read its JSON."""
    done = subprocess.run([sys.executable, __file__, what], capture_output=True, text=True,
                          check=True)  # fmt: skip
    return json.loads(done.stdout)


def memory() -> dict[str, float]:
    """Peak memory of 10,000 balanced trials: in this process, in the larger of two workers, MB."""
    simulate_power(reference_plan(), trials=TRIALS, workers=1)
    alone = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    simulate_power(reference_plan(), trials=TRIALS, workers=2)
    both = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    worker = _resident_workers()
    return {"alone": alone, "with": both, "worker": worker}


def _resident_workers() -> float:
    """Peak resident memory of the largest child that is still there, MB."""
    peaks = [0.0]
    for status in Path("/proc").glob("[0-9]*/status"):
        try:
            lines = dict(x.split(":", 1) for x in status.read_text().splitlines() if ":" in x)
        except OSError:
            continue  # it ended while we read
        if int(lines.get("PPid", "0")) == os.getpid() and "VmHWM" in lines:
            peaks.append(float(lines["VmHWM"].split()[0]) / 1024)
    return max(peaks)


def flops() -> dict[str, dict[str, float]]:
    """Operations a trial, counted in one chunk of each kind (see `counted`)."""
    found = {}
    for kind in ("balanced", "missing"):
        here = scenario(kind)
        here.run(chunk_rng(1, 0, 0), CHUNK)  # the questions are made once
        counted.COUNT.clear()
        here.run(chunk_rng(1, 0, 1), CHUNK)
        found[kind] = {name: count / CHUNK for name, count in counted.COUNT.items()}
    return found


# ------------------------------------------------------------------------------ where time goes


def where_time_goes() -> None:
    """Print the share of each part, of its own, in one process."""
    shares = {}
    for kind in ("balanced", "missing"):
        here = scenario(kind)
        here.run(chunk_rng(1, 0, 0), CHUNK)
        with timed_parts() as parts:
            for chunk in range(20):
                here.run(chunk_rng(1, 0, chunk), CHUNK, chunk)
        shares[kind] = _microseconds(parts, 20 * CHUNK)
    table = pd.DataFrame(shares)
    print("\nWhere the time goes, us a trial, each part without what it calls of the others:")
    for part, row in table.iterrows():
        print(f"  {part:<42}" + "".join(f"{row[k]:8.1f}  {100 * row[k] / table[k].sum():4.0f} %"
                                        for k in table))  # fmt: skip


def _microseconds(parts: Parts, trials: int) -> dict[str, float]:
    return {name: 1e6 * value / trials for name, value in parts.own.items()}


# ---------------------------------------------------------------------------------------- main


def ratios(of_r: OfR, found: dict[str, Speed]) -> list[tuple[str, float, float]]:
    """What was asked for, what it is on two cores, what was wanted."""
    balanced, missing = found["balanced"], found["missing"]
    out = []
    for what, theirs, ours in (
        ("balanced", of_r.balanced, balanced), ("missing", of_r.missing, missing),
        ("refit", of_r.refit, balanced), ("tests", of_r.tests, balanced),
    ):  # fmt: skip
        one, two = ours.milliseconds()
        # A busy machine's clock tells nothing: then one core must do alone what is asked of two.
        best = max(theirs / one, theirs / two)
        verdict = "ok" if best >= FASTER[what] else "TOO SLOW"
        print(f"  {what:<10} R {theirs:7.1f} ms; ours {one:.4f} ms of one core, {two:.4f} by the "
              f"clock on two: {theirs / one:6.0f} and {theirs / two:6.0f} times "
              f"(wanted on two: {FASTER[what]:.0f})  {verdict}")  # fmt: skip
        out.append((what, best, FASTER[what]))
    return out


def main() -> int:
    """Print everything; 1 when a limit is passed."""
    on_one_core()
    if len(sys.argv) == 2:
        json.dump({"flops": flops, "memory": memory}[sys.argv[1]](), sys.stdout)
        return 0
    of_r, worst = beside_r()
    print(f"R ({of_r.source}): largest relative difference of its p-values from ours {worst:.1e}")
    found = {kind: speed(kind, n) for kind, n in
             (("balanced", TRIALS), ("missing", MISSING_TRIALS))}  # fmt: skip
    load = os.getloadavg()[0] / len(os.sched_getaffinity(0))
    print(f"Processes waiting for each core: {load:.1f}. Above 1 the clock tells of other work, "
          "and only processor times of ours.\nMilliseconds a trial; R has one core:")  # fmt: skip
    asked = ratios(of_r, found)
    whole = found["balanced"]
    print(f"{TRIALS:,} balanced trials: {whole.one:.2f} s on one core ({whole.one_processor:.2f} s "
          f"of processor time), {whole.two:.2f} s on two, {whole.starting:.2f} s more where "
          f"the two processes have to be started (limit {SECONDS:.0f} s)")  # fmt: skip
    used = in_own_process("memory")
    print(f"peak memory: {used['alone']:.0f} MB in one process; {used['with']:.0f} MB and workers "
          f"of {used['worker']:.0f} MB each with two (limit {MEGABYTES:.0f} MB)")  # fmt: skip
    against_the_machine(
        in_own_process("flops"), {k: f.one_processor / f.trials for k, f in found.items()}
    )
    where_time_goes()
    slow = any(ratio < wanted for _, ratio, wanted in asked)
    slow = slow or min(whole.two, whole.one_processor) > SECONDS
    return int(slow or used["alone"] > MEGABYTES or worst > 1e-3)


if __name__ == "__main__":
    sys.exit(main())
