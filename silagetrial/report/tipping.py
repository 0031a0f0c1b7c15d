"""How bad lost bales must have been to turn what is said of a comparison.

The mean of a binding moves by its share lost times delta, by which its lost bales were worse than
the others, so the comparison moves by the difference of the two shares times delta; its standard
error stays as it is. Each verdict is where an interval lies against its edges: none, the limit that
matters, the margin of a claim. The smallest delta that turns one of them is the tipping point.

References
----------
Yan, X., Lee, S. & Li, N. (2009). Missing data handling methods in medical device clinical trials.
Journal of Biopharmaceutical Statistics 19, 1085-1098: tipping points (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from silagetrial.report.claims import Claimed
from silagetrial.report.findings import Finding

__all__ = ["tipping_point"]


@dataclass(frozen=True)
class _Verdict:
    """An interval and the edges it is told by, on the scale of the model."""

    name: str
    low: float
    high: float
    edges: tuple[float, ...]

    def turns_at(self, more: float) -> list[float]:
        """Return every delta that brings an end of the interval to an edge."""
        each = ((edge - end) / more for edge in self.edges for end in (self.low, self.high))
        return [delta for delta in each if delta > 0 and math.isfinite(delta)]

    def after(self, shift: float) -> object:
        """Return what is told of the interval moved by a shift."""
        low, high = self.low + shift, self.high + shift
        inside = min(self.edges) < low and high < max(self.edges)
        if self.name == "margin":
            return inside
        return inside, high <= min(self.edges), low >= max(self.edges)


def tipping_point(
    finding: Finding,
    more: float,
    *,
    important: float | None = None,
    claim: Claimed | None = None,
) -> tuple[float, str]:
    """Return by how much worse than the others lost bales must be to turn a verdict, and which.

    Parameters
    ----------
    finding : Finding
        At one opening; a difference is shown where its interval leaves out none.
    more : float
        Share of the first binding's bales lost minus that of the second's.
    important : float, optional
        The smallest difference that matters: a ratio above 1, or a difference above 0.
    claim : Claimed, optional
        The interval and margin of the claim planned.

    Returns
    -------
    delta : float
        On the scale of the model (the logarithm of a ratio), above 0; infinite where no lost
        bale that is worse than the others turns a verdict.
    verdict : {"none", "important", "margin", ""}
        The first that turns.
    """
    if more == 0:
        return math.inf, ""
    verdicts = _verdicts(finding, important, claim)
    points = sorted({delta for verdict in verdicts for delta in verdict.turns_at(more)})
    # Between two points nothing changes, so that any place there tells what came at the first.
    for here, following in zip(points, [*points, math.inf][1:], strict=True):
        beyond = (here + following) / 2 if math.isfinite(following) else 2 * here
        for verdict in verdicts:
            if verdict.after(more * beyond) != verdict.after(0.0):
                return here, verdict.name
    return math.inf, ""


def _verdicts(
    finding: Finding, important: float | None, claim: Claimed | None
) -> Sequence[_Verdict]:
    ratio = finding.effect == "ratio"

    def scaled(*values: float) -> list[float]:
        """Values on the scale of the model."""
        return [_log(value) if ratio else value for value in values]

    low, high = scaled(finding.low, finding.high)
    found = [_Verdict("none", low, high, (0.0,))]
    if important is not None:
        (edge,) = scaled(important)
        found.append(_Verdict("important", low, high, (-edge, edge)))
    if claim is not None:
        low, high, below, above = scaled(claim.low, claim.high, claim.below, claim.above)
        found.append(_Verdict("margin", low, high, (below, above)))
    return found


def _log(value: float) -> float:
    return math.log(value) if value > 0 else -math.inf
