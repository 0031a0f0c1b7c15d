"""How often each test the report prints is wrong, and how often each interval covers.

One command, from the project's folder:

    PYTHONPATH=tests python -m benchmarks.calibrate

draws 20,000 trials without a binding effect from each of 24 designs, writes
``tests/benchmarks/calibration.csv`` and ``notebooks/pictures/calibration.png``, and prints where
the goal is missed.  ``--trials 1000 --out FOLDER`` for a quick look; ``--checkpoint FILE`` lets an
interrupted run go on; ``picture`` draws the picture again; ``trials FOLDER`` writes trials for
``tests/reference/make_calibration.R``, whose results (``tests/reference/calibration.json``) stand
in the table, and ``others`` puts them there again.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from benchmarks.calibration_analyses import RULES, scenario
from benchmarks.calibration_designs import DESIGNS, CalibrationDesign
from benchmarks.calibration_others import SEED, exported, statsmodels_p, write_trials
from benchmarks.calibration_picture import draw
from threadpoolctl import threadpool_limits

from silagetrial.planning.chunks import Progress
from silagetrial.planning.runners import local_workers
from silagetrial.planning.simulate import simulate_grid
from silagetrial.planning.tally import share_error

__all__ = ["COVERAGE", "SIZE", "TABLE", "calibrated", "missed"]

SIZE, COVERAGE = (0.045, 0.055), 0.94
"""The goal: size where a test is not discrete, and coverage."""
TESTS = Path(__file__).parents[1]
TABLE = TESTS / "benchmarks" / "calibration.csv"
OTHERS, SLOW_TRIALS = 4, 100
"""statsmodels: most groupings, with more of which a fit takes seconds, and trials of a design."""
STATSMODELS, LMER = "statsmodels, z", "lmer, Kenward-Roger"


def calibrated(
    designs: tuple[CalibrationDesign, ...],
    *,
    trials: int,
    workers: int = 1,
    checkpoint: Path | None = None,
    told: bool = False,
) -> pd.DataFrame:
    """Size and coverage of every rule's answer to every question.

    Parameters
    ----------
    designs : tuple of CalibrationDesign
    trials : int
        Of each design.
    workers : int
        Processes.
    checkpoint : pathlib.Path, optional
        File of finished chunks, from which an interrupted run goes on.
    told : bool
        Print how far it is.

    Returns
    -------
    pandas.DataFrame
        ``design rule question trials answered size size_mc coverage coverage_mc df held``; size
        is over the trials with an answer.
    """
    # An effect changes nothing about errors and intervals, except where a limit cuts values off.
    everything = (*designs, *(each.shifted for each in designs if each.limited))
    found = simulate_grid(
        [scenario(each) for each in everything],
        trials=trials,
        seed=SEED,
        primary="",
        workers=workers,
        checkpoint=checkpoint,
        progress=_say if told else None,
    )
    frame = found.table.frame
    frame[["rule", "question"]] = frame["contrast"].str.split(": ", n=1, expand=True)
    null = frame["truth"].abs() < 1e-12
    count = frame["answered"] * frame["trials"]
    size = frame["rejected"] / frame["answered"].where(count > 0)
    there = null & (count > 0)
    out = frame[["scenario", "rule", "question", "trials", "answered"]].assign(
        size=size.where(there),
        size_mc=[share_error(s, n) if ok else np.nan for s, n, ok in zip(size, count, there,
                                                                        strict=True)],
        coverage=frame["covered"].where(frame["width"].notna()),
        coverage_mc=frame["covered_mc"].where(frame["width"].notna()),
        df=frame["df"].where(np.isfinite(frame["df"])),
        held=frame["held"],
    ).rename(columns={"scenario": "design"})  # fmt: skip
    return out[_printed(out, everything)].reset_index(drop=True)


def _printed(frame: pd.DataFrame, designs: tuple[CalibrationDesign, ...]) -> pd.Series[bool]:
    """Which rows to keep: questions asked at all, of openings the first and the last."""
    shifted = [each.name for each in designs if each.name.endswith("ratio 0.6")]
    several = frame["question"].str.startswith("F of") | frame["question"].isin(
        ["openings together", "equivalence"]
    )
    kept = (frame["answered"] > 0) & ~(frame["design"].isin(shifted) & several)
    openings = frame[frame["question"].str.startswith("at ")]
    ends = openings.groupby("design", sort=False)["question"].agg(["first", "last"])
    own = ends.loc[frame["design"]].to_numpy()
    question = frame["question"].to_numpy()
    end = (question == own[:, 0]) | (question == own[:, 1])
    return kept & (~frame["question"].str.startswith("at ") | end)


def _say(progress: Progress) -> None:
    print(f"\r{progress}      ", end="", file=sys.stderr, flush=True)


def beside(designs: tuple[CalibrationDesign, ...], *, workers: int) -> pd.DataFrame:
    """Sizes by statsmodels' z, and by lmer with Kenward and Roger's tests as recorded."""
    chosen = [each for each in designs if not each.limited]
    jobs = ((each,) for each in chosen)
    rows = [row for part in local_workers(workers).apply(_statsmodels, jobs) for row in part]
    recorded = json.loads((TESTS / "reference" / "calibration.json").read_text("utf-8"))
    for each in recorded["designs"]:
        for name, answered, rejected in zip(
            each["contrasts"], each["answered"], each["rejected"], strict=True
        ):
            rows.append(_row(each["design"], LMER, name, each["trials"], answered, rejected))
    return pd.DataFrame(rows).sort_values(["rule", "question"], kind="stable")


def _statsmodels(design: CalibrationDesign) -> list[dict[str, object]]:
    made = exported(design, SLOW_TRIALS)
    if len(made.groups) > OTHERS:
        return []
    with threadpool_limits(limits=1):
        p, _ = statsmodels_p(made)
    return [
        _row(design.name, STATSMODELS, name, len(p), np.isfinite(own).sum(), (own < 0.05).sum())
        for name, own in zip(made.names, p.T, strict=True)
    ]


def _row(
    design: str, rule: str, question: str, trials: int, answered: float, rejected: float
) -> dict[str, object]:
    size = float(rejected) / float(answered) if answered else np.nan
    error = share_error(size, float(answered))
    return {"design": design, "rule": rule, "question": question, "trials": trials,
            "answered": float(answered) / trials, "size": size, "size_mc": error}  # fmt: skip


def missed(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows of the report's own tests and intervals, and of its companion, outside the goal.

    By more than two Monte Carlo standard errors.
    """
    own = frame[frame["rule"].isin([RULES[0], RULES[-1]])]
    low, high = SIZE
    room, covers = 2 * own["size_mc"], own["coverage"] + 2 * own["coverage_mc"]
    off = (own["size"] < low - room) | (own["size"] > high + room) | (covers < COVERAGE)
    return own[off]


def _write(frame: pd.DataFrame, table: Path) -> None:
    """Write the table, designs in their order."""
    order = {each.name: k for k, each in enumerate(DESIGNS)}
    place = [order[name.removesuffix(", ratio 0.6")] for name in frame["design"]]
    digits = {name: 4 for name in frame if frame[name].dtype == float} | {"df": 1}
    frame.iloc[np.argsort(place, kind="stable")].round(digits).to_csv(table, index=False)


def main() -> None:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "task", nargs="?", default="run", choices=("run", "others", "picture", "trials")
    )
    parser.add_argument("folder", nargs="?", type=Path)
    parser.add_argument("--trials", type=int)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--checkpoint", type=Path)
    parser.add_argument("--out", type=Path)
    chosen = parser.parse_args()
    table = TABLE if chosen.out is None else chosen.out / TABLE.name
    pictures = chosen.out or TESTS.parent / "notebooks" / "pictures"
    if chosen.task == "trials":
        free = tuple(each for each in DESIGNS if not each.limited)
        write_trials(free, chosen.folder, chosen.trials or 200)
        return
    if chosen.task == "run":
        own = calibrated(
            DESIGNS,
            trials=chosen.trials or 20_000,
            workers=chosen.workers,
            checkpoint=chosen.checkpoint,
            told=True,
        )
        _write(own, table)
    if chosen.task in ("run", "others"):
        own = pd.read_csv(table)
        own = own[~own["rule"].isin([STATSMODELS, LMER])]
        others = beside(DESIGNS, workers=chosen.workers)
        _write(pd.concat([own, others], ignore_index=True), table)
    whole = pd.read_csv(table)
    draw(whole, pictures / "calibration.png")
    print(f"\nOutside the goal ({SIZE[0]:.1%} to {SIZE[1]:.1%}, coverage {COVERAGE:.0%}):")
    print(missed(whole).to_string(index=False))


if __name__ == "__main__":
    main()
