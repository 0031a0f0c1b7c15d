"""One finding as one sentence: how large, how sure, what it means for the plan's own limit.

A difference is said only where the interval leaves out no difference; otherwise none was shown,
which is never the same as none being there.
"""

from __future__ import annotations

from silagetrial.report.findings import Finding
from silagetrial.report.phrases import amount, number, p_value, quantity, span

__all__ = ["by_how_much", "change_over_storage", "evidence", "importance"]


def by_how_much(
    finding: Finding, *, what: str, level: str, alpha: float, plain: float | None = None
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
    plain : float, optional
        The difference without the correction of DM for volatiles, told beside the corrected one.

    Returns
    -------
    str
        A clause that starts with a small letter and has no full stop.
    """
    sure = evidence(finding, level=level)
    if plain is not None:
        sure += f"; without the correction for volatiles {quantity(plain, finding.unit)}"
    if not finding.p < alpha:
        who = f"{finding.first} and {finding.second}"
        return f"no difference in {what} between {who} was shown ({sure})"
    if finding.effect == "ratio":
        size = _ratio_in_words(finding.estimate)
    else:
        way = "lower" if finding.estimate < 0 else "higher"
        size = f"{amount(abs(finding.estimate), finding.unit)} {way}"
    return f"{what} was {size} with {finding.first} than with {finding.second} ({sure})"


def _ratio_in_words(ratio: float) -> str:
    """Say a ratio as people do: ``41 % lower``, ``60 % higher``, ``3.2 times as high``."""
    if ratio < 1:
        return f"{100 * (1 - ratio):.0f} % lower"
    if ratio >= 3:
        return f"{number(ratio, digits=2)} times as high"
    return f"{100 * (ratio - 1):.0f} % higher"


def evidence(finding: Finding, *, level: str) -> str:
    """Say estimate, interval and p, as they stand in brackets."""
    kind = f"simultaneous {level} interval" if finding.joint else f"{level} interval"
    adjusted = "adjusted " if finding.joint else ""
    return (
        f"{finding.effect} {amount(finding.estimate, finding.unit)}, {kind} "
        f"{span(finding.low, finding.high, finding.unit)}, {adjusted}{p_value(finding.p)}"
    )


def change_over_storage(
    growth: Finding, average: Finding, *, first: str, last: str, level: str, alpha: float
) -> str:
    """Say whether the difference grew from the first to the last opening compared.

    Parameters
    ----------
    growth, average : Finding
        Of the same bindings.
    first, last : str
        The openings.
    level, alpha
        As in `by_how_much`.
    """
    sure = evidence(growth, level=level)
    over = f"from {first} to {last}"
    if not growth.p < alpha:
        return (
            f"A change of the difference between {growth.first} and {growth.second} with "
            f"storage, {over}, was not shown ({sure})."
        )
    grew = growth.model_scale() * average.model_scale() > 0
    how = "grew" if grew else "shrank or turned"
    if growth.effect == "ratio":
        size = f"the ratio was multiplied by {quantity(growth.estimate)}"
    else:
        size = f"it moved by {amount(growth.estimate, growth.unit)}"
    return (
        f"The difference between {growth.first} and {growth.second} {how} with storage: {over} "
        f"{size} ({sure})."
    )


def importance(finding: Finding, edge: float) -> str:
    """Say where the interval lies against the smallest difference of practical importance.

    Parameters
    ----------
    finding : Finding
    edge : float
        A ratio above 1, or a difference above 0; its inverse or negative counts alike.
    """
    if finding.effect == "ratio":
        low_edge = 1 / edge
        limit = f"a ratio between {quantity(low_edge)} and {quantity(edge)}"
    else:
        low_edge = -edge
        limit = f"a difference of less than {amount(edge, finding.unit)}"
    if low_edge < finding.low and finding.high < edge:
        where = "the whole interval lies inside that: the difference is too small to matter"
    elif finding.high <= low_edge or finding.low >= edge:
        where = "the whole interval lies beyond that: the difference matters"
    else:
        where = (
            "the interval holds differences that matter and differences that do not, so the "
            "trial leaves this open"
        )
    return f"the plan calls {limit} too small to matter; {where}."
