"""The results in sentences, cautious ones: what was shown, how sure, what could not be seen."""

from __future__ import annotations

import numpy as np

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import amount, joined, level_name, number, quantity, tenths
from silagetrial.report.claims import claim_of
from silagetrial.report.correction import of_dm, uncorrected
from silagetrial.report.doubts import doubt_of
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    due_at,
    growths,
    levels,
    line_over_storage,
    of_bindings,
    planned,
    planned_days,
)
from silagetrial.report.looks import Log, title_of
from silagetrial.report.plan_kept import planned_to_see
from silagetrial.report.sentences import (
    adjusted_too,
    below_limit,
    by_how_much,
    change_over_storage,
    importance,
    reach,
)

__all__ = [
    "averaged",
    "comparison",
    "could_have_seen",
    "heading",
    "name_of",
    "planned_sentences",
    "question",
    "refusal",
    "smallest_told",
    "storage",
    "unseen",
    "why_not",
]


def heading(trial: Trial, log: Log | None = None) -> Prose:
    """Return the title of the report."""
    return Prose((title_of(trial, log or Log()),), kind="title")


def question(trial: Trial) -> Prose:
    """Return the question of the trial, and whether its numbers are invented."""
    settings = trial.settings
    lines = [settings.question] if settings.question else []
    if settings.invented:
        lines.append(say("trial.invented"))
    return Prose(tuple(lines), kind="question")


def name_of(result: ResponseAnalysis) -> str:
    """Return a response as it stands inside a sentence."""
    return result.response.in_sentence


def why_not(result: ResponseAnalysis) -> str:
    """Return in one sentence why there is no answer; empty where there is one."""
    why, label = result.refusal, result.response.label
    if why is None:
        return ""
    if len(result.records.rows):
        return say("refusal.no_answer", label=label, found=why.found)
    reasons = [
        say("refusal.reason", number=n, reason=what) for what, n in result.records.reasons.items()
    ]
    if not reasons:
        return say("refusal.no_values", label=label, expected=why.expected)
    out = joined(reasons, last="comma")
    return say("refusal.no_values_left_out", label=label, expected=why.expected, reasons=out)


def refusal(result: ResponseAnalysis) -> Prose:
    """Return why there is no answer and what would be enough; nothing where there is one."""
    why = result.refusal
    if why is None:
        return Prose(())
    measured = len(result.records.rows) > 0
    enough = (say("refusal.enough", expected=why.expected),) if measured else ()
    return Prose(
        (why_not(result), *enough, say("refusal.remedy", remedy=why.remedy)), kind="refusal"
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
        plain = uncorrected(trial, result, finding)
        said = by_how_much(finding, what=what, level=level, alpha=alpha, plain=plain)
        lines.append(say("comparison.at", opening=finding.opening, clause=said))
    told = {finding.opening for finding in at_openings(trial, result)}
    for opening in (name for name in planned_days(trial) if name not in told):
        if due := due_at(trial, opening):
            lines.append(say("comparison.due", opening=opening, due=due))
    several = result.comparison is not None and len(result.comparison.openings) > 1
    for finding in averages(trial, result) if several else ():
        said = by_how_much(finding, what=what, level=level, alpha=alpha)
        lines.append(averaged(result, said))
    return Prose(tuple(lines), kind="list")


def averaged(result: ResponseAnalysis, clause: str) -> str:
    """Return a comparison averaged over openings, with the openings: some may be counted only.

    Parameters
    ----------
    result : ResponseAnalysis
    clause : str
        From `by_how_much`.
    """
    openings = () if result.comparison is None else result.comparison.openings
    return say("comparison.average", openings=joined(list(openings)), clause=clause)


def _planned_in_full(trial: Trial, result: ResponseAnalysis, first: Finding, among: Finding) -> str:
    """The comparison planned first, what the paired t says of it, and its place in a family."""
    said = planned_sentences(trial, result, first)
    named = len(trial.settings.analysis.contrast) == 2
    told = say("comparison.first" if named else "comparison.by_rule", sentence=" ".join(said))
    lines = [told, doubt_of(trial, result, first)]
    if among.joint and not first.joint:
        lines.append(adjusted_too(first, among, alpha=trial.settings.analysis.alpha))
    return " ".join(line for line in lines if line)


def planned_sentences(trial: Trial, result: ResponseAnalysis, finding: Finding) -> list[str]:
    """Return one comparison at one opening with all that has to stand beside it.

    Levels and how they were made, results below the limit; where no difference is told, the size
    that could have been; the claim planned; whether it matters; the DM it rests on.

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
        below=_below(result, finding),
    )
    lines = [say("comparison.at", opening=finding.opening, clause=said)]
    if not finding.p < alpha:
        lines.append(could_have_seen(trial, result, finding))
    lines.append(claim_of(trial, result, finding))
    edge = trial.settings.analysis.important.get(result.response.name)
    if edge is not None:
        lines.append(importance(finding, edge, alpha=alpha))
    lines += of_dm(trial, result, finding)
    return [line for line in lines if line]


def could_have_seen(trial: Trial, result: ResponseAnalysis, finding: Finding) -> str:
    """Return the size the plan was made for; without a plan what this interval could have told.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        That is not told from no difference.
    """
    seen = planned_to_see(trial, result.response.name)
    if seen is None:
        size = reach(finding.half_width(), effect=finding.effect, unit=finding.unit)
        return say("reach.here", reach=size) if size else say("reach.nothing_here")
    power = f"{100 * seen['power']:.0f}"
    if seen["scale"] == "ratio":
        below, above = quantity(seen["other_side"]), quantity(seen["effect"])
        return say("reach.planned_ratio", below=below, above=above, power=power)
    size = amount(seen["effect"], finding.unit)
    return say("reach.planned_difference", size=size, power=power)


def _level_words(result: ResponseAnalysis, finding: Finding) -> str:
    both = levels(result, finding)
    if both is None:
        return ""
    log, unit = result.response.scale == "log", result.response.level_unit
    first, second = (number(v, digits=2) if log else tenths(v) for v in both)
    if log:
        return say("evidence.medians", first=first, second=second, unit=unit)
    return say("evidence.means", first=first, second=second, unit=unit)


def _below(result: ResponseAnalysis, finding: Finding) -> str:
    """The share below the laboratory's limit, of a response that a laboratory has limits for."""
    if result.response.scale != "log":
        return ""
    rows = result.records.rows
    mine = rows["binding"].isin([finding.first, finding.second])
    below = rows.loc[mine & (rows["opening"] == finding.opening), "below"]
    return below_limit(int(below.sum()), len(below))


def storage(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return whether the difference grows with storage; nothing where there is no model."""
    if not result.answered or result.comparison is None:
        return Prose(())
    openings = result.comparison.openings
    changes = growths(trial, result)
    if not changes:
        return Prose((say("growth.one_opening") if openings else say("growth.no_opening"),))
    alpha = trial.settings.analysis.alpha
    lines, alone = [], at_openings(trial, result, joint=False)
    for growth, average in zip(changes, averages(trial, result), strict=True):
        line = line_over_storage(trial, result, average, growth)[1]
        mine = {f.opening: f for f in alone if (f.first, f.second) == (growth.first, growth.second)}
        said = change_over_storage(
            growth,
            (float(line[0]), float(line[-1])),
            (mine.get(openings[0]), mine.get(openings[-1])),
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
    size = smallest_told(result)
    if not size:
        return Prose((say("unseen.none"),))
    ratio = result.response.effect == "ratio"
    effect = say("unseen.ratio") if ratio else say("unseen.difference")
    level = level_name(1 - trial.settings.analysis.alpha)
    return Prose((say("unseen.reach", reach=size, level=level, effect=effect),))


def smallest_told(result: ResponseAnalysis) -> str:
    """Return the typical smallest estimate at one opening that is told from no difference.

    Returns
    -------
    str
        ``31 % lower or 44 % higher``, ``1.7 percentage points either way``; empty where no
        estimate within reason can be told.
    """
    frame = result.half_widths.frame
    at_one = frame[~frame["contrast"].isin(["average", "growth"])]
    half = float(np.median(at_one["half_width"]))
    return reach(half, effect=result.response.effect, unit=result.response.unit)
