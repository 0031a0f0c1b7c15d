"""One comparison of two bindings as the report tells it: where, how large, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table

__all__ = [
    "Finding",
    "at_openings",
    "averages",
    "bindings_of",
    "correction_effect",
    "growths",
    "is_corrected",
    "line_over_storage",
    "planned",
    "planned_days",
    "uncorrected",
]

Row: TypeAlias = "pd.Series[Any]"


@dataclass(frozen=True)
class Finding:
    """One comparison of two bindings.

    Attributes
    ----------
    first, second : str
        The bindings: first over second (ratio) or first minus second (difference).
    opening : str or None
        The opening; None for a comparison over all openings.
    estimate, low, high : float
        On the reader's scale.
    p : float
        Of the same test as the interval.
    joint : bool
        The interval is one of a simultaneous family.
    effect : {"ratio", "difference"}
    unit : str
        Unit of a difference; empty for a ratio.
    """

    first: str
    second: str
    opening: str | None
    estimate: float
    low: float
    high: float
    p: float
    joint: bool
    effect: str
    unit: str

    @property
    def none(self) -> float:
        """The value that means no difference."""
        return 1.0 if self.effect == "ratio" else 0.0

    @property
    def name(self) -> str:
        """The comparison as a formula: ``film / net`` or ``film − net``."""
        sign = "/" if self.effect == "ratio" else "\N{MINUS SIGN}"
        return f"{self.first} {sign} {self.second}"

    def model_scale(self) -> float:
        """The estimate on the scale of the model: the logarithm of a ratio."""
        return float(np.log(self.estimate)) if self.effect == "ratio" else self.estimate


def planned_days(trial: Trial) -> dict[str, float]:
    """Return the planned days of each opening, in order of days."""
    ordered = sorted(trial.settings.openings, key=lambda opening: opening.days)
    return {opening.name: opening.days for opening in ordered}


def bindings_of(term: str, bindings: Sequence[str]) -> tuple[str, str]:
    """Return the two bindings named by a comparison ``first - second``."""
    return next((a, b) for a in bindings for b in bindings if a != b and f"{a} - {b}" == term)


def at_openings(trial: Trial, result: ResponseAnalysis, *, joint: bool = True) -> list[Finding]:
    """Return every comparison at every opening: as simultaneous families, or each alone."""
    return _findings(trial, result, result.differences, joint=joint)


def averages(trial: Trial, result: ResponseAnalysis) -> list[Finding]:
    """Return every comparison averaged over openings."""
    return _findings(trial, result, result.average, joint=True)


def growths(trial: Trial, result: ResponseAnalysis) -> list[Finding]:
    """Return the change of every comparison from the first to the last opening."""
    return _findings(trial, result, result.growth, joint=True)


def planned(trial: Trial, result: ResponseAnalysis) -> Finding | None:
    """Return the comparison the plan asks for first, None when it has no answer.

    The primary response at its planned opening and contrast is one comparison named in advance:
    its own interval holds. For any other response, and where the plan names no contrast, the
    comparison is one of its family.
    """
    plan = trial.settings.analysis
    if not len(result.differences):
        return None
    primary = plan.primary == result.response.name and len(plan.contrast) == 2
    found = _findings(trial, result, result.differences, joint=not primary)
    opening = plan.opening or max(trial.settings.openings, key=lambda o: o.days).name
    wanted = set(plan.contrast) or {found[0].first, found[0].second}
    return next((f for f in found if f.opening == opening and {f.first, f.second} == wanted), None)


def _findings(
    trial: Trial, result: ResponseAnalysis, table: Table, *, joint: bool
) -> list[Finding]:
    """Read the findings of a table; joint ones where the table holds families of several."""
    joint = joint and _holds_families(table)
    low, high, p = ("sim_low", "sim_high", "p_adjusted") if joint else (
        "conf_low", "conf_high", "p_value"
    )  # fmt: skip
    found = []
    for row in table.frame.to_dict("records"):
        first, second = bindings_of(str(row["term"]), trial.settings.compare)
        found.append(
            Finding(
                first,
                second,
                row.get("opening"),
                float(row["estimate"]),
                float(row[low]),
                float(row[high]),
                float(row[p]),
                joint,
                result.response.effect,
                str(row["unit"]),
            )
        )
    return found


def _holds_families(table: Table) -> bool:
    """Tell whether simultaneous intervals differ from those of each comparison alone."""
    frame = table.frame
    if "sim_low" not in frame:
        return False
    return "opening" not in frame or len(frame) > frame["term"].nunique()


def is_corrected(result: ResponseAnalysis) -> bool:
    """Tell whether the values rest on DM corrected for volatiles."""
    rows = result.records.rows
    return "uncorrected" in rows and not rows["uncorrected"].equals(rows["value"])


def correction_effect(result: ResponseAnalysis) -> dict[tuple[str, str], float]:
    """Return what the correction of DM for volatiles adds to the mean, by opening and binding.

    Empty where the values rest on DM without a correction; NaN where no value without it is
    known.
    """
    if not is_corrected(result):
        return {}
    rows = result.records.rows
    effect = (rows["value"] - rows["uncorrected"]).groupby([rows["opening"], rows["binding"]])
    return {(str(opening), str(name)): float(v.mean()) for (opening, name), v in effect}


def uncorrected(result: ResponseAnalysis, finding: Finding) -> float | None:
    """Return a comparison without the correction of DM for volatiles.

    Parameters
    ----------
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    float or None
        The estimate less the mean effect of the correction on the two bindings; None where
        no value without the correction is known.
    """
    effect = correction_effect(result)
    if not effect or finding.opening is None:
        return None
    first, second = (effect[finding.opening, name] for name in (finding.first, finding.second))
    moved = finding.estimate - (first - second)
    return moved if np.isfinite(moved) else None


def line_over_storage(
    trial: Trial, result: ResponseAnalysis, average: Finding, growth: Finding
) -> tuple[np.ndarray, np.ndarray]:
    """Return the line in log(1 + days) that average and growth describe.

    Parameters
    ----------
    trial, result
        What they belong to.
    average, growth : Finding
        Of the same two bindings.

    Returns
    -------
    days : (k,) array
        Planned days of the openings compared.
    values : (k,) array
        The line there, on the reader's scale.
    """
    openings = () if result.comparison is None else result.comparison.openings
    days = np.array([o.days for o in trial.settings.openings if o.name in openings])
    x = np.log1p(days)
    line = average.model_scale() + growth.model_scale() * (x - x.mean()) / np.ptp(x)
    return days, np.exp(line) if average.effect == "ratio" else line
