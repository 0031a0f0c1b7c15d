"""How well one thing measured twice agrees: blind duplicates, reference samples, weighings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from silagetrial.data.draft import is_date_only
from silagetrial.data.schema import ANALYTES
from silagetrial.data.units import inside_unit
from silagetrial.display.table import Table

__all__ = ["laboratory_sd", "weighing_sd"]

REPEAT_WITHIN: Final = timedelta(hours=1)
LEVEL: Final = 0.95
COLUMNS: Final = (
    "term", "what", "sets", "mean", "estimate", "df", "conf_low", "conf_high", "unit", "scale",
)  # fmt: skip


def laboratory_sd(samples: pd.DataFrame, results: pd.DataFrame) -> Table:
    """Return the standard deviation between results of one material.

    Parameters
    ----------
    samples : pandas.DataFrame
        Samples, duplicates and reference samples, with ``role`` and ``of_sample``.
    results : pandas.DataFrame
        Results of laboratory reports, for repeat analyses of one sample.

    Returns
    -------
    Table
        ``term`` the result, ``what`` was repeated, ``sets`` of repeated results, their ``mean``,
        ``estimate`` of the SD within a set with its ``df`` and 95 % interval. Of laboratory
        results the SD of the natural logarithms stands beside it (``scale`` log): about the
        coefficient of variation. Results below a limit have no value and are left out.

    Notes
    -----
    Within k sets, ``s^2 = sum (x - mean of its set)^2 / df`` and ``df = sum (n - 1)``; the
    interval is ``s sqrt(df / chi2)`` at the two quantiles of chi-square with df degrees of
    freedom (NIST/SEMATECH e-Handbook of Statistical Methods, 7.2.3).
    """
    twins = samples[samples["role"] == "duplicate"].dropna(subset="of_sample")
    whole = samples[samples["sample"].isin(twins["of_sample"])]
    duplicates = pd.concat([whole.assign(of_sample=whole["sample"]), twins])
    reference = samples[samples["role"] == "reference"]
    sets = {
        "blind duplicates": [rows for _, rows in duplicates.groupby("of_sample", sort=False)],
        "reference sample": [reference],
    }
    again = results[results["use"].isin(("used", "averaged", "repeat, not used"))]
    repeats = {
        str(name): [values for _, values in found.groupby("sample", sort=False)["value"]]
        for name, found in again.groupby("result")
    }
    rows = []
    for name in ("dm", "pH", *ANALYTES):
        analyses = [found.dropna().to_numpy(dtype=np.float64) for found in repeats.get(name, ())]
        unit = "" if name == "pH" else inside_unit(name)
        for what, frames in sets.items():
            values = [frame[name].dropna().to_numpy(dtype=np.float64) for frame in frames]
            rows += _told(name, what, values, unit, logs=name in ANALYTES)
        rows += _told(name, "repeat analyses", analyses, unit, logs=name in ANALYTES)
    return _table(rows, title="Precision of the laboratory")


def weighing_sd(weighings: pd.DataFrame) -> Table:
    """Return the standard deviation between repeat weighings of one bale, by scale.

    Parameters
    ----------
    weighings : pandas.DataFrame
        Weighings with ``bale`` and ``net``. Those of one bale on one scale and with the same flags
        within an hour of the first are a set; a date without a time is in no set.

    Returns
    -------
    Table
        As `laboratory_sd`; ``term`` is the scale.
    """
    by_scale: dict[str, list[NDArray[np.float64]]] = {}
    timed = weighings.dropna(subset=["bale", "weighed_at", "net"])
    timed = timed[[not is_date_only(when) for when in timed["weighed_at"]]]
    groups = ["scale", "bale", "wet", "soil", "film_on"]
    for (scale, *_), rows in timed.groupby(groups, sort=True, dropna=False):
        name = scale if isinstance(scale, str) else "scale not named"
        by_scale.setdefault(name, []).extend(_near_in_time(rows.sort_values("weighed_at")))
    told = [
        row
        for name, sets in by_scale.items()
        for row in _told(name, "repeat weighings", sets, "kg", logs=False)
    ]
    return _table(told, title="Precision of the scales")


def _near_in_time(rows: pd.DataFrame) -> Iterator[NDArray[np.float64]]:
    """Yield the masses of each set of weighings that begin and end within an hour."""
    masses: list[float] = []
    began = None
    for when, mass in zip(rows["weighed_at"], rows["net"], strict=True):
        if began is None or when - began > REPEAT_WITHIN:
            yield np.asarray(masses)
            masses, began = [], when
        masses.append(float(mass))
    yield np.asarray(masses)


def _told(
    term: str, what: str, sets: Sequence[NDArray[np.float64]], unit: str, *, logs: bool
) -> list[tuple[Any, ...]]:
    """Return the rows of one result, none where nothing was measured twice."""
    repeated = [values for values in sets if len(values) > 1]
    if not repeated:
        return []
    mean = float(np.concatenate(repeated).mean())
    rows = [(term, what, len(repeated), mean, *_within(repeated), unit, "identity")]
    if logs and all((values > 0).all() for values in repeated):
        logged = [np.log(values) for values in repeated]
        rows.append((term, what, len(repeated), mean, *_within(logged), unit, "log"))
    return rows


def _within(sets: Sequence[NDArray[np.float64]]) -> tuple[float, int, float, float]:
    """Return the SD within sets, its degrees of freedom and its interval."""
    df = sum(len(values) - 1 for values in sets)
    # From the first value of each set, so that equal values give 0 and not what rounding leaves.
    apart = [values - values[0] for values in sets]
    squares = sum(float(((values - values.mean()) ** 2).sum()) for values in apart)
    tail = (1.0 - LEVEL) / 2.0
    low, high = (float(np.sqrt(squares / special.chdtri(df, q))) for q in (tail, 1.0 - tail))
    return float(np.sqrt(squares / df)), df, low, high


def _table(rows: list[tuple[Any, ...]], *, title: str) -> Table:
    notes = ("Standard deviations, with 95 % intervals.",) if rows else ()
    return Table(pd.DataFrame(rows, columns=list(COLUMNS)), title=title, notes=notes)
