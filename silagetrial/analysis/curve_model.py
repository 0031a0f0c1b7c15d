"""The model of a planned curve: the design's terms with a curve in the place of the openings.

What is known at day 0 decides the fixed part:

- nothing (acids): every binding has an intercept and a curve of its own;
- zero (DM loss): no intercept and no main effect; bindings, sites and further factors all enter
  as multiples of curve columns, which are 0 at day 0;
- measured (pH, DM, water-soluble carbohydrates): one intercept common to bindings, which are equal
  before they act; the crop's samples are rows of their own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.curves import Curve
from silagetrial.analysis.day0 import baseline_rows, covariate_columns
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.responses import Response
from silagetrial.data.settings import COVARIATES
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, fit_mixed
from silagetrial.mixed.checks import check_groups, inseparable
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import make_design
from silagetrial.mixed.frame import ModelFrame, model_frame

__all__ = ["CurveModel", "curve_model", "fit_curve", "fixed_part", "left_over", "with_extra"]

RandomPart: TypeAlias = "str | Mapping[str, str]"

STORED = "stored"
"""Column: 1 for silage, 0 for the crop at day 0."""
STAGE = "stage"
"""Column: ``crop`` or ``silage``; each has a residual variance of its own."""
SLOPE = "slope"
"""Column: the curve's first column, in units of 30 days where it is days."""
_OF_OPENINGS = ("binding", "opening", "binding:opening")
_AFTER_DAY0 = ("binding", "opening", "run", "bale")


@dataclass(frozen=True)
class CurveModel:
    """Everything needed to fit a planned curve.

    Attributes
    ----------
    curve : Curve
    response : Response
    rows : pandas.DataFrame
        Rows of silage, and of the crop where it is measured, with the curve's columns and those
        of `extra`.
    fixed : tuple of str
        Terms of the fixed part.
    random : tuple
        Random terms, slopes included.
    residual_by : str or None
    levels : dict of str to tuple of str
    extra : tuple of str
        Columns of the opening as a factor that the curve does not hold: lack of fit.
    notes : tuple of str
    """

    curve: Curve
    response: Response
    rows: pd.DataFrame
    fixed: tuple[str, ...]
    random: tuple[RandomPart, ...]
    residual_by: str | None
    levels: dict[str, tuple[str, ...]]
    extra: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def formula(self) -> str:
        """The fixed part as a formula."""
        return "y ~ " + " + ".join(self.fixed)

    @property
    def first_day(self) -> float:
        """First day the curve speaks of: 0 where that is known, else the first day sampled."""
        return float(self.rows["days"].min()) if self.response.at_day0 == "unknown" else 0.0

    @property
    def last_day(self) -> float:
        """Last day at which a bale was sampled."""
        return float(self.rows["days"].max())


def fixed_part(kept: Sequence[str], curve: Curve, response: Response) -> tuple[str, ...]:
    """Terms of the fixed part: the design's other terms, and the curve in place of openings.

    Parameters
    ----------
    kept : sequence of str
        Fixed terms that the design supports.
    """
    columns, first = curve.columns, curve.columns[0]
    by_binding = [f"binding:{column}" for column in columns]
    others = [term for term in kept if term not in _OF_OPENINGS]
    if response.at_day0 == "unknown":
        return ("binding", *columns, *by_binding, *others)
    if response.at_day0 == "zero":
        return ("0", *by_binding, *(f"{term}:{first}" for term in others))
    level = [term for term in others if "binding" not in term.split(":")]
    return ("1", *by_binding, *level, *(f"{term}:{first}" for term in others))


def left_over(curve: Curve, days: Floats, *, intercept: bool) -> Floats:
    """Weights over openings that the curve does not hold, (openings, weights).

    An orthonormal basis of what is left of the openings as a factor beside the curve at their
    planned days; no column where the curve has as many coefficients as there are openings.
    """
    held = curve.basis(days)
    if intercept:
        held = np.column_stack([np.ones(len(held)), held])
    left, singular, _ = np.linalg.svd(held / np.abs(held).max(axis=0))
    rank = int((singular > 1e-9 * singular[0]).sum())
    return np.asarray(left[:, rank:])


def curve_model(
    trial: Trial, response: Response, rows: pd.DataFrame, choice: ModelChoice, curve: Curve
) -> CurveModel:
    """Lay out the model of a planned curve.

    Parameters
    ----------
    rows : pandas.DataFrame
        The rows modelled, from `completed`.
    choice : ModelChoice
        What the design supports with openings as a factor.

    Raises
    ------
    NoAnswer
        More coefficients than openings.
    """
    rows = rows[~rows["opening"].isin(list(choice.confounded))]
    openings = tuple(name for name in choice.levels["opening"] if (rows["opening"] == name).any())
    needed = len(curve.columns) + (response.at_day0 == "unknown")
    if len(openings) < needed:
        raise NoAnswer(
            found=say(
                "curve.few_openings", number=len(openings), label=response.label, needed=needed
            ),
            expected=say("curve.few_openings_expected", needed=needed),
            remedy=say("curve.few_openings_remedy"),
        )
    terms = choice.terms.frame.query("part == 'fixed' and kept")["term"].tolist()
    terms, notes = _without_itself(terms, response)
    rows = rows.assign(stored=1.0, stage="silage")
    if response.at_day0 == "measured":
        crop = baseline_rows(trial, response, rows, keep=tuple(terms))
        if not len(crop):
            raise NoAnswer(
                found=say("curve.no_crop", label=response.label),
                expected=say("curve.no_crop_expected"),
                remedy=say("curve.no_crop_remedy"),
            )
        rows = pd.concat([rows, crop.assign(stored=0.0, stage="crop")], ignore_index=True)
        notes.append(_baseline_note(crop))
    rows = _with_columns(covariate_columns(trial, rows), curve)
    rows, names = with_extra(rows, curve, intercept=response.at_day0 == "unknown")
    fixed = fixed_part(terms, curve, response)
    levels = {name: found for name, found in choice.levels.items() if name != "opening"}
    model = CurveModel(curve, response, rows, fixed, (), None, levels, names, ())
    random, remarks = _random_part(model, choice.random, trial.settings.analysis.slopes)
    by, remark = _residual_groups(model, random)
    return CurveModel(
        curve, response, rows, fixed, random, by, levels, names, (*notes, *remarks, *remark)
    )


def fit_curve(model: CurveModel, *, extra: bool = False) -> Fit:
    """Fit the curve; with `extra`, the openings as a factor beside it."""
    more = [f"binding:{name}" for name in model.extra] if extra else []
    return fit_mixed(
        model.rows,
        "y ~ " + " + ".join([*model.fixed, *more]),
        random=model.random,
        residual_by=model.residual_by,
        levels=model.levels,
    )


def _without_itself(terms: list[str], response: Response) -> tuple[list[str], list[str]]:
    """Leave out a covariate that is the response's own value at day 0."""
    own = next((name for name, column in COVARIATES.items() if column == response.name), None)
    if own is None or response.at_day0 != "measured" or own not in terms:
        return terms, []
    note = say("curve.baseline", covariate=own, label=response.label)
    return [term for term in terms if own not in term.split(":")], [note]


def _baseline_note(crop: pd.DataFrame) -> str:
    return say("curve.baseline_samples", number=len(crop))


def _with_columns(rows: pd.DataFrame, curve: Curve) -> pd.DataFrame:
    """Add the curve at the actual days, never the planned ones."""
    basis = curve.basis(rows["days"].to_numpy(dtype=float))
    named = {name: basis[:, k] for k, name in enumerate(curve.columns)}
    return rows.assign(**named, **{SLOPE: basis[:, 0] / (1.0 if curve.shape == "log" else 30.0)})


def with_extra(
    rows: pd.DataFrame, curve: Curve, *, intercept: bool
) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Add what the openings as a factor hold beyond the curve, 0 in rows of day 0.

    Only openings with values of every binding count: what is left of the others would be told by
    the few days between their bales.
    """
    silage = rows[rows[STORED] == 1.0]
    bindings = silage.groupby("planned_days")["binding"].nunique()
    days = bindings.index[bindings == silage["binding"].nunique()].to_numpy(dtype=float)
    weights = left_over(curve, days, intercept=intercept) if len(days) else np.zeros((0, 0))
    names = tuple(f"extra_{k + 1}" for k in range(weights.shape[1]))
    by_day = pd.DataFrame(weights, index=days, columns=list(names))
    planned = rows["planned_days"].where(rows[STORED] == 1.0)
    own = by_day.reindex(planned).fillna(0.0)
    return rows.assign(**{name: own[name].to_numpy() for name in names}), names


def _random_part(
    model: CurveModel, groupings: Sequence[str], slopes: Sequence[str]
) -> tuple[tuple[RandomPart, ...], list[str]]:
    """Random terms of the design, with the slopes planned where the design can tell them."""
    measured = model.response.at_day0 == "measured"
    late = [g for g in groupings if measured and set(g.split(":")) & set(_AFTER_DAY0)]
    found: list[RandomPart] = [{g: f"0 + {STORED}"} if g in late else g for g in groupings]
    notes = [say("curve.no_slopes", grouping=name) for name in slopes if name not in groupings]
    for k, grouping in enumerate(groupings):
        if grouping not in slopes:
            continue
        inner = f"0 + {STORED} + {SLOPE}" if grouping in late else f"1 + {SLOPE}"
        trial: list[RandomPart] = [*found[:k], {grouping: inner}, *found[k + 1 :]]
        why = _not_told(model, trial)
        if why is None:
            found = trial
        else:
            notes.append(say("curve.no_slopes_why", grouping=grouping, why=why))
    return tuple(found), notes


def _frame(model: CurveModel, random: Sequence[RandomPart], by: str | None) -> ModelFrame:
    return model_frame(
        model.rows.assign(y=0.0),
        model.formula,
        random=random,
        residual_by=by,
        levels=model.levels,
    )


def _not_told(model: CurveModel, random: Sequence[RandomPart]) -> str | None:
    """Why a design cannot tell random terms apart; None where it can."""
    frame = _frame(model, random, None)
    if len(frame.y) <= frame.x.shape[1]:
        return say("terms.no_df")
    mixed_up = inseparable(make_design(frame.x, frame.terms, frame.residual))
    return None if mixed_up is None else say("curve.not_apart", names=joined(mixed_up.names))


def _residual_groups(
    model: CurveModel, random: Sequence[RandomPart]
) -> tuple[str | None, tuple[str, ...]]:
    """Give crop and silage a residual variance each where the design can tell both."""
    if model.response.at_day0 != "measured":
        return None, ()
    frame = _frame(model, random, STAGE)
    try:
        check_groups(frame)
    except NoAnswer as refusal:
        return None, (say("curve.one_residual", why=refusal.found),)
    mixed_up = inseparable(make_design(frame.x, frame.terms, frame.residual))
    if mixed_up is not None:
        why = say("curve.not_apart", names=joined(mixed_up.names))
        return None, (say("curve.one_residual", why=why),)
    return STAGE, (say("curve.two_residuals"),)
