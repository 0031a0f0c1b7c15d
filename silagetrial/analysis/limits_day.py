"""The day at which the median bale passes a limit, with every day the data cannot tell from it.

The interval is the set ``{d : |x(d)'b - limit| <= t(df(d)) se(d)}`` of days whose median is not
told from the limit: it may be empty, one-sided or in two pieces, and it never goes beyond the days
of the trial.  With one error stratum and a straight line it is Fieller's interval, which is exact.

References
----------
Fieller, E. C. (1954). Some problems in interval estimation. J. R. Statist. Soc. B 16, 175-185.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize

from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.mixed.covariance import Floats

__all__ = ["Passing", "days_at_limit"]

GRID = 1001
"""Days at which signs are looked at before roots are refined."""

Line = Callable[[Floats], tuple[Floats, Floats, Floats]]
"""Days to estimate and lower and upper pointwise confidence limits, on the model's scale."""


@dataclass(frozen=True)
class Passing:
    """Where a curve passes a limit.

    Attributes
    ----------
    days : tuple of float
        Days at which the estimate is the limit, within the trial.
    pieces : tuple of (float, float)
        Days that are not told from such a day, one or several intervals.
    first, last : float
        The days of the trial.
    begins_above : bool
        Whether the estimate is above the limit on the first day.
    """

    days: tuple[float, ...]
    pieces: tuple[tuple[float, float], ...]
    first: float
    last: float
    begins_above: bool

    @property
    def open_low(self) -> bool:
        """Whether the first day of the trial is not told from the limit: no lower bound."""
        return bool(self.pieces) and self.pieces[0][0] <= self.first

    @property
    def open_high(self) -> bool:
        """Whether the last day of the trial is not told from the limit: no upper bound."""
        return bool(self.pieces) and self.pieces[-1][1] >= self.last

    @property
    def bounds(self) -> tuple[float, float]:
        """Ends of the pieces; NaN where there is no bound in the trial, or no piece."""
        low = self.pieces[0][0] if self.pieces and not self.open_low else np.nan
        high = self.pieces[-1][1] if self.pieces and not self.open_high else np.nan
        return low, high

    @property
    def remark(self) -> str:
        """What the numbers alone do not say."""
        said = []
        if not self.days:
            said.append(say("curve.stays_above" if self.begins_above else "curve.stays_below"))
        if not self.pieces:
            return joined([*said, say("curve.interval_too")], last="semicolon")
        if len(self.days) > 1:
            days = joined([f"{day:.0f}" for day in self.days], last="comma")
            said.append(say("curve.passes", days=days))
        if len(self.pieces) > 1:
            pieces = joined([f"{a:.0f}-{b:.0f}" for a, b in self.pieces], last="comma")
            said.append(say("curve.pieces", pieces=pieces))
        if self.open_low:
            said.append(say("curve.no_low"))
        if self.open_high:
            said.append(say("curve.no_high"))
        return joined(said, last="semicolon")


def days_at_limit(line: Line, limit: float, *, first: float, last: float) -> Passing:
    """Find where a curve passes a limit, and the days not told from that.

    Parameters
    ----------
    line : callable
        (n,) days to (n,) estimates, lower and upper confidence limits.
    limit : float
        On the model's scale.
    first, last : float
        The days of the trial; nothing is said beyond them.

    Returns
    -------
    Passing
    """
    grid = np.linspace(first, last, GRID)
    above = [values - limit for values in line(grid)]

    def roots(which: int) -> list[float]:
        """Days at which one line of the band meets the limit."""

        def at(day: float) -> float:
            """Height of the line over the limit."""
            return float(line(np.array([day]))[which][0] - limit)

        sign = np.sign(above[which])
        turns = np.flatnonzero(sign[:-1] * sign[1:] < 0)
        found = [float(optimize.brentq(at, grid[k], grid[k + 1], xtol=1e-9)) for k in turns]
        return sorted([*found, *(float(day) for day in grid[sign == 0])])

    edges = [first, *sorted({*roots(1), *roots(2)}), last]
    return Passing(
        tuple(roots(0)),
        _inside(line, limit, edges),
        first,
        last,
        bool(above[0][0] > 0),
    )


def _inside(line: Line, limit: float, edges: list[float]) -> tuple[tuple[float, float], ...]:
    """Join the stretches between edges whose middle is not told from the limit."""
    pieces: list[tuple[float, float]] = []
    for low, high in itertools.pairwise(edges):
        if high <= low:
            continue
        _, lower, upper = line(np.array([(low + high) / 2]))
        if not lower[0] <= limit <= upper[0]:
            continue
        if pieces and pieces[-1][1] == low:
            low = pieces.pop()[0]
        pieces.append((low, high))
    return tuple(pieces)
