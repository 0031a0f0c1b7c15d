"""What is assumed about variation, from the user's terms to the variances of the model.

For a response compared by ratios the model is one of logarithms: a coefficient of variation c of a
lognormal variable is a standard deviation ``sqrt(log(1 + c^2))`` of its logarithm (exact).
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from silagetrial.analysis.catalogue import response_of
from silagetrial.analysis.responses import Response
from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.plan import Laboratory, Plan, Spread

__all__ = [
    "COMPONENTS",
    "along_storage",
    "components",
    "effects",
    "from_importance",
    "published_magnitudes",
    "response_planned",
    "total_variance",
]

COMPONENTS = ("site", "site:binding", "run", "pair", "bale", "residual")
"""Sources of variation by the names that the model's terms have."""


def response_planned(plan: Plan, name: str | None = None) -> Response:
    """Return the response a question is about: the one named, or the plan's primary one."""
    return response_of(plan.settings.analysis.primary if name is None else name)


def components(spread: Spread, response: Response, laboratory: Laboratory) -> Floats:
    """Turn a spread into variances on the scale of the model.

    Parameters
    ----------
    spread : Spread
        Coefficients of variation (fractions) of a response compared by ratios, standard
        deviations of one compared by differences.
    response : Response
    laboratory : Laboratory
        Samples of a bale at one opening and analyses of each: both are averaged before logarithms
        are taken.

    Returns
    -------
    (6,) array
        In the order of `COMPONENTS`; the last is the variance of a bale's mean result around the
        bale.

    Notes
    -----
    The mean of S samples with coefficient of variation c has c / sqrt(S); as a logarithm it is
    taken as normal with the matching variance ``log(1 + c^2 / S)`` (Fenton and Wilkinson's
    approximation to a sum of lognormals; exact for S = 1).  Each binding carries half of the
    variance of the difference from site to site.
    """
    for name, value in vars(spread).items():
        if not (value >= 0 and math.isfinite(value)):
            raise UsageError(
                found=f"a spread of {value} for {name}",
                expected="a standard deviation or coefficient of variation, 0 or above",
                remedy=f"correct {name} of {response.name} in the assumptions",
            )
    samples, analyses = laboratory.samples, laboratory.analyses
    core, analysis = spread.core**2, spread.laboratory**2 / analyses
    if response.scale == "log":
        one_sample = (1.0 + core) * (1.0 + analysis) - 1.0
        within = math.log1p(one_sample / samples)
    else:
        within = (core + analysis) / samples
    between = [_variance(value, response) for value in (
        spread.site, spread.effect_between_sites, spread.run, spread.pair, spread.bale
    )]  # fmt: skip
    between[1] /= 2.0
    return np.array([*between, within])


def _variance(value: float, response: Response) -> float:
    return math.log1p(value**2) if response.scale == "log" else value**2


def total_variance(variances: Floats) -> float:
    """Variance of one bale's result among all bales of one binding."""
    return float(variances.sum())


def effects(plan: Plan, response: Response, given: float | tuple[float, ...] | None) -> Floats:
    """Return the effect assumed, on the scale of the model: one value or one an opening.

    Parameters
    ----------
    given : float, tuple of float or None
        Ratio or difference; None: as in the plan, else the smallest difference of practical
        importance.

    Raises
    ------
    UsageError
        Nothing is assumed, or what is assumed is no ratio.
    """
    name = response.name
    assumed = plan.assumptions.get(name)
    values: tuple[float, ...] = ()
    if given is not None:
        values = given if isinstance(given, tuple) else (float(given),)
    elif assumed is not None and assumed.effect:
        values = assumed.effect
    elif name in plan.settings.analysis.important:
        values = (plan.settings.analysis.important[name],)
    word = "ratio" if response.effect == "ratio" else "difference"
    if not values:
        raise UsageError(
            found=f"no {word} assumed of {response.label}",
            expected=f"the {word} that the trial should be able to show",
            remedy=f"add {word} to [assumptions.{name}], or {name} to [analysis.important]",
        )
    count = len(plan.settings.openings)
    if len(values) not in (1, count):
        raise UsageError(
            found=f"{len(values)} values of the {word} of {response.label}",
            expected=f"one, or one for each of {count} openings",
            remedy=f"correct {word} in [assumptions.{name}]",
        )
    array = np.array(values, dtype=float)
    if response.effect == "difference":
        return array
    if not (array > 0).all():
        raise UsageError(
            found=f"the ratio {array.min():g} of {response.label}",
            expected="a ratio above 0, 1 being no difference",
            remedy=f"correct ratio in [assumptions.{name}]",
        )
    return np.asarray(np.log(array))


def from_importance(plan: Plan, response: Response, given: object) -> bool:
    """Tell whether the effect is the difference called important, none being given or assumed."""
    assumed = plan.assumptions.get(response.name)
    return (
        given is None
        and not (assumed is not None and assumed.effect)
        and response.name in plan.settings.analysis.important
    )


def along_storage(plan: Plan, values: Floats) -> Floats:
    """Return what effects are at the openings: one value for all of them, or one an opening.

    Where growth with storage is asked about, one value is the growth itself: the rise from none
    at the first opening to that value at the last, along the line in log(1 + days).

    Parameters
    ----------
    plan : Plan
    values : (1,) or (k,) array
        From `effects`.
    """
    days = np.array([opening.days for opening in plan.settings.openings])
    if plan.aim != "growth" or len(values) > 1 or len(days) < 2:
        return values
    x = np.log1p(days)
    return np.asarray(values[0] * (x - x.min()) / (x.max() - x.min()))


def published_magnitudes() -> Table:
    """Sizes of variation from the literature, with their sources, to start a plan from.

    Returns
    -------
    Table
        ``quantity low high unit source``: what stands as computed or from memory says so.
    """
    rows = [
        ("bale fresh mass, CV", 0.027, 0.027, "fraction",
         "from memory"),
        ("moisture between bales of one lot, hay, SD", 1.4, 1.4, "percentage points",
         "from memory"),
        ("moisture between bales of one lot, wet silage, SD", 0.8, 0.8, "percentage points",
         "from memory"),
        ("DM loss of single bales, SD", 2.0, 4.0, "percentage points",
         "computed: propagation of weighing errors of 1 to 2 kg and DM errors of 5 to 10 g/kg"),
        ("butyric acid of single bales, CV (right-skewed)", 0.5, 1.5, "fraction", "from memory"),
        ("cores that estimate a lot of mid-size bales, one a bale", 12, 12, "bales",
         "Sheaffer et al. 2000, Agronomy Journal"),
        ("cores where variation within 1-t bales exceeds that between", 20, 20, "cores or more",
         "from memory"),
        ("bales a binding and opening in field trials", 4, 12, "bales",
         "common practice"),
    ]  # fmt: skip
    frame = pd.DataFrame(rows, columns=["quantity", "low", "high", "unit", "source"])
    note = (
        "A start for a plan, not a substitute for your own variances: a finished report of a "
        "trial like the one planned is better."
    )
    formats = {"low": "g", "high": "g"}
    return Table(
        frame, title="Sizes of variation from the literature", notes=(note,), formats=formats
    )
