r"""Planned curves over storage: numeric columns that are 0 at day 0, the first a line.

============  ==========================================================================
``linear``    ``d``
``log``       ``log(1 + d)``
``spline``    ``d`` and, for each knot fixed in advance, the natural cubic spline's
              ``d_k(d) - d_{K-1}(d)``
``broken``    ``d`` and, for each knot, ``max(0, d - knot)``
============  ==========================================================================

The natural cubic spline through knots ``x_1 < ... < x_K`` (``x_1 = 0`` and ``x_K``, the last
planned opening, are its boundary knots) is spanned by 1, d and

.. math:: N_{k+2}(d) = D_k(d) - D_{K-1}(d), \qquad
          D_k(d) = \frac{(d - x_k)_+^3 - (d - x_K)_+^3}{x_K - x_k}, \quad k = 1 .. K - 2.

Every column is 0 at day 0, so that a curve without intercept passes through 0 there.

References
----------
Hastie, T., Tibshirani, R. & Friedman, J. (2009). The Elements of Statistical Learning, 2nd ed.,
equations 5.4 and 5.5. Springer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from silagetrial.data.settings import CurveShape, Settings
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.mixed.covariance import Floats

__all__ = ["Curve", "broken_line", "natural_spline", "planned_curve"]


def natural_spline(days: npt.ArrayLike, knots: Sequence[float], *, last: float) -> Floats:
    """Columns of the natural cubic spline that are 0 at day 0.

    Parameters
    ----------
    days : (n,) array_like
        Days in storage, from 0.
    knots : sequence of float
        Inner knots, days.
    last : float
        Outer knot, days; the other outer knot is day 0.  Straight beyond.

    Returns
    -------
    (n, len(knots) + 1) array
        ``d`` in days, then cubic columns in units of the outer knot: ``N / last**2``.
    """
    d = np.asarray(days, dtype=float)
    x = np.array([0.0, *knots, last])

    def scaled(k: int) -> Floats:
        """Truncated cubes of one knot against the last."""
        cubes = np.maximum(d - x[k], 0.0) ** 3 - np.maximum(d - last, 0.0) ** 3
        return np.asarray(cubes / (last - x[k]) / last**2)

    base = scaled(len(x) - 2)
    return np.column_stack([d, *(scaled(k) - base for k in range(len(x) - 2))])


def broken_line(days: npt.ArrayLike, knots: Sequence[float]) -> Floats:
    """``d`` and ``max(0, d - knot)`` for each knot, (n, len(knots) + 1), in days."""
    d = np.asarray(days, dtype=float)
    return np.column_stack([d, *(np.maximum(d - knot, 0.0) for knot in knots)])


@dataclass(frozen=True)
class Curve:
    """A curve planned before the data were seen.

    Attributes
    ----------
    shape : {"linear", "log", "spline", "broken"}
    knots : tuple of float
        Inner knots of a spline or broken line, days.
    last : float
        Last planned opening, days: the outer knot of a spline.
    """

    shape: CurveShape
    knots: tuple[float, ...]
    last: float

    @property
    def columns(self) -> tuple[str, ...]:
        """Names of the numeric columns in a data frame and its formula."""
        return tuple(f"curve_{k + 1}" for k in range(1 + len(self.knots)))

    def basis(self, days: npt.ArrayLike) -> Floats:
        """Columns at some days, (n, columns): all 0 at day 0."""
        d = np.atleast_1d(np.asarray(days, dtype=float))
        if self.shape == "log":
            return np.asarray(np.log1p(d)[:, None])
        if self.shape == "spline":
            return natural_spline(d, self.knots, last=self.last)
        return broken_line(d, self.knots)

    @property
    def in_words(self) -> str:
        """What the curve is, for a reader."""
        if self.shape in ("linear", "log"):
            return say("curve.log" if self.shape == "log" else "curve.days")
        knots = joined([f"{knot:g}" for knot in self.knots], last="comma")
        if self.shape == "broken":
            return say("curve.broken", knots=knots)
        return say("curve.spline", knots=knots, last=f"{self.last:g}")

    @property
    def straight(self) -> bool:
        """Whether one rate per day holds for the whole storage."""
        return self.shape == "linear"


def planned_curve(settings: Settings) -> Curve | None:
    """Return the curve that trial.toml plans, None where it plans none."""
    plan = settings.analysis
    if plan.curve is None:
        return None
    last = max(opening.days for opening in settings.openings)
    return Curve(plan.curve, tuple(float(knot) for knot in plan.knots), last)
