"""Small designs as data frames, for tests that need no trial folder; all names are invented."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from builders import read_cells, write_cells

from silagetrial.analysis import Analysis, ModelChoice, analyse, choose_model
from silagetrial.analysis.compare import Comparison, comparison
from silagetrial.analysis.strata import completed
from silagetrial.data.read import read_trial
from silagetrial.data.settings import AnalysisPlan, Opening, Settings
from silagetrial.mixed import Fit, fit_mixed

COLUMNS = (
    *("bale", "pair", "lot", "site", "field", "cut", "crop", "additive", "run", "order"),
    *("binding", "baler", "laboratory", "batch", "year", "opening"),
)
DAYS = {"A": 30.0, "B": 90.0, "C": 180.0, "D": 270.0}


def settings_of(
    design: str = "separate",
    *,
    bindings: Sequence[str] = ("net", "film"),
    openings: Sequence[str] = ("A",),
    **plan: Any,
) -> Settings:
    """Settings with openings of `DAYS`, the first binding the reference."""
    return Settings(
        compare=tuple(bindings),
        reference=bindings[0],
        design=design,
        openings=tuple(Opening(n, DAYS[n], (DAYS[n] - 9, DAYS[n] + 9)) for n in openings),
        analysis=replace(AnalysisPlan(), **plan),
    )


def frame_of(records: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Rows with all columns the analysis looks at; what is not given is missing."""
    frame = pd.DataFrame(list(records))
    return frame.reindex(columns=list(dict.fromkeys([*COLUMNS, *frame.columns]))).assign(
        site=frame.get("site", "Alder")
    )


def recored_pairs(
    pairs: int,
    openings: Sequence[str] = ("A", "B"),
    *,
    bindings: Sequence[str] = ("net", "film"),
    sites: int = 1,
) -> pd.DataFrame:
    """`pairs` pairs a site, each bale cored at every opening."""
    return frame_of(
        [
            {"bale": f"{s}{p}-{b}", "pair": f"{s}{p}", "site": f"site {s}", "binding": b,
             "opening": o}
            for s in range(sites) for p in range(pairs) for b in bindings for o in openings
        ]
    )  # fmt: skip


def separate_pairs(
    pairs: int,
    openings: Sequence[str] = ("A", "B"),
    *,
    bindings: Sequence[str] = ("net", "film"),
    sites: int = 1,
) -> pd.DataFrame:
    """`pairs` pairs a site and opening, each bale opened once."""
    return frame_of(
        [
            {"bale": f"{s}{o}{p}-{b}", "pair": f"{s}{o}{p}", "site": f"site {s}", "binding": b,
             "opening": o}
            for s in range(sites) for p in range(pairs) for b in bindings for o in openings
        ]
    )  # fmt: skip


def unpaired_lots(sizes: Sequence[Mapping[str, int]]) -> pd.DataFrame:
    """One lot for each mapping of binding to number of bales, opened once at A."""
    number = count()
    return frame_of(
        [
            {"bale": f"b{next(number)}", "lot": f"lot {k}", "binding": b, "opening": "A"}
            for k, lot in enumerate(sizes) for b, n in lot.items() for _ in range(n)
        ]
    )  # fmt: skip


def bales_in_runs(runs: int, each: int) -> pd.DataFrame:
    """Runs of one binding, net and film by turns, opened once at A."""
    return frame_of(
        [
            {"bale": f"r{r}b{k}", "run": f"run {r}", "binding": ("net", "film")[r % 2],
             "opening": "A"}
            for r in range(runs) for k in range(each)
        ]
    )  # fmt: skip


def effects(rows: pd.DataFrame, sds: Mapping[str, float], *, times: int, seed: int) -> np.ndarray:
    """Draw (times, rows) responses: one normal effect a level of each grouping, and residual."""
    rng = np.random.default_rng(seed)
    y = sds.get("residual", 1.0) * rng.standard_normal((times, len(rows)))
    for grouping, sd in sds.items():
        if grouping == "residual":
            continue
        key = rows[grouping.split(":")].astype(object).fillna("none").agg(":".join, axis=1)
        codes, levels = pd.factorize(key)
        y += sd * rng.standard_normal((times, len(levels)))[:, codes]
    return np.asarray(y)


def fitted(
    rows: pd.DataFrame, settings: Settings, y: np.ndarray
) -> tuple[ModelChoice, Fit, Comparison]:
    """Choose the model, fit it and lay out the comparisons."""
    choice = choose_model(rows, settings)
    fit = fit_mixed(
        completed(rows).assign(y=y), choice.formula, random=choice.random, levels=choice.levels
    )
    return choice, fit, comparison(fit, settings, openings=choice.levels["opening"])


def change(folder: Path, table: str, when: Mapping[str, str], **cells: str) -> Path:
    """Rewrite cells of the rows of a trial's table that hold the given values."""
    path = folder / f"{table}.csv"
    rows = read_cells(path)
    hit = [row for row in rows if all(row[key] == value for key, value in when.items())]
    assert hit, f"no row of {table} with {when}"
    heading = [*rows[0], *(name for name in cells if name not in rows[0])]
    for row in hit:
        row.update(cells)
    write_cells(path, [{name: row.get(name, "") for name in heading} for row in rows])
    return folder


def drop(folder: Path, table: str, **when: str) -> Path:
    """Remove rows of a trial's table."""
    path = folder / f"{table}.csv"
    rows = read_cells(path)
    left = [row for row in rows if not all(row[key] == value for key, value in when.items())]
    assert len(left) < len(rows), f"no row of {table} with {when}"
    write_cells(path, left)
    return folder


def replace_text(folder: Path, old: str, new: str) -> Path:
    """Change trial.toml."""
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    return folder


def answer(folder: Path) -> Analysis:
    """Read a trial and analyse it; it must have no errors."""
    trial = read_trial(folder)
    assert trial.errors == ()
    return analyse(trial)
