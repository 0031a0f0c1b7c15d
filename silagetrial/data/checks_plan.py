"""Checks of what trial.toml plans beyond the comparison at each opening."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

from silagetrial.data.draft import Draft
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.settings import (
    COVARIATES,
    DIFFERENCE_RESPONSES,
    RESPONSES,
    SLOPE_GROUPINGS,
    AnalysisPlan,
)
from silagetrial.errors import Problem

__all__ = [
    "covariate_names",
    "curve_planned",
    "further_responses",
    "limits",
    "margins",
    "random_slopes",
    "structure",
]

_WITH_KNOTS = ("spline", "broken")

_AFTER_BINDING = {
    "densit": "the binding helps to make the density, so adjusting for it would take out part of "
    "what the binding does",
    "mass": "the mass of a bale depends on how it is bound",
    "damage": "damage to the wrap comes after the binding, and may come from it",
    "hole": "damage to the wrap comes after the binding, and may come from it",
    "butyric": "butyric acid of the crop is mostly below the laboratory's limit or not ordered",
}
"""Part of a covariate's name, and why it is refused."""


def curve_planned(draft: Draft) -> Iterator[Problem]:
    """Check that a curve has the knots it needs, inside the storage, and openings enough."""
    plan, openings = draft.settings.analysis, draft.settings.openings
    fault = _knots_fault(plan, last=max((o.days for o in openings), default=float("inf")))
    if fault is not None:
        found, expected, remedy = fault
        yield draft.setting_problem(
            "analysis", "knots", found=found, expected=expected, remedy=remedy
        )
    elif plan.curve is not None and openings and 1 + len(plan.knots) > len(openings):
        yield draft.setting_problem(
            "analysis",
            "curve",
            found=f"a curve of {1 + len(plan.knots)} coefficients for {len(openings)} openings",
            expected="at least as many openings as coefficients",
            remedy="plan fewer knots or more openings, or leave curve and knots out",
        )


def _knots_fault(plan: AnalysisPlan, *, last: float) -> tuple[str, str, str] | None:
    """Return what is found, expected and to be done about knots; None where they are right."""
    knots = list(plan.knots)
    if plan.curve in _WITH_KNOTS and not knots:
        return (
            f"curve = {plan.curve!r} without knots",
            "knots fixed in advance, as in knots = [60, 150]",
            "add knots = [...], in days, to [analysis]",
        )
    if knots and plan.curve not in _WITH_KNOTS:
        shape = "no curve" if plan.curve is None else f"curve = {plan.curve!r}"
        return (
            f"knots = {knots} with {shape}",
            "knots with a spline or a broken line only",
            "add curve = 'spline' or 'broken', or remove knots",
        )
    inside = all(0 < knot < last for knot in knots)
    if not inside or any(b <= a for a, b in itertools.pairwise(knots)):
        return (
            f"knots = {knots}",
            f"rising days between 0 and the last opening, at {last:g} days",
            "put the knots in order, each between two openings",
        )
    return None


def random_slopes(draft: Draft) -> Iterator[Problem]:
    """Check that random slopes belong to a curve and name groupings of bales."""
    plan = draft.settings.analysis
    if plan.slopes and plan.curve is None:
        yield draft.setting_problem(
            "analysis",
            "slopes",
            found=f"slopes = {list(plan.slopes)} without a curve",
            expected="random slopes with a planned curve only",
            remedy="add curve = 'linear' or another shape, or remove slopes",
        )
    for name in plan.slopes:
        if name not in SLOPE_GROUPINGS:
            yield draft.setting_problem(
                "analysis",
                "slopes",
                found=f"slopes names {name!r}",
                expected=f"names among {', '.join(SLOPE_GROUPINGS)}",
                remedy=did_you_mean(name, SLOPE_GROUPINGS, otherwise="remove it"),
            )


def covariate_names(draft: Draft) -> Iterator[Problem]:
    """Check that covariates are measured before the binding acts."""
    for name in draft.settings.analysis.covariates:
        if name not in COVARIATES:
            yield draft.setting_problem(
                "analysis",
                "covariates",
                found=f"covariates names {name!r}: {_why_not(name)}",
                expected=f"what is measured before the binding acts: {', '.join(COVARIATES)}",
                remedy=did_you_mean(name, COVARIATES, otherwise="remove it, or report it beside"),
            )


def _why_not(name: str) -> str:
    """Return why a response must not be adjusted for this."""
    if name in RESPONSES:
        return "at an opening it is a result of the storage, the binding's part in it included"
    for part, reason in _AFTER_BINDING.items():
        if part in name.lower():
            return reason
    return "it is not known to be measured before the binding acts"


def further_responses(draft: Draft) -> Iterator[Problem]:
    """Check that further responses are known, and not those analysed anyway."""
    for name in draft.settings.analysis.responses:
        always = name in ("butyric_acid", "dm_loss")
        if name in RESPONSES and not always:
            continue
        known = [other for other in RESPONSES if other not in ("butyric_acid", "dm_loss")]
        yield draft.setting_problem(
            "analysis",
            "responses",
            found=f"responses names {name!r}" + (", which is always analysed" if always else ""),
            expected=f"further responses among {', '.join(known)}",
            remedy="remove it" if always else did_you_mean(name, known, otherwise="remove it"),
        )


def limits(draft: Draft) -> Iterator[Problem]:
    """Check that limits are above zero."""
    for name, value in draft.settings.analysis.limits.items():
        if value <= 0:
            yield draft.setting_problem(
                "analysis",
                "limits",
                found=f"limits.{name} = {value:g}",
                expected="a level above 0, in the unit the response is reported in",
                remedy="write the level that matters in practice, as in limits = {dm_loss = 8}",
            )


def margins(draft: Draft) -> Iterator[Problem]:
    """Check that margins leave room: ratios above 1, differences above 0."""
    plan = draft.settings.analysis
    for name, value in plan.margins.items():
        least = 0.0 if name in DIFFERENCE_RESPONSES else 1.0
        if value <= least:
            yield draft.setting_problem(
                "analysis",
                "margins",
                found=f"margins.{name} = {value:g}",
                expected=f"a {'ratio' if least else 'difference'} above {least:g}",
                remedy="write the largest difference that does not matter, as in "
                "margins = {butyric_acid = 1.25, dm_loss = 1.0}",
            )


def structure(draft: Draft) -> Iterator[Problem]:
    """Check that serial correlation is planned where bales are cored again and again."""
    plan = draft.settings.analysis
    if plan.serial and draft.settings.design != "recored":
        yield draft.setting_problem(
            "analysis",
            "serial",
            found="serial = true with bales opened once",
            expected="serial correlation between the cores of one bale",
            remedy="remove it, or correct [design] bales",
        )
    if plan.measurement_error and not plan.serial:
        yield draft.setting_problem(
            "analysis",
            "measurement_error",
            found="measurement_error = true without serial = true",
            expected="a measurement error beside serial correlation only",
            remedy="add serial = true, or remove measurement_error",
        )
