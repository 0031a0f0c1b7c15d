"""The results in sentences, cautious ones: what was shown, how sure, what could not be seen."""

from __future__ import annotations

import numpy as np

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.phrases import amount, level_name, number, tenths
from silagetrial.report.correction import uncorrected
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    due_at,
    growths,
    levels,
    of_bindings,
    paired_p,
    planned,
    planned_days,
)
from silagetrial.report.sentences import (
    adjusted_too,
    by_how_much,
    change_over_storage,
    doubt,
    importance,
)

__all__ = [
    "comparison",
    "doubt_of",
    "heading",
    "name_of",
    "planned_sentence",
    "question",
    "refusal",
    "smallest_told",
    "storage",
    "title_of",
    "unseen",
    "why_not",
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


def name_of(result: ResponseAnalysis) -> str:
    """Return a response as it stands inside a sentence."""
    return result.response.in_sentence


def why_not(result: ResponseAnalysis) -> str:
    """Return in one sentence why there is no answer; empty where there is one."""
    why = result.refusal
    if why is None:
        return ""
    if len(result.records.rows):
        return f"{result.response.label}: no answer about the binding: {why.found}."
    reasons = [f"{n} \N{MULTIPLICATION SIGN} {what}" for what, n in result.records.reasons.items()]
    left_out = f" (left out: {', '.join(reasons)})" if reasons else ""
    return f"{result.response.label}: no values; it needs {why.expected}{left_out}."


def refusal(result: ResponseAnalysis) -> Prose:
    """Return why there is no answer and what would be enough; nothing where there is one."""
    if result.refusal is None:
        return Prose(())
    why = result.refusal
    enough = () if not len(result.records.rows) else (f"What would be enough: {why.expected}.",)
    return Prose(
        (why_not(result), *enough, f"What to do: {why.remedy}."),
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
    level, what = level_name(1 - alpha), name_of(result)
    first = planned(trial, result)
    lines: list[str] = []
    for finding in at_openings(trial, result):
        if first is not None and of_bindings([finding], first) is not None:
            lines.insert(0, _planned_in_full(trial, result, first, finding))
            continue
        plain = uncorrected(result, finding)
        said = by_how_much(finding, what=what, level=level, alpha=alpha, plain=plain)
        lines.append(f"At {finding.opening} {said}.")
    told = {finding.opening for finding in at_openings(trial, result)}
    for opening in (name for name in planned_days(trial) if name not in told):
        if due := due_at(trial, opening):
            lines.append(f"At {opening}: {due}.")
    several = result.comparison is not None and len(result.comparison.openings) > 1
    for finding in averages(trial, result) if several else ():
        said = by_how_much(finding, what=what, level=level, alpha=alpha)
        lines.append(f"Averaged over the openings, each with equal weight, {said}.")
    return Prose(tuple(lines), kind="list")


def _planned_in_full(trial: Trial, result: ResponseAnalysis, first: Finding, among: Finding) -> str:
    """The comparison planned first, what the paired t says of it, and its place in a family."""
    alpha = trial.settings.analysis.alpha
    said = planned_sentence(trial, result, first)
    lines = [f"Planned first: {said[0].lower()}{said[1:]}", doubt_of(trial, result, first)]
    if among.joint and not first.joint:
        lines.append(adjusted_too(first, among, alpha=alpha))
    return " ".join(line for line in lines if line)


def planned_sentence(trial: Trial, result: ResponseAnalysis, finding: Finding) -> str:
    """Return one comparison at one opening with its levels, and whether it matters.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        At one opening.
    """
    alpha = trial.settings.analysis.alpha
    said = by_how_much(
        finding,
        what=name_of(result),
        level=level_name(1 - alpha),
        alpha=alpha,
        levels=_level_words(result, finding),
        plain=uncorrected(result, finding),
    )
    edge = trial.settings.analysis.important.get(result.response.name)
    matters = "" if edge is None else f"; {importance(finding, edge, alpha=alpha)}"
    return f"At {finding.opening} {said}{matters}."


def _level_words(result: ResponseAnalysis, finding: Finding) -> str:
    both = levels(result, finding)
    if both is None:
        return ""
    log = result.response.scale == "log"
    first, second = (number(v, digits=2) if log else tenths(v) for v in both)
    return f"about {first} against {second} {result.response.level_unit}"


def doubt_of(
    trial: Trial, result: ResponseAnalysis, finding: Finding, *, contrast: str = ""
) -> str:
    """Return what the paired t says against the model; empty where it says the same.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
    contrast : str
        ``growth``; by default the opening of the finding.
    """
    paired = paired_p(result, finding, contrast=contrast or finding.opening or "average")
    return doubt(finding, paired, alpha=trial.settings.analysis.alpha)


def storage(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return whether the difference grows with storage; nothing where there is no model."""
    if not result.answered or result.comparison is None:
        return Prose(())
    openings = result.comparison.openings
    changes = growths(trial, result)
    if not changes:
        if openings:
            return Prose(("One opening with all bindings says nothing about growth with storage.",))
        return Prose(("No opening has all bindings: nothing can be said about growth.",))
    alpha = trial.settings.analysis.alpha
    lines = []
    for growth, average in zip(changes, averages(trial, result), strict=True):
        said = change_over_storage(
            growth,
            average,
            what=name_of(result),
            first=openings[0],
            last=openings[-1],
            level=level_name(1 - alpha),
            alpha=alpha,
        )
        doubted = doubt_of(trial, result, growth, contrast="growth")
        lines.append(f"{said} {doubted}".strip())
    return Prose(tuple(lines))


def unseen(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return what the trial could not see; nothing where there is no model."""
    if not result.answered:
        return Prose(())
    level = level_name(1 - trial.settings.analysis.alpha)
    reach = smallest_told(result)
    if not reach:
        return Prose(
            ("What the trial could not see: no estimate at one opening can be told from none.",)
        )
    return Prose(
        (
            f"What the trial could not see: at one opening an estimate had to be at least {reach} "
            f"to be told from none (half the width of the {level} intervals, each alone). A true "
            f"{result.response.effect} of that size is missed by about half of such trials, and "
            "smaller ones may be there.",
        )
    )


def smallest_told(result: ResponseAnalysis) -> str:
    """Return the typical smallest estimate at one opening that is told from no difference.

    Returns
    -------
    str
        ``31 % lower or 44 % higher``, ``1.7 percentage points apart``; empty where no estimate
        can be told.
    """
    frame = result.half_widths.frame
    at_one = frame[~frame["contrast"].isin(["average", "growth"])]
    half = float(np.median(at_one["half_width"]))
    if not np.isfinite(half):
        return ""
    if result.response.effect == "difference":
        unit = result.response.unit
        return f"{tenths(half)} {unit} apart" if half >= 0.1 else f"{amount(half, unit)} apart"
    if half >= 3:
        return f"{number(half, digits=2)} times as high or as low"
    return f"{100 * (1 - 1 / half):.0f} % lower or {100 * (half - 1):.0f} % higher"
