"""Intervals for what a new observation will give, of new units or of units in the data.

A prediction is the fixed part plus the effects of units known, with the variances of what is
new: ``v = v_known + sum_i a_i theta_i``, ``nu = 2 v^2 / (g'W g)``, ``g_i = dv / dtheta_i``.  With
l the row of the fixed part and no unit known, ``v_known = l'Phi l``, Kenward and Roger's Phi in
the standard error; with units known it is the prediction error variance of `prediction_error`.
Without random terms this is the prediction interval of the linear model, exactly.

References
----------
Satterthwaite, F. E. (1946). An approximate distribution of estimates of variance components.
Biometrics Bulletin 2, 110-114.
Francq, B. G., Lin, D. & Hoyer, W. (2019). Confidence, prediction, and tolerance in linear mixed
models. Statistics in Medicine 38, 5603-5622.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.detected import without_negative
from silagetrial.mixed.estimates import kept_rows
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_level, inner_formula
from silagetrial.mixed.known_units import (
    effect_values,
    effects_of,
    known_effects,
    known_terms,
    predicted,
)
from silagetrial.mixed.prediction_error import PredictionErrors, UnitEffect

__all__ = ["predict"]

Of: TypeAlias = Literal["mean", "observation"] | Sequence[str]


def predict(
    fit: Fit,
    rows: pd.DataFrame,
    *,
    of: Of = "observation",
    known: Sequence[str] = (),
    group: str | None = None,
    level: float = 0.95,
) -> Table:
    """Predict the mean, a new observation, or a unit, at given values of the fixed part.

    Parameters
    ----------
    fit : Fit
    rows : pandas.DataFrame
        One row a prediction, with the variables of the fixed part (and of random slopes), and the
        names of units known.
    of : {"mean", "observation"} or sequence of str
        ``"observation"``: one result from a new unit of every random term not known.  A sequence
        names what is new: ``["pair"]`` is a new pair's own mean, without bale and residual;
        ``["pair", "bale", "residual"]`` one result from it.  ``"mean"``: nothing is new; without
        units known the mean over all units, with them the units' own mean.
    known : sequence of str
        Random terms whose units, named in `rows` under their grouping columns, are in the data:
        ``known=["site", "pair"]`` predicts a new bale of an existing pair.  Their effects enter
        as predicted (BLUPs), with their prediction error.
    group : str, optional
        Residual group of the new observation, where residual variances differ.
    level : float
        Confidence level.

    Returns
    -------
    Table
        The rows with ``estimate std_error df conf_low conf_high``; `std_error` is that of the
        difference between what will be seen and the prediction.

    Raises
    ------
    UsageError
        Terms, groups or columns that the model does not have.
    NoAnswer
        Nothing asked for has a variance above zero, the mean meets an empty combination, or a new
        result correlates in time with those of its unit.
    """
    check_level(level)
    known = known_terms(fit, known)
    new = _new_terms(fit, of, known)
    if known or new:
        fit = without_negative(fit)
    _check_columns(fit, rows, [*new, *known])
    kept = kept_rows(fit, fit.frame.fixed_rows(rows))
    shares = _shares(fit, rows, new, group)
    detected, unseen = _detected(fit, shares)
    if new and not (known or detected.any(axis=1).all()):
        raise NoAnswer(
            found=f"no variance detected of {', '.join(unseen)}",
            expected="a variance above zero of at least one thing that is new",
            remedy="ask for a new observation (of='observation'), or for the mean (of='mean')",
        )
    units = known_effects(fit, rows, known)
    spread, df = _spread(fit, kept @ fit.from_orthonormal, detected, units)
    estimate, error = fit.linear(kept) + predicted(fit, units), np.sqrt(spread)
    critical = smallsample.t_quantile(level, df)
    frame = rows.reset_index(drop=True).assign(
        estimate=estimate,
        std_error=error,
        df=df,
        conf_low=estimate - critical * error,
        conf_high=estimate + critical * error,
        unit="",
        scale="model",
    )
    notes = [f"Intervals for {_what(new, known)}; df by Satterthwaite's method."]
    unseen += [t.name for t, there in zip(fit.frame.terms, fit.detected, strict=True)
               if t.name in known and not there]  # fmt: skip
    if unseen:
        notes.append(f"No variance of {', '.join(unseen)} was detected: it counts as zero.")
    return Table(frame, title=f"{100 * level:.3g} % prediction intervals", notes=tuple(notes))


def _what(new: Sequence[str], known: Sequence[str]) -> str:
    """What is predicted, in words."""
    of = f" of the {', '.join(known)} named" if known else " over all units"
    return f"the mean{of}" if not new else f"new {', '.join(new)}{of if known else ''}"


def _new_terms(fit: Fit, of: Of, known: Sequence[str]) -> list[str]:
    """Names of the random terms that are new; ``"residual"`` among them."""
    names = [term.name for term in fit.frame.terms if term.name not in known]
    if of == "mean":
        return []
    if of == "observation":
        return _told_apart(fit, [*names, "residual"], known)
    asked = list(of)
    unknown = [name for name in asked if name not in (*names, "residual")]
    if isinstance(of, str) or unknown or not asked:
        raise UsageError(
            found=f"of={of!r}",
            expected="'mean', 'observation', or a list among " + ", ".join([*names, "residual"]),
            remedy="name what is new",
        )
    return _told_apart(fit, asked, known)


def _told_apart(fit: Fit, new: list[str], known: Sequence[str]) -> list[str]:
    """Refuse a new result of a unit whose results are correlated in time."""
    if known and "residual" in new and fit.frame.residual.unit is not None:
        raise NoAnswer(
            found="a new result of a unit in the data, whose results are serially correlated",
            expected="a result without correlation in time with those that are there",
            remedy="ask for the units' own mean (of='mean'), or fit without serial",
        )
    return new


def _check_columns(fit: Fit, rows: pd.DataFrame, told: Sequence[str]) -> None:
    needed = [*fit.frame.levels, *fit.frame.numbers]
    for term in fit.frame.terms:
        if term.name in told and term.name != term.grouping:
            needed += [str(v) for v in inner_formula(effects_of(term)).required_variables]
    absent = [name for name in dict.fromkeys(needed) if name not in rows]
    if absent:
        raise UsageError(
            found=f"rows without {', '.join(absent)}",
            expected="values of " + ", ".join(dict.fromkeys(needed)),
            remedy="add the columns",
        )
    for name, levels in fit.frame.levels.items():
        strange = sorted(set(rows[name].astype(str)) - set(levels))
        if strange:
            raise UsageError(
                found=f"{name} {', '.join(strange)}, which the data do not have",
                expected=f"{name} among " + ", ".join(levels),
                remedy="correct the level",
            )


def _shares(fit: Fit, rows: pd.DataFrame, new: Sequence[str], group: str | None) -> Floats:
    """Weight of each parameter in the variance of what is new, (rows, m)."""
    out = np.zeros((len(rows), len(fit.parameters)))
    at = 0
    for term in fit.frame.terms:
        after = at + len(term.parameters)
        if term.name in new:
            z = effect_values(term, rows)
            out[:, at:after] = np.einsum("ra,iab,rb->ri", z, term.basis, z)
        at = after
    if "residual" in new:
        own = [i for i, p in enumerate(fit.parameters) if p.name == "measurement error"]
        out[:, [at + _group(fit, group), *own]] = 1.0
    return out


def _group(fit: Fit, group: str | None) -> int:
    names = [name.removeprefix("residual: ") for name in fit.frame.residual.names]
    if len(names) == 1 and group is None:
        return 0
    if len(names) == 1 or group not in names:
        raise UsageError(
            found=f"group={group!r}",
            expected="the residual group of the new observation among " + ", ".join(names)
            if len(names) > 1
            else "no group: there is one residual variance",
            remedy="correct group",
        )
    return names.index(group)


def _detected(fit: Fit, shares: Floats) -> tuple[Floats, list[str]]:
    """Shares without those of variances at or below zero, and the names of these."""
    kinds = np.array([p.kind for p in fit.parameters])
    gone = (kinds == "variance") & (fit.theta <= 0)
    asked = (shares != 0).any(axis=0)
    names = [fit.parameters[i].name for i in np.flatnonzero(gone & asked)]
    return np.where(gone, 0.0, shares), names


def _spread(
    fit: Fit, inside: Floats, shares: Floats, units: Sequence[Sequence[UnitEffect]]
) -> tuple[Floats, Floats]:
    """Variance of prediction with what estimating adds to it, and its degrees of freedom."""
    if not any(units):
        at, unit = fit.fits.evaluation, fit.scale**2
        lp = inside @ at.phi[0]
        slopes = -np.einsum("ra,iab,rb->ri", lp, at.p[0], lp) * unit / fit.units
        plain = (lp * inside).sum(axis=1) * unit
        adjusted = np.einsum("ra,ab,rb->r", inside, fit.adjusted_phi, inside) * unit
    else:
        errors = PredictionErrors(fit)
        found = [errors.of(x, effects) for x, effects in zip(inside, units, strict=True)]
        slopes = np.array([each.slopes for each in found])
        plain, adjusted = (np.array([getattr(e, n) for e in found]) for n in ("plain", "adjusted"))
    own, slopes = shares @ fit.theta, slopes + shares
    wobble = np.einsum("ri,ij,rj->r", slopes, fit.theta_covariance, slopes)
    return np.asarray(adjusted + own), np.asarray(2.0 * (plain + own) ** 2 / wobble)
