"""The results in sentences, cautious ones: what was shown, how sure, what could not be seen."""

from __future__ import annotations

import numpy as np

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.report.block import Prose
from silagetrial.report.findings import at_openings, averages, growths, planned, uncorrected
from silagetrial.report.phrases import amount, block_word, count, joined, level_name, quantity
from silagetrial.report.sentences import by_how_much, change_over_storage, importance

__all__ = [
    "answer",
    "comparison",
    "heading",
    "question",
    "refusal",
    "storage",
    "summary",
    "unseen",
]


def heading(trial: Trial) -> Prose:
    """Return the title of the trial."""
    return Prose((title_of(trial),), kind="title")


def title_of(trial: Trial) -> str:
    """Return the title of the trial, or what it is when it has none."""
    return trial.settings.title or "Bale bindings compared"


def question(trial: Trial) -> Prose:
    """Return the question of the trial, and whether its numbers are invented."""
    settings = trial.settings
    lines = [settings.question] if settings.question else []
    if settings.invented:
        lines.append("The trial and all its numbers are invented, for demonstration.")
    return Prose(tuple(lines), kind="question")


def answer(analysis: Analysis) -> Prose:
    """Return the answer in three sentences, and where an answer is refused, why."""
    return Prose(summary(analysis), kind="answer")


def summary(analysis: Analysis) -> tuple[str, str, str]:
    """Return three sentences: butyric acid, DM loss, and how far the answer reaches.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of three str
    """
    butyric, loss = analysis.responses["butyric_acid"], analysis.responses["dm_loss"]
    return _one_answer(analysis, butyric), _one_answer(analysis, loss), _reach(analysis)


def _one_answer(analysis: Analysis, result: ResponseAnalysis) -> str:
    """One response in one sentence: the comparison planned, else the one over all openings."""
    if result.refusal is not None:
        why = result.refusal.found
        return f"{result.response.label}: the design supports no answer about the binding: {why}."
    trial = analysis.trial
    level, alpha = level_name(analysis.level), trial.settings.analysis.alpha
    what = _what(result)
    finding = planned(trial, result)
    if finding is not None:
        plain = uncorrected(result, finding)
        said = by_how_much(finding, what=what, level=level, alpha=alpha, plain=plain)
        return f"At {finding.opening}, {said}."
    average = averages(trial, result)[0]
    said = by_how_much(average, what=what, level=level, alpha=alpha)
    opening = planned_opening(trial)
    return f"There is no comparison at {opening}; averaged over the openings compared, {said}."


def planned_opening(trial: Trial) -> str:
    """Return the opening the plan asks about first: the one named, else the last."""
    named = trial.settings.analysis.opening
    return named or max(trial.settings.openings, key=lambda o: o.days).name


def _what(result: ResponseAnalysis) -> str:
    """The response inside a sentence: only a name of letters in capitals keeps them."""
    label = result.response.label
    return label if label.split()[0].isupper() else label[0].lower() + label[1:]


def _reach(analysis: Analysis) -> str:
    """How far the answer reaches and what the trial could not see, in one sentence."""
    answered = [result for result in analysis.responses.values() if result.answered]
    end = "; all numbers are invented" if analysis.trial.settings.invented else ""
    if not answered or answered[0].model is None:
        return (
            "Without an answer on the binding the report shows what was measured, and what would "
            f"be enough for an answer{end}."
        )
    blind = joined([_blind(result) for result in answered], last="or")
    level = level_name(analysis.level)
    return (
        f"The answer is about {answered[0].model.scope}, from {_replicates(answered[0])}; at one "
        f"opening, by its {level} interval alone, the trial could not tell from no difference "
        f"{blind}{end}."
    )


def _replicates(result: ResponseAnalysis) -> str:
    rows = result.records.rows
    pairs = rows["pair"].nunique()
    bales = rows["bale"].nunique()
    word = block_word(list(dict.fromkeys(rows["binding"])))
    return f"{count(bales, 'bale')} in {count(pairs, word)}" if pairs else count(bales, "bale")


def _blind(result: ResponseAnalysis) -> str:
    """The typical half-width at one opening, as what could not be told from no difference."""
    frame = result.half_widths.frame
    at_one = frame[~frame["contrast"].isin(["average", "growth"])]
    half = float(np.median(at_one["half_width"]))
    if result.response.effect == "ratio":
        edges = f"{quantity(1 / half)} and {quantity(half)}"
        return f"an estimated ratio of {_what(result)} between {edges}"
    return f"an estimated difference in {_what(result)} below {amount(half, result.response.unit)}"


def refusal(result: ResponseAnalysis) -> Prose:
    """Return why there is no answer and what would be enough; nothing where there is one."""
    if result.refusal is None:
        return Prose(())
    why = result.refusal
    return Prose(
        (
            f"{result.response.label}: the design supports no answer about the binding.",
            f"What was found: {why.found}.",
            f"What would be enough: {why.expected}.",
            f"What to do: {why.remedy}.",
        ),
        kind="refusal",
    )


def comparison(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return, opening by opening and on average, by how much the bindings differ and how sure.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    """
    if not result.answered:
        return refusal(result)
    alpha = trial.settings.analysis.alpha
    level, what = level_name(1 - alpha), _what(result)
    lines = []
    first = planned(trial, result)
    edge = trial.settings.analysis.important.get(result.response.name)
    if first is not None and not first.joint:
        said = by_how_much(first, what=what, level=level, alpha=alpha)
        lines.append(f"The comparison planned first, at {first.opening}: {said}.")
    if first is not None and edge is not None:
        lines.append(f"At {first.opening}, {importance(first, edge)}")
    for finding in at_openings(trial, result):
        plain = uncorrected(result, finding)
        said = by_how_much(finding, what=what, level=level, alpha=alpha, plain=plain)
        lines.append(f"At {finding.opening}, {said}.")
    several = result.comparison is not None and len(result.comparison.openings) > 1
    for finding in averages(trial, result) if several else ():
        said = by_how_much(finding, what=what, level=level, alpha=alpha)
        lines.append(f"Averaged over the openings, each with equal weight, {said}.")
    return Prose(tuple(lines), kind="list")


def storage(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return whether the difference grows with storage; nothing where there is no model."""
    if not result.answered or result.comparison is None:
        return Prose(())
    openings = result.comparison.openings
    changes = growths(trial, result)
    if not changes:
        said = "One opening with all bindings says nothing about growth with storage."
        return Prose((said,))
    alpha = trial.settings.analysis.alpha
    lines = [
        change_over_storage(
            growth,
            average,
            first=openings[0],
            last=openings[-1],
            level=level_name(1 - alpha),
            alpha=alpha,
        )
        for growth, average in zip(changes, averages(trial, result), strict=True)
    ]
    return Prose(tuple(lines))


def unseen(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return what the trial could not see; nothing where there is no model."""
    if not result.answered:
        return Prose(())
    level = level_name(1 - trial.settings.analysis.alpha)
    return Prose(
        (
            f"What the trial could not see: at one opening, {_blind(result)} is not told from no "
            f"difference (half the width of the {level} intervals, each alone). A true "
            f"{result.response.effect} of that size is missed by about half of such trials, and "
            "smaller ones may be there.",
        )
    )
