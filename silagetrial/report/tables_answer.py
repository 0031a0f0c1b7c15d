"""The table of page one: the planned comparison of each response, and what its verdict rests on."""

from __future__ import annotations

from typing import Final

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.phrases import block_word, joined, level_name
from silagetrial.report.figures_data import mean_word
from silagetrial.report.findings import Finding, planned
from silagetrial.report.nearest import nearest
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
    at = f" {places[0]}" if len(places) == 1 else ""
    columns = ["response", "first_mean", "second_mean", "comparison", *_NUMBERS[2:], "p_value"]
    columns += ["df", "important", "verdict", "pairs", "bales"]
    if not at:
        columns.insert(1, "opening")
    if frame["important"].isna().all():
        columns.remove("important")
    word = block_word(trial.settings.compare)
    return Table(
        frame,
        title=f"{'The' if frame['as_planned'].all() else 'Nearest to the'} planned comparison{at}",
        labels={
            **limit_labels(trial),
            "first_mean": _one(frame["first"], "first binding"),
            "second_mean": _one(frame["second"], "second binding"),
            "comparison": "compared",
            "estimate": "estimate",
            "important": "matters from",
            "pairs": f"{word}s",
            "bales": _one(frame["of"], "bales or units"),
        },
        shown=tuple(columns),
        errors={"first_mean": "first_std_error", "second_mean": "second_std_error"},
        formats={"important": "g"},
        notes=_notes(analysis, frame),
        name="answer",
    )


def _one(names: pd.Series[str], otherwise: str) -> str:
    """The name that all rows share."""
    found = list(dict.fromkeys(names))
    return found[0] if len(found) == 1 else otherwise


def _row(trial: Trial, result: ResponseAnalysis) -> dict[str, object]:
    response, finding = result.response, nearest(trial, result)
    plan = trial.settings.analysis
    edge = plan.important.get(response.name)
    tested = _tested(result, finding)
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
        "opening": f"at {finding.opening}" if finding.opening else "averaged over openings",
        "first": finding.first,
        "second": finding.second,
        **levels,
        "comparison": finding.name,
        "effect": finding.effect,
        "unit": finding.unit,
        "estimate": finding.estimate,
        "std_error": tested["std_error"],
        "conf_low": finding.low,
        "conf_high": finding.high,
        "p_value": finding.p,
        "df": tested["df"],
        "important": float("nan") if edge is None else edge,
        "verdict": verdict(finding, edge, alpha=plan.alpha),
        **_units(result, finding),
    }


def _tested(result: ResponseAnalysis, finding: Finding) -> pd.Series[float]:
    """Row of the analysis's own table that a finding was read from."""
    table = result.differences if finding.opening else result.average
    frame = table.frame
    mine = frame["term"] == f"{finding.first} - {finding.second}"
    if finding.opening:
        mine &= frame["opening"] == finding.opening
    return frame[mine].iloc[0]


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
        return "differs" if shown else "no difference shown"
    low_edge = 1 / edge if finding.effect == "ratio" else -edge
    inside = low_edge < finding.low and finding.high < edge
    if not shown:
        rest = "is outside the interval" if inside else "is not excluded"
        return f"no difference shown; one that matters {rest}"
    if inside:
        return "differs, too little to matter"
    if finding.high <= low_edge or finding.low >= edge:
        return "differs enough to matter"
    return "differs; whether enough to matter is open"


def _notes(analysis: Analysis, frame: pd.DataFrame) -> tuple[str, ...]:
    level = level_name(analysis.level)
    answered = [result for result in analysis.responses.values() if result.answered]
    words = {mean_word(result) for result in answered}
    means = " or ".join(f"{word}s" for word in sorted(words, reverse=True))
    effects = {result.response.effect for result in answered}
    scale = ["a ratio has no unit"] if "ratio" in effects else []
    if "difference" in effects:
        units = joined(list(dict.fromkeys(u for u in frame["unit"] if u)))
        scale.append(f"a difference is in {units}")
    return (
        f"Adjusted {means}; {', '.join(scale)}. df: Kenward-Roger. Verdict: by the {level} "
        "interval, against no difference and against the smallest one that matters.",
    )
