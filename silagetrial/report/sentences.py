"""One finding as one sentence: how large, how sure, whether it matters, what speaks against it.

A difference is said only where the interval leaves out no difference; otherwise none was shown,
which is never the same as none being there.
"""

from __future__ import annotations

import math

from silagetrial.display.phrases import amount, p_value, quantity, ratio_words, span
from silagetrial.report.findings import Finding

__all__ = [
    "adjusted_too",
    "by_how_much",
    "change_over_storage",
    "doubt",
    "evidence",
    "importance",
]


def by_how_much(
    finding: Finding,
    *,
    what: str,
    level: str,
    alpha: float,
    levels: str = "",
    plain: float | None = None,
) -> str:
    """Say by how much two bindings differ, or that no difference was shown.

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
        The two levels compared: ``about 1.9 against 3.3 g/kg DM``.
    plain : float, optional
        The difference without the correction of DM for volatiles, told beside the corrected one.

    Returns
    -------
    str
        A clause that starts with a small letter and has no full stop.
    """
    sure = evidence(finding, level=level)
    if levels:
        sure = f"{levels}; {sure}"
    if plain is not None:
        sure += f"; without the correction for volatiles {quantity(plain, finding.unit)}"
    if not finding.p < alpha:
        who = f"{finding.first} and {finding.second}"
        return f"no difference in {what} between {who} was shown ({sure})"
    if finding.effect == "ratio":
        size = ratio_words(finding.estimate)
    else:
        way = "lower" if finding.estimate < 0 else "higher"
        size = f"{amount(abs(finding.estimate), finding.unit)} {way}"
    return f"{what} was {size} with {finding.first} than with {finding.second} ({sure})"


def evidence(finding: Finding, *, level: str) -> str:
    """Say estimate, interval and p, as they stand in brackets."""
    size = f"{finding.effect} {amount(finding.estimate, finding.unit)}"
    return f"{size}, {_interval_and_p(finding, level=level)}"


def _interval_and_p(finding: Finding, *, level: str) -> str:
    adjusted = f" after adjusting for {finding.family}" if finding.joint else ""
    interval = f"{level} interval {span(finding.low, finding.high, finding.unit)}"
    return f"{interval}{adjusted}, {p_value(finding.p)}"


def adjusted_too(alone: Finding, joint: Finding, *, alpha: float) -> str:
    """Say whether a comparison that stands alone does so among its family as well.

    Parameters
    ----------
    alone, joint : Finding
        The same comparison, by its own interval and by the simultaneous one.
    alpha : float
        Size of the test.
    """
    adjusting = f"adjusting for {joint.family}"
    if not alone.p < alpha:
        return f"Nor is one shown after {adjusting} ({p_value(joint.p)})."
    if joint.p < alpha:
        return f"It stands also after {adjusting} ({p_value(joint.p)})."
    return f"After {adjusting} it is not shown ({p_value(joint.p)})."


def doubt(finding: Finding, paired: float, *, alpha: float) -> str:
    """Say that the paired t of the same contrast has another verdict; empty where it has not.

    Parameters
    ----------
    finding : Finding
        As the model has it.
    paired : float
        p of the paired t; NaN where there is none.
    alpha : float
        Size of the test.
    """
    if math.isnan(paired) or (finding.p < alpha) == (paired < alpha):
        return ""
    shows = "does show it" if paired < alpha else "does not show it"
    return f"The paired t alone {shows} ({p_value(paired)}): not settled."


def change_over_storage(
    growth: Finding,
    average: Finding,
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
    growth, average : Finding
        Of the same bindings.
    what : str
        What was measured.
    first, last : str
        The openings.
    level, alpha
        As in `by_how_much`.
    """
    which = f"the difference in {what} between {growth.first} and {growth.second}"
    if growth.effect == "ratio":
        size = f"the ratio changed by a factor of {quantity(growth.estimate)}"
    else:
        size = f"it moved by {amount(growth.estimate, growth.unit)}"
    sure = _interval_and_p(growth, level=level)
    over = f"from {first} to {last}"
    if not growth.p < alpha:
        return f"That {which} grows with storage was not shown ({over} {size}, {sure})."
    grew = growth.model_scale() * average.model_scale() > 0
    how = "grew" if grew else "shrank or turned"
    return f"{which[0].upper()}{which[1:]} {how} with storage: {over} {size} ({sure})."


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
        A clause that follows on `by_how_much`.
    """
    ratio = finding.effect == "ratio"
    low_edge = 1 / edge if ratio else -edge
    shown = finding.p < alpha
    limit = f"(your limit: {_limit(finding, edge, shown=shown)})"
    inside = low_edge < finding.low and finding.high < edge
    if not shown:
        where = "lies outside the interval" if inside else "is left open"
        return f"one large enough to matter {limit} {where}"
    if inside:
        return f"that is too little to matter {limit}"
    if finding.high <= low_edge or finding.low >= edge:
        return f"that is enough to matter {limit}"
    return f"whether that is enough to matter {limit} is left open"


def _limit(finding: Finding, edge: float, *, shown: bool) -> str:
    """The smallest difference that matters, on the side of one that was shown."""
    if finding.effect != "ratio":
        return amount(edge, finding.unit)
    below, above = f"below {quantity(1 / edge)}", f"above {quantity(edge)}"
    if not shown:
        return f"a ratio {below} or {above}"
    return f"a ratio {below if finding.estimate < 1 else above}"
