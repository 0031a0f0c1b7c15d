"""Equivalence and non-inferiority: whether a difference is small enough not to matter.

Equivalence by two one-sided tests of 5 % each, which is the 90 % interval lying inside the margins;
non-inferiority by one one-sided test of 2.5 %, which is one end of the 95 % interval.  Margins of
ratios are taken on the log.

References
----------
Schuirmann, D. J. (1987). A comparison of the two one-sided tests procedure and the power approach
for assessing the equivalence of average bioavailability. J. Pharmacokin. Biopharm. 15, 657-680.
Berger, R. L. & Hsu, J. C. (1996). Bioequivalence trials, intersection-union tests and equivalence
confidence sets. Statistical Science 11, 283-319: all of several needs no adjustment.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.estimates import contrasts, holm
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_choice, check_level
from silagetrial.mixed.functions import Functions
from silagetrial.mixed.smallsample import Method, t_quantile

__all__ = ["equivalence", "non_inferiority"]

Worse: TypeAlias = Literal["higher", "lower"]


def equivalence(
    fit: Fit,
    functions: Functions | npt.ArrayLike,
    *,
    margin: float | tuple[float, float],
    ratio: bool = False,
    level: float = 0.95,
    method: Method = "kenward-roger",
    names: Sequence[str] | None = None,
) -> Table:
    """Test whether differences lie within margins.

    Parameters
    ----------
    fit : Fit
    functions : Functions or (r, columns) array
    margin : float or pair of floats
        Largest difference that does not matter, either way, or its lower and upper limit.
    ratio : bool
        The response is a log and the margin a ratio: 1.25 stands for 1/1.25 to 1.25.
    level : float
        0.95 gives tests of 5 % on each side and the 90 % interval.
    method : {"kenward-roger", "satterthwaite"}
    names : sequence of str, optional
        Terms, when plain weights are given.

    Returns
    -------
    Table
        The one vocabulary, `p_value` being the larger of the two one-sided ones (``p_lower
        p_upper``) and `conf_low`, `conf_high` the 90 % interval, with the margins, Holm's p for
        claims about some of several, and the verdict in words.
    """
    check_level(level)
    low, high = _margins(margin, ratio=ratio)
    alpha = 1.0 - level
    frame = contrasts(fit, functions, names=names, method=method).frame
    estimate, error, df = (frame[c].to_numpy(dtype=float) for c in ("estimate", "std_error", "df"))
    p_lower, p_upper = one_sided_p(estimate, error, df, low, high)
    p = np.maximum(p_lower, p_upper)
    half = t_quantile(1.0 - 2.0 * alpha, df) * error
    bottom, top = estimate - half, estimate + half
    verdict = [
        _equivalent(*ends, low, high, own < alpha)
        for ends, own in zip(zip(bottom, top, strict=True), p, strict=True)
    ]
    frame = frame.drop(columns=["statistic"]).assign(
        p_value=p, p_lower=p_lower, p_upper=p_upper, conf_low=bottom, conf_high=top
    )
    frame = frame.assign(margin_low=low, margin_high=high)
    notes = [f"Two one-sided tests of {alpha:.3g} each; {100 * (1 - 2 * alpha):.3g} % intervals."]
    if len(frame) > 1:
        frame = frame.assign(p_adjusted=holm(p))
        shown = "is shown" if (p < alpha).all() else "is not shown"
        notes.append(
            f"That all {len(frame)} are equivalent {shown} and needs no adjustment; a claim about "
            "any of them needs p adjusted (Holm)."
        )
    return _finished(frame.assign(verdict=verdict), "Equivalence", notes, ratio=ratio)


def non_inferiority(
    fit: Fit,
    functions: Functions | npt.ArrayLike,
    *,
    margin: float,
    worse: Worse,
    ratio: bool = False,
    level: float = 0.95,
    method: Method = "kenward-roger",
    names: Sequence[str] | None = None,
) -> Table:
    """Test whether differences are not worse by more than a margin.

    Parameters
    ----------
    margin : float
        Largest deterioration that does not matter, above zero (a ratio above 1).
    worse : {"higher", "lower"}
        Direction in which the response gets worse.
    level : float
        0.95 gives a one-sided test of 2.5 % and the 95 % interval.

    Returns
    -------
    Table
        The one vocabulary with the one-sided `p_value`, the margin and the verdict in words.
    """
    check_level(level)
    check_choice("worse", worse, ("higher", "lower"))
    low, high = _margins(margin, ratio=ratio)
    alpha = (1.0 - level) / 2.0
    table = contrasts(fit, functions, names=names, method=method, level=level)
    frame = table.frame
    estimate, error, df = (frame[c].to_numpy(dtype=float) for c in ("estimate", "std_error", "df"))
    limit = high if worse == "higher" else low
    p_lower, p_upper = one_sided_p(estimate, error, df, low, high)
    p = p_upper if worse == "higher" else p_lower
    far = frame["conf_low"] >= limit if worse == "higher" else frame["conf_high"] <= limit
    verdict = [_not_worse(own < alpha, beyond) for own, beyond in zip(p, far, strict=True)]
    frame = frame.assign(statistic=(estimate - limit) / error, p_value=p, margin=limit)
    notes = [f"One-sided tests of {alpha:.3g}; {100 * level:.3g} % intervals; worse is {worse}."]
    if len(frame) > 1:
        frame = frame.assign(p_adjusted=holm(p))
        notes.append("A claim about all needs no adjustment; about any of them, p adjusted (Holm).")
    return _finished(frame.assign(verdict=verdict), "Non-inferiority", notes, ratio=ratio)


def one_sided_p(
    estimate: Floats, error: Floats, df: Floats, low: float, high: float
) -> tuple[Floats, Floats]:
    """P values against being at or below the lower, and at or above the upper margin."""
    return _upper_tail((estimate - low) / error, df), _upper_tail((high - estimate) / error, df)


def _upper_tail(t: Floats, df: Floats) -> Floats:
    """Area of Student's t above; infinite degrees of freedom give the normal's."""
    finite = np.isfinite(df)
    tail = special.stdtr(np.where(finite, df, 1.0), -t)
    return np.asarray(np.where(finite, tail, special.ndtr(-t)))


def _margins(margin: float | tuple[float, float], *, ratio: bool) -> tuple[float, float]:
    """Lower and upper margin on the model's scale."""
    none = 1.0 if ratio else 0.0
    if isinstance(margin, tuple):
        low, high = float(margin[0]), float(margin[1])
    else:
        high = float(margin)
        low = (1.0 / high if high > 0 else np.nan) if ratio else -high
    if not (low < none < high and np.isfinite([low, high]).all() and (low > 0 or not ratio)):
        raise UsageError(
            found=f"margin={margin!r}",
            expected="a ratio above 1, or limits below and above 1"
            if ratio
            else "a difference above 0, or limits below and above 0",
            remedy="give the largest difference that does not matter",
        )
    return (float(np.log(low)), float(np.log(high))) if ratio else (low, high)


def _equivalent(bottom: float, top: float, low: float, high: float, shown: bool) -> str:
    """What an interval says beside its margins."""
    if shown:
        return "equivalent"
    if bottom >= high or top <= low:
        return "not equivalent: beyond the margin"
    past = " and ".join(
        side for side, over in (("lower", bottom <= low), ("upper", top >= high)) if over
    )
    return f"equivalence not shown: the interval reaches past the {past} margin"


def _not_worse(shown: bool, beyond: bool) -> str:
    if shown:
        return "not worse by more than the margin"
    if beyond:
        return "worse by more than the margin"
    return "not shown: the interval reaches past the margin"


def _finished(frame: pd.DataFrame, title: str, notes: Sequence[str], *, ratio: bool) -> Table:
    """Ratios in place of differences of logs, their tests untouched."""
    if ratio:
        shown = ("estimate", "conf_low", "conf_high", "margin", "margin_low", "margin_high")
        turned = {c: np.exp(frame[c]) for c in shown if c in frame}
        frame = frame.assign(**turned, unit="ratio", scale="ratio; std_error on the log")
    return Table(frame, title=title, notes=tuple(notes))
