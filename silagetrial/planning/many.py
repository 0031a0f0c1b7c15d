"""Power of many layouts at once: one design for each structure and size, masks for the rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.planning.assumptions import COMPONENTS, components, response_planned
from silagetrial.planning.limits import BelowLimit
from silagetrial.planning.losses import holes, masks
from silagetrial.planning.moments import Moments, moments
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.planned_rows import pairs_of
from silagetrial.planning.planned_test import Effect, Kind, PlannedTest, limit_of, planned_test
from silagetrial.planning.structure import (
    Sized,
    Structure,
    lay_out,
    shares,
    sized,
    structure_from,
    structure_of,
)

__all__ = ["Asked", "Case", "Known", "answers", "asked", "powers"]


@dataclass(frozen=True)
class Case:
    """One layout and what is assumed of it.

    Parameters
    ----------
    plan : Plan
    response : str, optional
        The primary one, when left out.
    pairs : int or tuple of int, optional
        Pairs of each site: as many on each, or one number a site; the plan's, when left out.
    effect : float or tuple of float, optional
        Ratio or difference; the plan's, when left out.
    spread : Spread or array, optional
        The plan's, when left out; an array holds variances in the order of `COMPONENTS`.
    kind : {"difference", "equivalence", "non-inferiority"}, optional
        The plan's claim where it has a margin, else a difference.
    rows : pandas.DataFrame, optional
        Of a layout that was drawn, in place of `pairs`.
    """

    plan: Plan
    response: str | None = None
    pairs: int | tuple[int, ...] | None = None
    effect: Effect = None
    spread: Spread | Floats | None = None
    kind: Kind | None = None
    rows: pd.DataFrame | None = None


@dataclass(frozen=True)
class Asked:
    """A case made ready: its pairs, variances and question; `layout` where it was drawn."""

    plan: Plan
    structure: Structure
    pairs: tuple[int, ...]
    variances: Floats
    question: PlannedTest
    limit: BelowLimit | None
    layout: Sized | None = None

    @property
    def bindings(self) -> tuple[str, str]:
        """First and second binding of the contrast."""
        return bindings_of(self.question)

    @property
    def difference(self) -> float:
        """Difference that the test will see, on the scale of the model."""
        known = self.question.difference
        if known is None:
            raise UsageError(
                found="no effect",
                expected="the effect that the trial should be able to show",
                remedy="add it to the assumptions",
            )
        if self.limit is None or self.plan.aim == "growth":
            return known
        return self.limit.difference


@dataclass(frozen=True)
class Known:
    """What a layout tells about the contrast: a row for each drawn loss, or one.

    Attributes
    ----------
    std_error, df : (K,) arrays
    adjusted : (K,) bool array
    gradient : (K, components) array
        Derivatives of the estimate's variance by the variances assumed.
    """

    std_error: Floats
    df: Floats
    adjusted: Bools
    gradient: Floats


def bindings_of(question: PlannedTest) -> tuple[str, str]:
    """First and second binding of a contrast, from its name."""
    first, second = question.functions.labels["term"].iloc[0].split(" - ")
    return first, second


def asked(case: Case) -> Asked:
    """Read a case against its plan.

    Raises
    ------
    UsageError, NoAnswer
        As in `power`.
    """
    plan = case.plan
    response = response_planned(plan, case.response)
    variances = _variances(plan, response, case.spread)
    layout = None
    if case.rows is None:
        pairs = _checked(plan, pairs_of(plan, case.pairs))
        structure = structure_of(plan, pairs)
    else:
        # The analysis averages the samples of a bale at one opening.
        rows = case.rows.drop_duplicates(["bale", "opening"]).reset_index(drop=True)
        pairs = (rows["pair"].nunique(),)
        structure = structure_from(rows, plan.settings)
        layout = lay_out(structure, rows)
    question = planned_test(plan, structure, response, case.effect, case.kind)
    limit = limit_of(plan, question, variances, bindings_of(question))
    return Asked(plan, structure, pairs, variances, question, limit, layout)


def _checked(plan: Plan, pairs: tuple[int, ...]) -> tuple[int, ...]:
    if len(pairs) != len(plan.sites) or not pairs or min(pairs) < 1:
        raise UsageError(
            found=f"pairs {pairs}",
            expected=f"1 or more on each of {len(plan.sites)} sites",
            remedy="give one number for all sites, or one for each",
        )
    return pairs


def _variances(plan: Plan, response: Response, spread: Spread | Floats | None) -> Floats:
    if isinstance(spread, np.ndarray):
        found = spread
    else:
        assumed = plan.assumptions.get(response.name)
        if spread is None:
            spread = Spread() if assumed is None else assumed.spread
        found = components(spread, response, plan.laboratory)
    own = found[COMPONENTS.index("residual")]
    if plan.settings.design == "separate":
        own = own + found[COMPONENTS.index("bale")]
    if not own > 0:
        inner = "core or laboratory" if plan.settings.design == "recored" else "bale"
        word = "cv" if response.effect == "ratio" else "sd"
        raise UsageError(
            found=f"no variation of {response.label} within a pair",
            expected=f"a spread above 0 between results that are compared ({inner})",
            remedy=f"add {word}_bale, {word}_core or {word}_laboratory to "
            f"[assumptions.{response.name}]",
        )
    return found


def answers(cases: Sequence[Asked], *, largest: int | None = None) -> list[Known]:
    """Evaluate cases, those of one structure and like size together.

    Parameters
    ----------
    cases : sequence of Asked
    largest : int, optional
        Pairs of each site of the one layout whose masks all cases are to be.
    """
    groups: dict[tuple[int, int, bytes], list[int]] = {}
    for i, case in enumerate(cases):
        size = largest or _bucket(case.pairs)
        if case.layout is not None or not shares(case.plan, case.pairs):
            size = -max(case.pairs)
        function = case.question.functions.rows.tobytes()
        groups.setdefault((id(case.structure), size, function), []).append(i)
    out: list[Known | None] = [None] * len(cases)
    for (_, size, _), members in groups.items():
        for i, known in zip(members, _together([cases[i] for i in members], size), strict=True):
            out[i] = known
    return [known for known in out if known is not None]


def _bucket(pairs: tuple[int, ...]) -> int:
    """Size up to which layouts are masks of one: steps of half an octave."""
    size = 8
    while size < max(pairs):
        size = size * 3 // 2 if size & (size - 1) == 0 else size * 4 // 3
    return size


def _together(cases: Sequence[Asked], size: int) -> list[Known]:
    """Evaluate cases that share a design, of so many pairs a site; below 0: of their own."""
    first = cases[0]
    largest = (size,) * len(first.pairs) if size > 0 else None
    layout = first.layout or sized(first.plan, first.pairs, largest)
    rows = layout.inside(first.question.functions)
    found = [
        masks(layout, case.plan, case.pairs) if case.layout is None else holes(layout, case.plan)
        for case in cases
    ]
    counts = [1 if mask is None else len(mask) for mask in found]
    theta = np.repeat([layout.theta(case.variances) for case in cases], counts, axis=0)
    present: Bools | None = None
    if any(mask is not None for mask in found):
        everything = np.ones((1, layout.design.n), dtype=bool)
        present = np.concatenate([everything if mask is None else mask for mask in found])
    every = moments(layout, rows, theta, present)
    ends = np.cumsum([0, *counts])
    return [
        _known(every, slice(a, b), layout, case.variances)
        for case, a, b in zip(cases, ends[:-1], ends[1:], strict=True)
    ]


def _known(every: Moments, part: slice, layout: Sized, variances: Floats) -> Known:
    gradient = every.gradient[part, 0] @ layout.from_components(variances > 0)
    return Known(every.std_error[part, 0], every.df[part, 0], every.adjusted[part], gradient)


def error_of(case: Asked, known: Known) -> Floats:
    """Standard errors with what values below the limit change of them."""
    return known.std_error * (1.0 if case.limit is None else case.limit.widening)


def powers(cases: Sequence[Case]) -> Floats:
    """Power of many layouts.

    Parameters
    ----------
    cases : sequence of Case

    Returns
    -------
    (n,) array
        Means over drawn losses where the plan expects any; NaN where a layout has no answer.
    """
    ready: list[Asked] = []
    at: list[int] = []
    for i, case in enumerate(cases):
        try:
            ready.append(asked(case))
        except NoAnswer:
            continue
        at.append(i)
    out = np.full(len(cases), np.nan)
    known = answers(ready)
    # All at once where tests are alike: the cost is in the calls.
    groups: dict[tuple[object, ...], list[int]] = {}
    for j, each in enumerate(ready):
        question = each.question
        groups.setdefault((question.kind, question.margin, question.alpha), []).append(j)
    for members in groups.values():
        sizes = [len(known[j].df) for j in members]
        error = np.concatenate([error_of(ready[j], known[j]) for j in members])
        df = np.concatenate([known[j].df for j in members])
        difference = np.repeat([ready[j].difference for j in members], sizes)
        value = ready[members[0]].question.power(difference, error, df)
        starts = np.cumsum([0, *sizes[:-1]])
        out[[at[j] for j in members]] = np.add.reduceat(value, starts) / sizes
    return out
