"""The exact companion of each contrast: the paired t computed pair by pair.

Exact under any covariance between a pair's values as long as the pairs are complete and their
contrasts normal: it does not pool the error over openings, so that it holds where the spread
grows with storage.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import Comparison, growth_weights
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.responses import Response
from silagetrial.data.settings import Settings
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.smallsample import t_quantile, t_tail

__all__ = [
    "PairedT",
    "exact_table",
    "one_sample",
    "pair_differences",
    "paired_row",
    "paired_t",
    "paired_table",
]

Unit: TypeAlias = Literal["pair", "site"]
"""What is one replicate: a pair, or a site for an answer about sites at large."""


@dataclass(frozen=True)
class PairedT:
    """A paired t: estimate, its standard error and degrees of freedom; NaN without an answer."""

    estimate: float
    std_error: float
    df: float
    pairs: int
    remark: str = ""


def pair_differences(
    rows: pd.DataFrame, first: str, second: str, *, unit: Unit = "pair"
) -> pd.DataFrame:
    """Differences first minus second at each opening, (pairs or sites, openings).

    Missing where a pair is not complete at an opening; a site's difference is the mean of its
    complete pairs.
    """
    cells = rows.groupby(["site", "pair", "opening", "binding"])["y"].mean().unstack("binding")
    if first not in cells or second not in cells:
        return pd.DataFrame()
    each = (cells[first] - cells[second]).dropna()
    return each.groupby([unit, "opening"]).mean().unstack("opening")


def paired_t(
    differences: pd.DataFrame,
    weights: Mapping[str, float],
    *,
    design: Literal["separate", "recored"],
) -> PairedT:
    """Paired t of a weighted sum of openings.

    Parameters
    ----------
    differences : pandas.DataFrame
        Pairs by openings, from `pair_differences`.
    weights : mapping of str to float
        Weight of each opening.
    design : {"separate", "recored"}
        Re-cored: each pair's own weighted sum, n - 1 df; likewise where sites are the
        replicates.  Separate bales: other pairs at each opening, so that their means are
        combined with each opening's own variance (Welch-Satterthwaite df, exact with one
        opening).
    """
    used = [opening for opening, weight in weights.items() if weight != 0]
    if any(opening not in differences for opening in used):
        return PairedT(np.nan, np.nan, np.nan, 0, say("exact.no_pair_somewhere"))
    values = differences[used].to_numpy(dtype=float)
    w = np.array([weights[opening] for opening in used])
    if design == "recored":
        own = values[~np.isnan(values).any(axis=1)] @ w
        return one_sample(own)
    return _combined(values, w)


def one_sample(values: Floats) -> PairedT:
    """Mean of one value a pair, (n,), with its standard error and n - 1 degrees of freedom."""
    n = len(values)
    if n < 2:
        return PairedT(np.nan, np.nan, np.nan, n, _too_few(n))
    return PairedT(float(values.mean()), float(values.std(ddof=1) / np.sqrt(n)), float(n - 1), n)


def _combined(values: Floats, w: Floats) -> PairedT:
    columns = [column[~np.isnan(column)] for column in values.T]
    counts = np.array([len(column) for column in columns])
    if counts.min() < 2:
        return PairedT(np.nan, np.nan, np.nan, int(counts.sum()), _too_few(int(counts.min())))
    if len(w) == 1:
        return one_sample(columns[0] * w[0])
    parts = w**2 * np.array([column.var(ddof=1) for column in columns]) / counts
    total = parts.sum()
    df = total**2 / (parts**2 / (counts - 1)).sum() if total > 0 else np.nan
    mean = float(w @ np.array([column.mean() for column in columns]))
    return PairedT(mean, float(np.sqrt(total)), float(df), int(counts.sum()))


def _too_few(n: int) -> str:
    return say("exact.no_pair" if n == 0 else "exact.one_pair")


def paired_table(
    rows: pd.DataFrame,
    wanted: Mapping[tuple[str, str], Mapping[str, Mapping[str, float]]],
    *,
    design: Literal["separate", "recored"],
    level: float,
    unit: Unit = "pair",
) -> pd.DataFrame:
    """Paired t of every contrast, in the one vocabulary, on the model's scale.

    Parameters
    ----------
    rows : pandas.DataFrame
        Records used, with ``pair binding opening y``.
    wanted : mapping
        (first, second) binding to contrast name to weights of openings.
    level : float
        Confidence level.
    unit : {"pair", "site"}
        The replicates: pairs, or the sites' means over their pairs.
    """
    return pd.DataFrame(list(_paired_rows(rows, wanted, design, level, unit)))


def _paired_rows(
    rows: pd.DataFrame,
    wanted: Mapping[tuple[str, str], Mapping[str, Mapping[str, float]]],
    design: Literal["separate", "recored"],
    level: float,
    unit: Unit,
) -> Iterator[dict[str, object]]:
    paired = rows[rows["pair"].notna()]
    for (first, second), named in wanted.items():
        differences = pair_differences(paired, first, second, unit=unit)
        for name, weights in named.items():
            t = paired_t(differences, weights, design="recored" if unit == "site" else design)
            yield {
                "term": f"{first} - {second}",
                "contrast": name,
                **paired_row(t, level=level),
            }


def paired_row(t: PairedT, *, level: float) -> dict[str, object]:
    """Return a paired t in the one vocabulary, with its number of pairs and the remark."""
    statistic = t.estimate / t.std_error if t.std_error > 0 else np.nan
    half = float(t_quantile(level, np.array(t.df))) * t.std_error
    known = np.isfinite(statistic)
    return {
        "pairs": t.pairs,
        "estimate": t.estimate,
        "std_error": t.std_error,
        "df": t.df,
        "statistic": statistic,
        "p_value": float(t_tail(np.array(statistic), np.array(t.df))) if known else np.nan,
        "conf_low": t.estimate - half,
        "conf_high": t.estimate + half,
        "remark": t.remark,
    }


def exact_table(
    rows: pd.DataFrame,
    settings: Settings,
    choice: ModelChoice,
    wanted: Comparison,
    response: Response,
    level: float,
) -> Table:
    """Compute the paired t of each contrast, or say why there is none.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows modelled, with ``y``.
    settings, choice, wanted, response
        What was planned, chosen and asked for.
    level : float
        Confidence level.
    """
    title = say("exact.title", label=response.label)
    if choice.unit not in ("bale", "site"):
        note = say("exact.other_unit", unit=choice.unit)
        return Table(pd.DataFrame(), title=title, notes=(note,))
    full = wanted.openings
    days = np.array([o.days for o in settings.openings if o.name in full])
    named = {name: {name: 1.0} for name in dict.fromkeys(wanted.differences.labels["opening"])}
    if full:
        named["average"] = dict.fromkeys(full, 1.0 / len(full))
    if len(full) > 1:
        named["growth"] = dict(zip(full, growth_weights(days), strict=True))
    terms = list(dict.fromkeys(wanted.differences.labels["term"]))
    pairs = {_bindings(term, choice): named for term in terms}
    frame = paired_table(
        rows,
        pairs,
        design=settings.design,
        level=level,
        unit="site" if choice.unit == "site" else "pair",
    )
    if not len(frame) or not np.isfinite(frame["estimate"]).any():
        return Table(frame, title=title, notes=(say("exact.none"),))
    frame["unit"] = "" if response.scale == "log" else response.unit
    frame["scale"] = "log" if response.scale == "log" else response.effect
    welch = len(full) > 1 and settings.design == "separate" and choice.unit != "site"
    return Table(frame, title=title, notes=_exact_notes(choice, response, welch=welch))


def _exact_notes(choice: ModelChoice, response: Response, *, welch: bool) -> tuple[str, ...]:
    notes = [say("exact.of_log" if response.scale == "log" else "exact.of_response")]
    if welch:
        notes.append(say("exact.welch"))
    if choice.unit == "site":
        notes.append(say("exact.sites"))
    kept = choice.terms.frame.query("part == 'fixed' and kept")["term"]
    if set(kept) - {"binding", "opening", "binding:opening"}:
        notes.append(say("exact.no_terms"))
    return tuple(notes)


def _bindings(term: str, choice: ModelChoice) -> tuple[str, str]:
    """Return the two bindings a difference is between."""
    names = choice.levels["binding"]
    return next((a, b) for a in names for b in names if a != b and f"{a} - {b}" == term)
