"""One comparison of two bindings as the report tells it: where, how large, how sure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.language import say
from silagetrial.display.phrases import count

__all__ = [
    "Finding",
    "at_openings",
    "averages",
    "bindings_of",
    "due_at",
    "growths",
    "levels",
    "line_over_storage",
    "of_bindings",
    "openings_without",
    "paired_p",
    "planned",
    "planned_days",
    "planned_opening",
    "sampled",
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
    family : str
        For what interval and p are adjusted, being simultaneous: ``4 openings``; empty for the
        comparison alone.
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
    family: str
    effect: str
    unit: str

    @property
    def joint(self) -> bool:
        """Whether the interval is one of a simultaneous family."""
        return bool(self.family)

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

    def half_width(self) -> float:
        """Half the width of the interval; of a ratio, the factor. Infinite without an end."""
        if self.effect == "difference":
            return (self.high - self.low) / 2
        return float(np.sqrt(self.high / self.low)) if self.low > 0 else float("inf")


def planned_days(trial: Trial) -> dict[str, float]:
    """Return the planned days of each opening, in order of days."""
    ordered = sorted(trial.settings.openings, key=lambda opening: opening.days)
    return {opening.name: opening.days for opening in ordered}


def bindings_of(term: str, bindings: Sequence[str]) -> tuple[str, str]:
    """Return the two bindings named by a comparison ``first - second``."""
    return next((a, b) for a in bindings for b in bindings if a != b and f"{a} - {b}" == term)


def openings_without(trial: Trial, result: ResponseAnalysis, *, given: set[str]) -> dict[str, str]:
    """Return the openings at which a figure shows nothing, and why.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    given : set of str
        The openings shown.
    """
    counted = set(result.records.counts.frame.get("opening", []))
    seen = set(result.records.rows["opening"])
    found = {}
    for opening in planned_days(trial):
        if opening in given:
            continue
        if opening in counted:
            found[opening] = say("due.counted")
        else:
            none = say("due.no_comparison") if opening in seen else say("due.no_values")
            found[opening] = due_at(trial, opening) or none
    return found


def due_at(trial: Trial, opening: str) -> str:
    """Return that an opening is not done yet, and how many samples are due; empty where it is."""
    frame = trial.due.frame
    due = int(((frame["table"] == "samples") & (frame["opening"] == opening)).sum())
    if not due:
        return ""
    begun = bool((trial.samples["opening"] == opening).any())
    return say("due.begun" if begun else "due.not_opened", samples=count(due, "sample"))


def sampled(analysis: Analysis) -> pd.DataFrame:
    """Return what every sample with a value of any response is about: bale, opening, days.

    ``inside`` tells whether it was taken inside the window of its opening.
    """
    columns = ["bale", "binding", "opening", "sample", "days", "planned_days"]
    parts = [
        rows[columns].assign(inside=inside)
        for inside in (True, False)
        for result in analysis.responses.values()
        for rows in (result.records.rows if inside else result.records.outside,)
    ]
    whole = pd.concat([part for part in parts if len(part)] or parts, ignore_index=True)
    return whole.drop_duplicates(["bale", "opening", "sample"]).reset_index(drop=True)


def at_openings(trial: Trial, result: ResponseAnalysis, *, joint: bool = True) -> list[Finding]:
    """Return every comparison at every opening: as simultaneous families, or each alone."""
    return _findings(trial, result, result.differences, joint=joint)


def averages(trial: Trial, result: ResponseAnalysis, *, joint: bool = True) -> list[Finding]:
    """Return every comparison averaged over openings."""
    return _findings(trial, result, result.average, joint=joint)


def growths(trial: Trial, result: ResponseAnalysis, *, joint: bool = True) -> list[Finding]:
    """Return the change of every comparison from the first to the last opening."""
    return _findings(trial, result, result.growth, joint=joint)


def planned(trial: Trial, result: ResponseAnalysis) -> Finding | None:
    """Return the comparison the plan asks for first, None when it has no answer.

    The planned bindings at the planned opening are one comparison of each response, named in
    advance: its own interval holds. Where the plan names no bindings, the comparison is one of
    its family.
    """
    plan = trial.settings.analysis
    if not len(result.differences):
        return None
    found = _findings(trial, result, result.differences, joint=len(plan.contrast) != 2)
    opening = planned_opening(trial)
    wanted = set(plan.contrast) or {found[0].first, found[0].second}
    return next((f for f in found if f.opening == opening and {f.first, f.second} == wanted), None)


def planned_opening(trial: Trial) -> str:
    """Return the opening the plan asks about first: the one named, else the last."""
    named = trial.settings.analysis.opening
    return named or max(trial.settings.openings, key=lambda opening: opening.days).name


def of_bindings(found: Sequence[Finding], like: Finding) -> Finding | None:
    """Return the finding, among several, of the same bindings and opening as another."""
    wanted = (like.first, like.second, like.opening)
    return next((f for f in found if (f.first, f.second, f.opening) == wanted), None)


def paired_p(result: ResponseAnalysis, finding: Finding, *, contrast: str) -> float:
    """Return the p of the paired t of a comparison, NaN where there is none.

    Parameters
    ----------
    result : ResponseAnalysis
    finding : Finding
        Its bindings.
    contrast : str
        The opening, ``average`` or ``growth``.
    """
    frame = result.exact.frame
    if "p_value" not in frame:
        return float("nan")
    term = f"{finding.first} - {finding.second}"
    found = frame.loc[(frame["term"] == term) & (frame["contrast"] == contrast), "p_value"]
    return float(found.iloc[0]) if len(found) else float("nan")


def levels(result: ResponseAnalysis, finding: Finding) -> tuple[float, float] | None:
    """Return the adjusted means of the two bindings compared; None where one is not known."""
    frame = result.means.frame
    if finding.opening is None or not len(frame):
        return None
    here = frame[frame["opening"] == finding.opening].set_index("binding")["estimate"]
    if not {finding.first, finding.second} <= set(here.index):
        return None
    return float(here[finding.first]), float(here[finding.second])


def _findings(
    trial: Trial, result: ResponseAnalysis, table: Table, *, joint: bool
) -> list[Finding]:
    """Read the findings of a table; joint ones where the table holds families of several."""
    family = _families(table)
    joint = joint and bool(family)
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
                family.get(str(row["term"]), "") if joint else "",
                result.response.effect,
                str(row["unit"]),
            )
        )
    return found


def _families(table: Table) -> dict[str, str]:
    """For what the intervals of each comparison are adjusted; empty where each stands alone.

    The openings of one comparison are a family; at one opening, or over all, the comparisons.
    """
    frame = table.frame
    if "sim_low" not in frame or np.allclose(frame["sim_low"], frame["conf_low"]):
        return {}
    sizes = frame["term"].value_counts()
    if sizes.max() > 1:
        openings = {str(term): int(size) for term, size in sizes.items() if size > 1}
        return {term: count(size, "opening") for term, size in openings.items()}
    return dict.fromkeys(map(str, frame["term"]), count(len(frame), "comparison"))


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
