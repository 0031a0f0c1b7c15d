"""One finding as one sentence: how large, how sure, whether it matters, what speaks against it.

A difference is said only where the interval leaves out no difference; otherwise it cannot be told
from none, which is never the same as none being there.
"""

from __future__ import annotations

import math

from silagetrial.display.language import say
from silagetrial.display.phrases import (
    FAR,
    amount,
    count,
    joined,
    number,
    p_value,
    quantity,
    ratio_words,
    span,
    tenths,
)
from silagetrial.report.findings import Finding

__all__ = [
    "adjusted_too",
    "below_limit",
    "by_how_much",
    "change_over_storage",
    "evidence",
    "importance",
    "limits",
    "reach",
]


def by_how_much(
    finding: Finding,
    *,
    what: str,
    level: str,
    alpha: float,
    levels: str = "",
    below: str = "",
    plain: float | None = None,
) -> str:
    """Say by how much two bindings differ, or that the trial cannot tell.

    Parameters
    ----------
    finding : Finding
    what : str
        What was measured: ``butyric acid``.
    level : str
        ``95 %``.
    alpha : float
        Size of the test.
    levels : str
        The two levels compared: ``adjusted medians about 1.9 against 3.3 g/kg DM``.
    below : str
        The share of results below the laboratory's limit.
    plain : float, optional
        The difference without the correction of DM for volatiles, told beside the corrected one.

    Returns
    -------
    str
        A clause that starts with a small letter and has no full stop.
    """
    parts = [levels, evidence(finding, level=level), below]
    if plain is not None:
        parts.append(say("evidence.uncorrected", size=quantity(plain, finding.unit)))
    who = {"what": what, "first": finding.first, "second": finding.second}
    sure = joined([part for part in parts if part], last="semicolon")
    if not finding.p < alpha:
        return say("comparison.untold", **who, sure=sure)
    return say("comparison.told", **who, size=_size(finding), sure=sure)


def _size(finding: Finding) -> str:
    """How much lower or higher the first binding is."""
    if finding.effect == "ratio":
        return ratio_words(finding.estimate)
    size = amount(abs(finding.estimate), finding.unit)
    if finding.estimate < 0:
        return say("phrase.point_lower", amount=size)
    return say("phrase.point_higher", amount=size)


def evidence(finding: Finding, *, level: str) -> str:
    """Say estimate, interval and p, as they stand in brackets."""
    sure = _interval_and_p(finding, level=level)
    if finding.effect == "ratio":
        return say("evidence.ratio", size=quantity(finding.estimate), interval=sure)
    size = amount(finding.estimate, finding.unit)
    return say("evidence.difference", size=size, interval=sure)


def _interval_and_p(finding: Finding, *, level: str) -> str:
    said = {
        "level": level,
        "span": span(finding.low, finding.high, finding.unit),
        "p": p_value(finding.p),
    }
    if finding.joint:
        return say("evidence.interval_adjusted", **said, family=finding.family)
    return say("evidence.interval", **said)


def below_limit(below: int, results: int) -> str:
    """Say which share of the results compared is below the laboratory's limit."""
    all_of_them = count(results, "result")
    if not below:
        return say("evidence.none_below", results=all_of_them)
    return say("evidence.below", percent=f"{100 * below / results:.0f}", results=all_of_them)


def reach(half: float, *, effect: str, unit: str) -> str:
    """Say a half-width as the smallest estimate that is told from no difference.

    Parameters
    ----------
    half : float
        Half the width of an interval; of a ratio, the factor.
    effect : {"ratio", "difference"}
    unit : str

    Returns
    -------
    str
        ``31 % lower or 44 % higher``, ``1.7 percentage points either way``; empty where no
        estimate within reason can be told.
    """
    if not math.isfinite(half) or (effect == "ratio" and half > FAR):
        return ""
    if effect == "difference":
        size = f"{tenths(half)} {unit}" if half >= 0.1 else amount(half, unit)
        return say("reach.difference", amount=size)
    if half >= 3:
        return say("reach.times", times=number(half, digits=2))
    lower, higher = f"{100 * (1 - 1 / half):.0f}", f"{100 * (half - 1):.0f}"
    return say("reach.ratio", lower=lower, higher=higher)


def adjusted_too(alone: Finding, joint: Finding, *, alpha: float) -> str:
    """Say whether a comparison that stands alone does so among its family as well.

    Parameters
    ----------
    alone, joint : Finding
        The same comparison, by its own interval and by the simultaneous one.
    alpha : float
        Size of the test.
    """
    said = {"family": joint.family, "p": p_value(joint.p)}
    if not alone.p < alpha:
        return say("doubt.nor", **said)
    return say("doubt.stands", **said) if joint.p < alpha else say("doubt.falls", **said)


def change_over_storage(
    growth: Finding,
    line: tuple[float, float],
    ends: tuple[Finding | None, Finding | None],
    *,
    what: str,
    first: str,
    last: str,
    level: str,
    alpha: float,
) -> str:
    """Say whether the difference grew from the first to the last opening compared.

    Parameters
    ----------
    growth : Finding
    line : tuple of float
        Its straight line at the first and at the last opening, on the reader's scale.
    ends : tuple of Finding or None
        The same bindings at these two openings, each alone; None where it is not known.
    what : str
        What was measured.
    first, last : str
        The openings.
    level, alpha
        As in `by_how_much`.
    """
    if growth.effect == "ratio":
        size = say("growth.ratio", factor=quantity(growth.estimate))
    else:
        size = say("growth.difference", amount=amount(growth.estimate, growth.unit))
    said = {
        "what": what,
        "first": growth.first,
        "second": growth.second,
        "along": say("growth.along", start=first, end=last, change=size),
        "sure": _interval_and_p(growth, level=level),
    }
    if not growth.p < alpha:
        return say("growth.not_clearly", **said)
    early, late = (math.log(y) if growth.effect == "ratio" else y for y in line)
    return say(_how_it_changed(early, late, ends, alpha=alpha), **said)


def _how_it_changed(
    early: float,
    late: float,
    ends: tuple[Finding | None, Finding | None],
    *,
    alpha: float,
) -> str:
    """Name the text: a line that crosses none says nothing of a side, an end told from none does.

    ``early`` and ``late`` are the ends of the line, on the scale of the model.
    """
    start, end = (f.model_scale() if f is not None and f.p < alpha else 0.0 for f in ends)
    if start * end < 0:
        return "growth.turned"
    if early * late >= 0:
        return "growth.grew" if abs(late) > abs(early) else "growth.shrank"
    if (start == 0) == (end == 0):
        return "growth.changed"
    return "growth.grew" if end else "growth.shrank"


def importance(finding: Finding, edge: float, *, alpha: float) -> str:
    """Say whether a difference is large enough to matter, as the plan draws the limit.

    Parameters
    ----------
    finding : Finding
    edge : float
        A ratio above 1, or a difference above 0; its inverse or negative counts alike.
    alpha : float
        Size of the test.

    Returns
    -------
    str
        A sentence that follows on `by_how_much`.
    """
    low_edge = 1 / edge if finding.effect == "ratio" else -edge
    told = finding.p < alpha
    limit = _limit(finding, edge, told=told)
    inside = low_edge < finding.low and finding.high < edge
    if not told:
        return (
            say("importance.outside", limit=limit)
            if inside
            else say("importance.not_ruled_out", limit=limit)
        )
    if inside:
        return say("importance.too_little", limit=limit)
    if finding.high <= low_edge or finding.low >= edge:
        return say("importance.enough", limit=limit)
    return say("importance.open", limit=limit)


def limits(edge: float, unit: str, *, effect: str) -> tuple[str, str]:
    """Return both ends of what is too small to matter, as every text of the report has them.

    Parameters
    ----------
    edge : float
        A ratio above 1, or a difference above 0.
    unit : str
        Of a difference.
    effect : {"ratio", "difference"}
    """
    if effect == "ratio":
        return quantity(1 / edge), quantity(edge)
    return quantity(-edge, unit), quantity(edge, unit)


def _limit(finding: Finding, edge: float, *, told: bool) -> str:
    """The smallest difference that matters, on the side of one that was told."""
    if finding.effect != "ratio":
        return amount(edge, finding.unit)
    below, above = limits(edge, finding.unit, effect=finding.effect)
    if not told:
        return say("importance.limit_ratio_both", below=below, above=above)
    if finding.estimate < 1:
        return say("importance.limit_ratio_below", below=below)
    return say("importance.limit_ratio_above", above=above)
