"""What is claimed within a margin; it is claimed only with a margin fixed before the data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import amount, level_name, quantity, span
from silagetrial.planning.analysis_plan import FiledPlan, filed_plan, settings_record
from silagetrial.report.findings import Finding

__all__ = ["Claimed", "claim_of", "claimed"]

_DECIDES: Final = (
    *("claim", "alpha", "contrast", "opening", "residual_by", "serial", "measurement_error"),
    *("covariates", "factors", "blocks"),
)
"""Settings of the analysis that decide a claim, beside the margin and the DM of the response."""


@dataclass(frozen=True)
class Claimed:
    """A comparison against the margin of its claim, on the reader's scale.

    Attributes
    ----------
    low, high : float
        The interval of the claim.
    below, above : float
        The margin; ``below`` is minus infinity (of a ratio 0) where only higher is worse.
    met : bool
        Whether the test says that the comparison lies within.
    """

    low: float
    high: float
    below: float
    above: float
    met: bool


def claimed(trial: Trial, result: ResponseAnalysis, finding: Finding) -> Claimed | None:
    """Return a comparison against its margin; None where the settings name none for it.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.
    """
    frame, plan = result.claim.frame, trial.settings.analysis
    if not len(frame):
        return None
    term = f"{finding.first} - {finding.second}"
    here = frame[(frame["term"] == term) & (frame["opening"] == finding.opening)]
    if not len(here):
        return None
    row, margin = here.iloc[0], plan.margins[result.response.name]
    both_sides, ratio = plan.claim == "equivalence", finding.effect == "ratio"
    other_side = 1 / margin if ratio else -margin
    endless = 0.0 if ratio else -math.inf
    met = bool(row["p_value"] < (plan.alpha if both_sides else plan.alpha / 2))
    low, high = float(row["conf_low"]), float(row["conf_high"])
    return Claimed(low, high, other_side if both_sides else endless, margin, met)


def claim_of(trial: Trial, result: ResponseAnalysis, finding: Finding) -> str:
    """Say whether a comparison lies within the margin, and whether the margin was there first.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        The comparison at one opening.

    Returns
    -------
    str
        A sentence; empty where the settings name no margin for the response.
    """
    plan, found = trial.settings.analysis, claimed(trial, result, finding)
    if found is None:
        return ""
    both_sides, met = plan.claim == "equivalence", found.met
    said = {
        "margin": _margin(finding, plan.margins[result.response.name], both_sides=both_sides),
        "level": level_name(1 - 2 * (plan.alpha if both_sides else plan.alpha / 2)),
        "span": span(found.low, found.high, finding.unit),
    }
    filed = _filed_margin(trial, result)
    if filed is None:
        return say("claim.inside_unfiled", **said) if met else say("claim.outside_unfiled", **said)
    who = {"what": result.response.in_sentence, "first": finding.first, "second": finding.second}
    if both_sides:
        return (
            say("claim.alike", **said, **who, date=filed.date)
            if met
            else say("claim.not_alike", **said, **who)
        )
    return (
        say("claim.not_worse", **said, **who, date=filed.date)
        if met
        else say("claim.not_not_worse", **said, **who)
    )


def _margin(finding: Finding, margin: float, *, both_sides: bool) -> str:
    if finding.effect == "difference":
        return amount(margin, finding.unit)
    if not both_sides:
        return say("claim.margin_ratio_one_side", high=quantity(margin))
    return say("claim.margin_ratio", low=quantity(1 / margin), high=quantity(margin))


def _filed_margin(trial: Trial, result: ResponseAnalysis) -> FiledPlan | None:
    """The plan filed beforehand, where it is unchanged and holds all that decides the claim."""
    filed = filed_plan(trial.source)
    if filed is None or filed.content is None or not filed.intact:
        return None
    then, now = filed.content["settings"], settings_record(trial.settings)
    was, is_now = then["analysis"], now["analysis"]
    # A plan filed before a setting existed says nothing about it.
    same = all(was.get(key, is_now[key]) == is_now[key] for key in _DECIDES)
    name = result.response.name
    same &= was["margins"].get(name) == is_now["margins"][name]
    corrected = name != "dm_loss" or then["dm_correction"] == now["dm_correction"]
    return filed if same and corrected else None
