"""Speed of batches, of serial correlation and of large data, against the limits of the project.

Run:  python tests/benchmarks/bench_structures.py  (prints a table; exit 1 when a limit is passed)

One process, one core.  R's times for the nearest it can do stand beside, measured in the same run
where Rscript is there; limits grow with how much slower than recorded R is here.  Large data run in
a process of their own, whose peak memory is its own.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pandas as pd
from bench_engine import (
    OPENINGS,
    R_RECORDED,
    Line,
    intercept,
    measured,
    on_one_core,
    r_times,
    reference_trial,
    shown,
)

from silagetrial.mixed import coefficients, fit_mixed, term_tests
from silagetrial.mixed.design import make_design
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.smallsample import contrast_df, kenward_roger_covariance, theta_covariance

HERE = Path(__file__).parent
CHUNK, CHUNKS = 128, 8
"""Trials fitted at once: more leave the processor's cache."""
R_STRUCTURES = (33.0, 4535.0, 737.0, "recorded: R 4.2.2, lme4 1.1.31, nlme 3.1.162")
"""Milliseconds of R, for want of R: serial by nlme, lmer of the large and of the crossed data."""
SIZES = (1_000, 10_000, 100_000)
MEMORY = 1024.0  # MB


def batch_call(*, missing: float) -> Callable[[], object]:
    """Return a call: REML fits and KR errors and df of all coefficients of many trials."""
    rng = np.random.default_rng(5)
    frame = reference_trial()
    whole = fit_mixed(frame, "y ~ binding * opening", random=["site", "pair", "bale"])
    terms = [intercept(frame, name) for name in ("site", "pair", "bale")]
    design = make_design(whole.frame.x, terms)
    size = (CHUNK * CHUNKS, len(frame))
    y = 0.35 * rng.normal(size=size)
    for term, sd in zip(terms, (0.4, 0.6, 0.5), strict=True):
        y += sd * rng.normal(size=(size[0], len(term.levels)))[:, term.codes]
    present = None if missing == 0 else rng.random(size) >= missing
    rows = whole.from_orthonormal

    def call() -> object:
        out = []
        for start in range(0, size[0], CHUNK):
            part = slice(start, start + CHUNK)
            here = None if present is None else present[part]
            batch = prepare(design, y[part], here)
            at = maximise(design, batch, tolerance=1e-10).evaluation
            covariance = rows @ kenward_roger_covariance(at) @ rows.T
            out.append((covariance, contrast_df(at, rows, theta_covariance(at))))
        return out

    return call


def per_trial(what: str, *, missing: float, limit: float) -> Line:
    line = measured(what, batch_call(missing=missing), runs=5, limit=limit)
    trials = CHUNK * CHUNKS
    return Line(what, line.median / trials, line.runs * trials, limit)


def serial_trial() -> pd.DataFrame:
    """The reference trial with correlation over days within bales; net varies more than film."""
    rng = np.random.default_rng(11)
    frame = reference_trial().assign(days=lambda f: f["opening"].astype(float))
    days = np.array(OPENINGS, dtype=float)
    lower = np.linalg.cholesky(np.exp(-np.abs(days[:, None] - days) / 80))
    drift = (rng.normal(size=(len(frame) // len(days), len(days))) @ lower.T).ravel()
    return frame.assign(y=frame["y"] + np.where(frame["binding"] == "net", 0.9, 0.5) * drift)


def serial_fit(frame: pd.DataFrame) -> object:
    fit = fit_mixed(frame, "y ~ binding * opening", random=["pair"], residual_by="binding",
                    serial={"bale": "days"})  # fmt: skip
    return coefficients(fit)


def farms(rows: int) -> pd.DataFrame:
    """Samples of 6 pairs a farm, 2 bindings, 2 openings, a sixth of them lost."""
    rng = np.random.default_rng(rows)
    index = pd.MultiIndex.from_product(
        [range(rows // 20), range(6), ["film", "net"], ["60", "240"]]
    )
    frame = index.to_frame(index=False, name=["farm", "pair", "binding", "opening"])
    frame = frame.sort_index().iloc[np.sort(rng.permutation(len(frame))[:rows])]
    farm = frame["farm"].to_numpy()
    pair = farm * 6 + frame["pair"].to_numpy()
    net = (frame["binding"] == "net").to_numpy().astype(int)
    bale = 2 * pair + net
    y = 0.05 * net + 0.35 * rng.normal(size=rows)
    for codes, sd in ((farm, 0.4), (2 * farm + net, 0.1), (pair, 0.6), (bale, 0.5)):
        y += sd * rng.normal(size=codes.max() + 1)[codes]
    names = {"farm": farm, "pair": pair, "bale": bale, "batch": rng.integers(0, 200, rows)}
    texts = {name: [f"{name}{i}" for i in codes] for name, codes in names.items()}
    return frame.assign(y=y, **texts).reset_index(drop=True)


RANDOM = {
    "large": ["farm", "farm:binding", "pair", "bale"],
    "crossed": ["farm", "pair", "bale", "batch"],
}


def large(kind: str, rows: int) -> None:
    """Fit in this process; print seconds and peak megabytes."""
    frame = farms(rows)
    start = time.perf_counter()
    fit = fit_mixed(frame, "y ~ binding * opening", random=RANDOM[kind])
    test = term_tests(fit).frame.set_index("term").loc["binding"]
    taken = time.perf_counter() - start
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(taken, peak, test["den_df"], test["p_value"])


def in_own_process(kind: str, rows: int) -> tuple[float, float, str]:
    """Milliseconds, peak megabytes and the test of binding of a large fit."""
    command = [sys.executable, __file__, kind, str(rows)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    taken, peak, df, p = map(float, done.stdout.split())
    return 1000 * taken, peak, f"binding: {df:.1f} df, p {p:.3g}"


def r_structures(serial: pd.DataFrame) -> tuple[float, float, float, str]:
    """R's milliseconds and versions."""
    if shutil.which("Rscript") is None:
        return R_STRUCTURES
    frames = {"serial": serial, "large": farms(SIZES[-1]), "crossed": farms(10_000)}
    with tempfile.TemporaryDirectory() as folder:
        files = [f"{folder}/{name}.csv" for name in frames]
        for frame, file in zip(frames.values(), files, strict=True):
            frame.to_csv(file, index=False)
        done = subprocess.run(
            ["Rscript", str(HERE / "bench_structures.R"), *files],
            capture_output=True, text=True, check=False,
        )  # fmt: skip
    if done.returncode:
        return R_STRUCTURES
    times, versions = done.stdout.split("\n")[:3], done.stdout.split("\n")[3]
    first, second, third = map(float, times)
    return first, second, third, "measured here: " + versions


def small_lines(serial: pd.DataFrame, slower: float) -> Iterator[Line]:
    yield per_trial("batch of the reference trial, fit + KR, a balanced trial",
                    missing=0.0, limit=0.12 * slower)  # fmt: skip
    yield per_trial("batch of the reference trial, fit + KR, 12 % of rows missing",
                    missing=0.12, limit=0.3 * slower)  # fmt: skip
    yield measured("residual_by + serial, single fit + KR, from a data frame",
                   lambda: serial_fit(serial), runs=15, limit=20 * slower)  # fmt: skip


def large_lines(slower: float) -> tuple[list[Line], bool]:
    """Large data: times by size with their exponent, peak memory; whether memory is in bounds."""
    found = {rows: in_own_process("large", rows) for rows in SIZES}
    what = "100,000 samples on 5,000 farms, fit + KR test of binding"
    lines = shown([Line(what, found[SIZES[-1]][0], 1, 6000 * slower)])
    for rows, (taken, peak, test) in found.items():
        print(f"  {rows:>7,} rows {taken:9.1f} ms, peak {peak:6.0f} MB, {test}")
    for few, many in ((SIZES[0], SIZES[-1]), (SIZES[1], SIZES[-1])):
        power = np.log(found[many][0] / found[few][0]) / np.log(many / few)
        print(f"  time grows as rows ** {power:.2f} from {few:,} to {many:,} rows")
    taken, peak, test = in_own_process("crossed", 10_000)
    what = "10,000 samples, 500 farms, 200 crossed batches, fit + KR test"
    lines += shown([Line(what, taken, 1, 5000 * slower)])
    print(f"  peak {peak:.0f} MB, {test}")
    return lines, found[SIZES[-1]][1] <= MEMORY


def main() -> int:
    """Print all lines; 1 when one is over its limit."""
    on_one_core()
    if len(sys.argv) == 3:
        large(sys.argv[1], int(sys.argv[2]))
        return 0
    table, _, versions = r_times(reference_trial())
    slower = max(1.0, table / R_RECORDED[0])
    print(f"R's fit + KR table of the reference trial: {table:.0f} ms ({versions})")
    print(f"limits hold where R takes {R_RECORDED[0]:.0f} ms: here {slower:.2f} times")
    serial = serial_trial()
    lines = shown(small_lines(serial, slower))
    more, fits_in_memory = large_lines(slower)
    nlme, lmer_large, lmer_crossed, versions = r_structures(serial)
    print(f"R ({versions}), fit alone without Kenward-Roger for all but the batch; times ours:")
    for line, theirs in zip(
        lines + more, (table, table, nlme, lmer_large, lmer_crossed), strict=True
    ):
        print(f"  {line.what:<66} R {theirs:9.1f} ms, {theirs / line.median:8.1f} times ours")
    if not fits_in_memory:
        print(f"peak memory over {MEMORY:.0f} MB")
    return int(not fits_in_memory or any(line.median > line.limit for line in lines + more))


if __name__ == "__main__":
    sys.exit(main())
