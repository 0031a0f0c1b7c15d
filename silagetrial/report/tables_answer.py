"""The table of page one: the planned comparison of each response, and what its verdict rests on."""

from __future__ import annotations

from typing import Final

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import block_word, joined, level_name
from silagetrial.report.doubts import doubt_of
from silagetrial.report.figures_data import means_word
from silagetrial.report.findings import Finding, planned
from silagetrial.report.nearest import nearest, tested
from silagetrial.report.sentences import limits
from silagetrial.report.tables_results import NOTHING, Shown, limit_labels

__all__ = ["answer", "verdict"]

_NUMBERS: Final = ("first_mean", "second_mean", "estimate", "conf_low", "conf_high")


def answer(analysis: Analysis) -> Shown:
    """Show the planned comparison of each response: means, estimate, interval, p, limit, verdict.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Table or Prose
        A row a response; where the planned comparison has no answer, that of the same bindings
        averaged over openings, or at the first opening there is. Empty prose where no response
        has an answer.
    """
    trial = analysis.trial
    rows = [_row(trial, result) for result in analysis.responses.values() if result.answered]
    if not rows:
        return NOTHING
    frame = pd.DataFrame(rows)
    places = list(dict.fromkeys(frame["opening"]))
    at = places[0] if len(places) == 1 else ""
    columns = ["response", "first_mean", "second_mean", "comparison", *_NUMBERS[2:], "p_value"]
    columns += ["df", "limits", "verdict", "pairs", "bales"]
    if not at:
        columns.insert(1, "opening")
    if frame["important"].isna().all():
        columns.remove("limits")
    nouns = noun(block_word(trial.settings.compare), 2)
    return Table(
        frame,
        title=_title(trial, at, as_planned=bool(frame["as_planned"].all())),
        labels={
            **limit_labels(trial),
            "first_mean": _one(frame["first"], say("answer.first")),
            "second_mean": _one(frame["second"], say("answer.second")),
            "comparison": say("answer.compared"),
            "limits": say("answer.matters_from"),
            "pairs": nouns,
            "bales": _one(frame["of"], say("answer.bales")),
        },
        shown=tuple(columns),
        errors={"first_mean": "first_std_error", "second_mean": "second_std_error"},
        notes=_notes(analysis, frame),
        name="answer",
    )


def _title(trial: Trial, place: str, *, as_planned: bool) -> str:
    """What is shown: the comparison named first, else the nearest, or the first by rule."""
    if len(trial.settings.analysis.contrast) != 2:
        return say("answer.by_rule_at", place=place) if place else say("answer.by_rule")
    if place:
        return say("answer.planned_at" if as_planned else "answer.nearest_at", place=place)
    return say("answer.planned" if as_planned else "answer.nearest")


def _place(finding: Finding) -> str:
    """Where a comparison was made, in words."""
    if finding.opening:
        return say("answer.at", opening=finding.opening)
    return say("answer.averaged")


def _one(names: pd.Series[str], otherwise: str) -> str:
    """The name that all rows share."""
    found = list(dict.fromkeys(names))
    return found[0] if len(found) == 1 else otherwise


def _row(trial: Trial, result: ResponseAnalysis) -> dict[str, object]:
    response, finding = result.response, nearest(trial, result)
    plan = trial.settings.analysis
    edge = plan.important.get(response.name)
    row = tested(result, finding)
    means = result.means.frame
    at = means["opening"] == finding.opening if len(means) else pd.Series(dtype=bool)
    levels: dict[str, object] = {}
    for place, name in (("first", finding.first), ("second", finding.second)):
        mine = means[at & (means["binding"] == name)] if len(means) else means
        levels[f"{place}_mean"] = mine["estimate"].iloc[0] if len(mine) else float("nan")
        levels[f"{place}_std_error"] = mine["std_error"].iloc[0] if len(mine) else float("nan")
    return {
        "response": f"{response.label}, {response.level_unit}",
        "as_planned": planned(trial, result) is not None,
        "opening": _place(finding),
        "first": finding.first,
        "second": finding.second,
        **levels,
        "comparison": finding.name,
        "effect": finding.effect,
        "unit": finding.unit,
        "estimate": finding.estimate,
        "std_error": row["std_error"],
        "conf_low": finding.low,
        "conf_high": finding.high,
        "p_value": finding.p,
        "df": row["df"],
        "adjusted_for": finding.family,
        "important": float("nan") if edge is None else edge,
        "limits": "" if edge is None else _limits(finding, edge),
        "verdict": _doubted(
            verdict(finding, edge, alpha=plan.alpha), doubt_of(trial, result, finding)
        ),
        **_units(result, finding),
    }


def _limits(finding: Finding, edge: float) -> str:
    low, high = limits(edge, finding.unit, effect=finding.effect)
    return say("answer.either", low=low, high=high)


def _doubted(said: str, doubt: str) -> str:
    """A verdict, with the paired t's other one where there is one."""
    return say("verdict.not_settled", verdict=said) if doubt else said


def _units(result: ResponseAnalysis, finding: Finding) -> dict[str, object]:
    """Pairs with both bindings, and bales of the two (or what several gave), measured there."""
    rows = result.records.rows
    here = rows[rows["binding"].isin([finding.first, finding.second])]
    if finding.opening:
        here = here[here["opening"] == finding.opening]
    whole = here.groupby("pair")["binding"].nunique() == 2
    return {
        "pairs": int(whole.sum()),
        "bales": int(here["bale"].nunique()),
        "of": result.records.unit.several,
    }


def verdict(finding: Finding, edge: float | None, *, alpha: float) -> str:
    """Say in few words what the interval shows against no difference and what matters.

    Parameters
    ----------
    finding : Finding
    edge : float or None
        The smallest ratio above 1, or difference above 0, that matters; None: none is named.
    alpha : float
        Size of the test.
    """
    shown = finding.p < alpha
    if edge is None:
        return say("verdict.differs" if shown else "verdict.none_shown")
    low_edge = 1 / edge if finding.effect == "ratio" else -edge
    inside = low_edge < finding.low and finding.high < edge
    if not shown:
        return say("verdict.none_outside" if inside else "verdict.none_open")
    if inside:
        return say("verdict.too_little")
    if finding.high <= low_edge or finding.low >= edge:
        return say("verdict.enough")
    return say("verdict.open")


def _notes(analysis: Analysis, frame: pd.DataFrame) -> tuple[str, ...]:
    level = level_name(analysis.level)
    answered = [result for result in analysis.responses.values() if result.answered]
    # Medians first, whatever the order of the responses.
    ordered = sorted(answered, key=lambda result: result.response.scale != "log")
    means = joined(list(dict.fromkeys(means_word(result) for result in ordered)), last="or")
    effects = {result.response.effect for result in answered}
    scale = [say("answer.no_unit")] if "ratio" in effects else []
    if "difference" in effects:
        units = joined(list(dict.fromkeys(u for u in frame["unit"] if u)))
        scale.append(say("answer.in_units", units=units))
    said = {"means": means, "scale": joined(scale, last="comma"), "level": level}
    adjusted = [
        say("answer.adjusted", response=row["response"], family=row["adjusted_for"])
        for row in frame.to_dict("records")
        if row["adjusted_for"]
    ]
    return (say("answer.note", **said), *adjusted)
