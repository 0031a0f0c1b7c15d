"""Speed of the engine and of what a user waits for, against the limits the project set itself.

Run:  python tests/benchmarks/bench_engine.py     (prints a table; exit 1 when a limit is passed)

One process, one core, medians over several runs.  The reference trial: 12 pairs on 3 sites x 2
bindings x 4 openings, bales cored again at each opening; site, pair and bale random.  R's time for
the same fit and Kenward-Roger table stands beside it: measured where Rscript is there, else the one
recorded below.
"""

from __future__ import annotations

import os
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import scipy

from silagetrial.mixed import coefficients, fit_mixed
from silagetrial.mixed.covariance import RandomTerm, random_term
from silagetrial.mixed.design import make_design
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    theta_covariance,
)

HERE = Path(__file__).parent
DEMOS = HERE.parents[1] / "data_demo"
NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova" / "SmLs09.dat"
R_RECORDED = (155.0, 7.0, "recorded: R 4.2.2, lme4 1.1.31, pbkrtest 0.5.2")
"""Milliseconds of R's fit + Kenward-Roger table and of its refit alone, for want of R."""
OPENINGS = ("14", "60", "120", "240")


@dataclass(frozen=True)
class Line:
    """One measured time, in milliseconds, beside its limit."""

    what: str
    median: float
    runs: int
    limit: float

    def __str__(self) -> str:
        verdict = "ok" if self.median <= self.limit else "TOO SLOW"
        share = f"{self.median / self.limit:6.2f} of {self.limit:.1f} ms"
        return f"{self.what:<62}{self.median:10.2f} ms  ({self.runs} runs)  {share}  {verdict}"


def median_ms(call: Callable[[], object], runs: int) -> float:
    """Median time of a call, after one that is not counted."""
    call()
    times = []
    for _ in range(runs):
        start = time.perf_counter()
        call()
        times.append(time.perf_counter() - start)
    return 1000 * statistics.median(times)


def measured(what: str, call: Callable[[], object], *, runs: int, limit: float) -> Line:
    return Line(what, median_ms(call, runs), runs, limit)


def reference_trial() -> pd.DataFrame:
    """The reference trial with invented values: SD 0.4 site, 0.6 pair, 0.5 bale, 0.35 residual."""
    rng = np.random.default_rng(20260101)
    grid = pd.MultiIndex.from_product([range(12), ["film", "net"], OPENINGS])
    frame = grid.to_frame(index=False, name=["pair", "binding", "opening"])
    frame["site"] = frame["pair"] % 3
    frame["bale"] = frame["pair"].astype(str) + frame["binding"]
    frame["y"] = 0.35 * rng.normal(size=len(frame))
    for grouping, sd in (("site", 0.4), ("pair", 0.6), ("bale", 0.5)):
        codes, levels = pd.factorize(frame[grouping])
        frame["y"] += sd * rng.normal(size=len(levels))[codes]
    texts = {name: frame[name].astype(str) for name in ("site", "pair")}
    return frame.assign(**texts)


def intercept(frame: pd.DataFrame, grouping: str) -> RandomTerm:
    codes, levels = pd.factorize(frame[grouping])
    ones = np.ones((len(frame), 1))
    names = tuple(map(str, levels))
    return random_term(
        grouping, grouping, codes.astype(np.int64), names, ones, ("1",), bound="free"
    )


def from_arrays(frame: pd.DataFrame) -> Callable[[], object]:
    """Return a call: design, cross-products, REML fit, KR errors and df of all coefficients."""
    whole = fit_mixed(frame, "y ~ binding * opening", random=["site", "pair", "bale"])
    x, y = whole.frame.x, whole.frame.y[None]
    terms = [intercept(frame, name) for name in ("site", "pair", "bale")]
    rows = whole.from_orthonormal

    def call() -> object:
        design = make_design(x, terms)
        batch = prepare(design, y)
        at = maximise(design, batch).evaluation
        covariance = rows @ kenward_roger_covariance(at) @ rows.T
        return covariance, contrast_df(at, rows, theta_covariance(at))

    return call


def from_frame(frame: pd.DataFrame) -> object:
    fit = fit_mixed(frame, "y ~ binding * opening", random=["site", "pair", "bale"])
    return coefficients(fit)


def command(*arguments: str) -> Callable[[], object]:
    """A command in a fresh process of this Python; a failure of it is an error."""

    def call() -> object:
        done = subprocess.run(arguments, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(f"{' '.join(arguments)} ended with {done.returncode}: {done.stderr}")
        return done

    return call


def net_of_start(what: str, program: str, *, runs: int, limit: float) -> Line:
    """Time of a program in a fresh Python, less that of starting Python."""
    start = median_ms(command(sys.executable, "-c", "pass"), runs)
    whole = median_ms(command(sys.executable, "-c", program), runs)
    return Line(
        f"{what} (Python's own start of {start:.0f} ms taken off)", whole - start, runs, limit
    )


def nist_frame() -> pd.DataFrame:
    """NIST StRD SmLs09: 18,009 rows at an offset of 1e12."""
    rows = [line.split() for line in NIST.read_text(encoding="utf-8").splitlines()[60:]]
    return pd.DataFrame({"group": [r[0] for r in rows], "y": [float(r[1]) for r in rows]})


def r_times(frame: pd.DataFrame) -> tuple[float, float, str]:
    """R's milliseconds of fit + table, of a refit, and its versions."""
    if shutil.which("Rscript") is None:
        return R_RECORDED
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder) / "trial.csv"
        frame.to_csv(file, index=False)
        done = subprocess.run(
            ["Rscript", str(HERE / "bench_engine.R"), str(file)],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    if done.returncode:
        return R_RECORDED
    table, refit, versions = done.stdout.split("\n")[:3]
    return float(table), float(refit), "measured here: " + versions


def engine_lines(frame: pd.DataFrame, slower: float) -> Iterator[Line]:
    """Time the engine in this process; limits grow with how much slower R is than recorded."""
    nist = nist_frame()
    random = ["group"]
    yield measured("reference trial, fit + Kenward-Roger table, from arrays",
                   from_arrays(frame), runs=200, limit=2 * slower)  # fmt: skip
    yield measured("reference trial, fit + Kenward-Roger table, from a data frame",
                   lambda: from_frame(frame), runs=50, limit=8 * slower)  # fmt: skip
    yield measured("NIST SmLs09, 18,009 rows, fit from a data frame",
                   lambda: fit_mixed(nist, "y ~ 1", random=random), runs=9, limit=100)  # fmt: skip


def user_lines() -> Iterator[Line]:
    """Time what a user waits for, each in a process of its own."""
    program = [sys.executable, "-m", "silagetrial.cli"]
    yield net_of_start("import silagetrial", "import silagetrial", runs=9, limit=300)
    yield measured("silagetrial --help", command(*program, "--help"), runs=9, limit=200)
    for demo in sorted(path.parent for path in DEMOS.glob("*/trial.toml")):
        with tempfile.TemporaryDirectory() as folder:
            start = time.perf_counter()
            command(*program, "report", str(demo), "--out", folder + "/report")()
            taken = 1000 * (time.perf_counter() - start)
        yield Line(f"report of data_demo/{demo.name}, command to HTML", taken, 1, 12_000)


def shown(lines: Iterable[Line]) -> list[Line]:
    """Print each line as soon as it is measured."""
    out = []
    for line in lines:
        print(line, flush=True)
        out.append(line)
    return out


def on_one_core() -> None:
    """Start again with one BLAS thread, which numpy reads when it is imported."""
    one = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    if any(os.environ.get(name) != value for name, value in one.items()):
        os.execve(sys.executable, [sys.executable, *sys.argv], {**os.environ, **one})


def main() -> int:
    """Print all lines; 1 when one is over its limit."""
    on_one_core()
    frame = reference_trial()
    table, refit, versions = r_times(frame)
    slower = max(1.0, table / R_RECORDED[0])
    print(f"R's fit + table: {table:.0f} ms, refit alone {refit:.1f} ms ({versions})")
    print(f"limits of the fit hold where R takes {R_RECORDED[0]:.0f} ms: here {slower:.2f} times")
    engine = shown(engine_lines(frame, slower))
    # Of this process alone; one n x n matrix of 18,009 rows alone would be 2,595 MB.
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"peak memory after the 18,009 rows: {peak:.0f} MB (one n x n matrix: 2595 MB)")
    arrays, data_frame = (table / line.median for line in engine[:2])
    print(f"R takes {arrays:.0f} times ours from arrays, {data_frame:.0f} times from a data frame")
    lines = engine + shown(user_lines())
    return int(any(line.median > line.limit for line in lines))


if __name__ == "__main__":
    sys.exit(main())
