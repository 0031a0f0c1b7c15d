"""Checks of a result against the others of its column: another unit, moisture for dry matter."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from math import comb
from typing import Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy import special

from silagetrial.data.checks_ranges import POSSIBLE
from silagetrial.data.draft import Draft, is_given
from silagetrial.data.schema import ANALYTES
from silagetrial.data.units import NITROGEN_TO_PROTEIN, inside_unit
from silagetrial.errors import Problem

__all__ = [
    "acids_within_dm",
    "dm_not_moisture",
    "limits_of_one_size",
    "odd_by_ten",
    "parts_within_dm",
    "ten_fold_jump",
]

FEWEST: Final = 6
"""Results of a column below which one of them cannot be told from the others."""

GAP: Final = 2.0
"""Times between the odd results and the nearest other: none lies in between."""

TEN: Final = (5.0, 20.0)
"""How many times apart odd and other results are on average, for a slip of ten."""

ONCE_IN: Final = 100
"""Columns of results without a slip in which chance looks like one at most once."""

MOST_ACIDS: Final = 250.0
"""Acids together, g/kg DM: above what occurs in silage (common practice)."""

_MOISTURE_APART: Final = 150.0
_MOISTURE_NEAR: Final = 60.0
_LIMITS: Final = (7.0, 14.0)
_ACIDS: Final = tuple(name for name in ANALYTES if name.endswith("_acid"))
_PARTS: Final[Mapping[str, float]] = {
    **dict.fromkeys((*_ACIDS, "ethanol", "propanediol", "wsc", "ash"), 1.0),
    "total_n": NITROGEN_TO_PROTEIN,
}
"""What is a part of the dry matter of its own, and g of it for each g of the result."""


def parts_within_dm(draft: Draft) -> Iterator[Problem]:
    """Check that acids, alcohols, sugars, ash and protein are not more than the dry matter."""
    samples = draft.tables["samples"]
    total = _total(samples, _PARTS)
    for k in np.flatnonzero(total > 1000.0).tolist():
        row = {name: float(samples[name].iloc[k]) for name in _PARTS}
        there = [name for name in _PARTS if row[name] > 0]
        yield draft.problem(
            "samples",
            int(samples.index[k]),
            max((row[name] * _PARTS[name], name) for name in there)[1],
            found=f"{', '.join(there)} together {total[k]:.0f} g/kg DM, more than the dry matter",
            expected="parts of the dry matter that add up to less than 1000 g/kg",
            remedy="check the units in trial.toml: a content of the fresh silage, or in mg/kg or "
            "%, is another number on dry matter",
        )


def acids_within_dm(draft: Draft) -> Iterator[Problem]:
    """Check that the acids together are no more than occurs."""
    samples = draft.tables["samples"]
    total = _total(samples, dict.fromkeys(_ACIDS, 1.0))
    # An acid that cannot be is an error of its own.
    largest = samples[[*_ACIDS]].to_numpy(dtype=np.float64, na_value=np.nan)
    possible = ~(largest > POSSIBLE["lactic_acid"]).any(axis=1)
    for k in np.flatnonzero((total > MOST_ACIDS) & possible).tolist():
        yield draft.problem(
            "samples",
            int(samples.index[k]),
            max((samples[name].iloc[k], name) for name in _ACIDS if samples[name].iloc[k] > 0)[1],
            found=f"acids of {total[k]:.0f} g/kg DM together",
            expected=f"up to {MOST_ACIDS:g} g/kg DM in all",
            remedy="check the cells and their units in trial.toml; if the laboratory stands by "
            "them, leave them",
            severity="warning",
        )


def _total(samples: pd.DataFrame, parts: Mapping[str, float]) -> NDArray[np.float64]:
    weights = np.array([*parts.values()])
    values = samples[[*parts]].to_numpy(dtype=np.float64, na_value=np.nan)
    return np.asarray(np.nansum(values * weights, axis=1), dtype=np.float64)


def ten_fold_jump(draft: Draft) -> Iterator[Problem]:
    """Check that no results are ten times less, or more, than the others at their openings."""
    samples = draft.tables["samples"]
    opened = samples["opening"].notna()
    sent = samples["report"].where(samples["report"].notna(), samples["batch"])
    for name in ANALYTES:
        possible = (samples[name] > 0) & (samples[name] <= POSSIBLE[name])
        here = (possible & opened).to_numpy()
        if here.sum() < FEWEST:
            continue
        rows = samples.loc[here, ["sample", "opening", name]]
        odd = _odd_results(rows, name, sent[here].tolist())
        if not odd.any():
            continue
        line = int(rows.index[odd].min())
        first = rows.loc[line]
        others = rows[~odd & (rows["opening"] == first["opening"]).to_numpy()][name]
        less = first[name] < others.median()
        yield draft.problem(
            "samples",
            line,
            name,
            found=f"{first[name]:g} {inside_unit(name)} for {first['sample']}"
            + (f", and {odd.sum() - 1} more like it" if odd.sum() > 1 else "")
            + f": about ten times {'less' if less else 'more'} than the others, at "
            f"{first['opening']} {others.median():.3g} (median)",
            expected="one unit and one place of the decimal point in a column",
            remedy="see whether this was typed in % (1 % of DM is 10 g/kg DM) or with a "
            "slipped decimal point; if the laboratory stands by it, leave it",
            severity="warning",
        )


def _odd_results(rows: pd.DataFrame, name: str, sent: Sequence[object]) -> NDArray[np.bool_]:
    """Tell which results are odd among those of their openings, or among all."""
    log = pd.Series(np.log(rows[name].to_numpy(dtype=np.float64)), index=rows.index)
    centred = log - log.groupby(rows["opening"]).transform("median")
    odd = odd_by_ten(centred.to_numpy(), sent)
    if odd.any():
        return odd
    # Where half of an opening is odd its median is neither; what grows with storage is not odd.
    odd = odd_by_ten(log.to_numpy(), sent)
    whole = pd.Series(odd, index=rows.index).groupby(rows["opening"]).transform("all")
    return odd & ~whole.to_numpy(dtype=bool).any()


def odd_by_ten(logs: NDArray[np.float64], sent: Sequence[object] = ()) -> NDArray[np.bool_]:
    """Tell which results look as if they stood in a unit ten times that of the others.

    Candidates are the results below, or above, a gap of `GAP` times, and those that were sent
    together; at most a third of all, and of size ten times that of the others or a tenth (within
    `TEN`). They count as odd where chance gives such a distance from the others, of logarithms that
    are normal, less than once in `ONCE_IN` columns (Student's t for new observations; Bonferroni's
    inequality over the sets of results that might be the odd ones).

    Parameters
    ----------
    logs : ndarray of shape (n,)
        Natural logarithms of the results of one column, each less the median of its opening.
    sent : sequence of n objects
        What the laboratory analysed together, such as its report; empty where that is not known.

    Returns
    -------
    ndarray of bool, shape (n,)
        None of them where there are fewer than `FEWEST`.
    """
    none = np.zeros(len(logs), dtype=bool)
    if len(logs) < FEWEST or np.ptp(logs) < np.log(TEN[0]):
        return none
    order = np.sort(logs)
    gaps = np.flatnonzero(np.diff(order) > np.log(GAP)).tolist()
    by_gap = [side for k in gaps for side in (logs <= order[k], logs > order[k])]
    together = _far_batches(logs, sent)
    # More than 50 odd ones change the quantile no more, and would leave the range of floats.
    candidates = [(odd, comb(len(logs), min(int(odd.sum()), 50))) for odd in by_gap]
    candidates += [(odd, len(logs)) for odd in together]
    for odd, ways in candidates:
        few = 0 < 3 * odd.sum() <= len(logs)
        if few and _far_by_ten(logs[odd], logs[~odd], ways=ways):
            return np.asarray(odd, dtype=bool)
    return none


def _far_batches(logs: NDArray[np.float64], sent: Sequence[object]) -> list[NDArray[np.bool_]]:
    """Return what was sent together, of logarithms far from the mean."""
    if len(sent) == 0:
        return []
    codes = pd.factorize(np.array(sent, dtype=object))[0]
    known = codes >= 0
    size = np.bincount(codes[known])
    means = np.bincount(codes[known], weights=logs[known]) / size
    # Of at most a third of all, ten-fold from the others is two thirds of that from all.
    far = np.flatnonzero((size > 1) & (np.abs(means - logs.mean()) > 0.6 * np.log(TEN[0])))
    return [codes == code for code in far.tolist()]


def _far_by_ten(odd: NDArray[np.float64], others: NDArray[np.float64], *, ways: int) -> bool:
    """Tell whether logarithms lie ten-fold from the others, and further than by chance.

    `ways` is the number of sets of results that might have been the odd ones.
    """
    apart = abs(float(odd.mean() - others.mean()))
    if not np.log(TEN[0]) <= apart <= np.log(TEN[1]):
        return False
    spread = float(others.std(ddof=1)) * np.sqrt(1.0 / len(odd) + 1.0 / len(others))
    tail = 0.5 / (ONCE_IN * ways)
    return bool(apart > -special.stdtrit(len(others) - 1, tail) * spread)


def limits_of_one_size(draft: Draft) -> Iterator[Problem]:
    """Check that one laboratory's limits of a result do not differ ten-fold."""
    samples = draft.tables["samples"]
    for name in ANALYTES:
        limits = samples[samples[f"{name}_below"] > 0]
        for laboratory, rows in limits.groupby("laboratory", sort=True, dropna=False):
            values = rows[f"{name}_below"].to_numpy(dtype=np.float64)
            low, high = values.min(), values.max()
            if not _LIMITS[0] <= high / low <= _LIMITS[1]:
                continue
            near_low = values < np.sqrt(low * high)
            odd = near_low if 2 * near_low.sum() <= len(values) else ~near_low
            line = int(rows.index[odd].min())
            whose = f" by {laboratory}" if is_given(laboratory) else ""
            yield draft.problem(
                "samples",
                line,
                name,
                found=f"limits from <{low:g} to <{high:g} {inside_unit(name)}{whose}",
                expected="limits of one size from one laboratory",
                remedy="see whether some were typed in % (<0.03 % of DM is <0.3 g/kg DM), or "
                "detection and quantification limits mixed; nothing to do if the report says so",
                severity="warning",
            )


def dm_not_moisture(draft: Draft) -> Iterator[Problem]:
    """Check that no dry matter is what the others of the farm have as moisture."""
    samples = draft.tables["samples"]
    values = samples["dm"].to_numpy(dtype=np.float64)
    site_of = {name: str(bales[0]["site"]) for name, bales in draft.groups.items()}
    sites = np.array([site_of.get(name, "") for name in draft.cells("samples", "of")], dtype=object)
    by_site = pd.Series(values).groupby(sites)
    middle = by_site.transform("median").to_numpy()
    odd = (by_site.transform("count").to_numpy() > 2) & (sites != "")
    odd &= np.abs(values - middle) > _MOISTURE_APART
    odd &= np.abs(1000.0 - values - middle) < _MOISTURE_NEAR
    for site in sorted(set(sites[odd])):
        lines = np.sort(samples.index[odd & (sites == site)].to_numpy())
        first = samples.loc[lines[0]]
        yield draft.problem(
            "samples",
            int(lines[0]),
            "dm",
            found=f"{first['dm']:g} g/kg for {first['sample']}"
            + (f", and {len(lines) - 1} more like it" if len(lines) > 1 else "")
            + f": 1000 less this is {1000.0 - first['dm']:g}, and the others of {site} are about "
            f"{middle[sites == site][0]:.0f}",
            expected="dry matter in all lines, moisture in none",
            remedy="see whether moisture was typed for dry matter, here or in the other lines; a "
            'whole column of moisture is declared as dm = "% moisture" under [units]',
            severity="warning",
        )
