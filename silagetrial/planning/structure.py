"""The model a layout will be analysed by, without its data: design, contrasts, variances.

One model is chosen for each kind of layout, by the function that chooses the analysis's.  Layouts
that differ in their numbers of pairs share it and one design, of which the smaller ones are masks.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from silagetrial.analysis import ModelChoice, choose_model
from silagetrial.analysis.compare import Comparison, comparison
from silagetrial.analysis.sensitivity import main_contrast
from silagetrial.analysis.strata import completed
from silagetrial.data.settings import Settings
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Functions
from silagetrial.mixed.covariance import Bools, Floats, Ints, RandomTerm
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.frame import ModelFrame, model_frame, product_grid
from silagetrial.mixed.grouping import random_intercept
from silagetrial.mixed.likelihood import blank, evaluate
from silagetrial.planning.assumptions import COMPONENTS
from silagetrial.planning.plan import Aim, Plan
from silagetrial.planning.planned_rows import fewest_in_a_cell, planned_rows

__all__ = ["Sized", "Structure", "lay_out", "shares", "sized", "structure_from", "structure_of"]

ENOUGH = 2
"""Pairs in each cell of a layout from which on more pairs change nothing in the model's terms."""


@dataclass(frozen=True, eq=False)
class Structure:
    """A model chosen for a kind of layout.

    Attributes
    ----------
    choice : ModelChoice
    frame : ModelFrame
        Of the smallest layout of this kind.
    comparison : Comparison
        What the analysis will compare.
    settings : Settings
        Without what a layout cannot know.
    rows : pandas.DataFrame
        Of the smallest layout of this kind, completed.
    homes : dict
        Kept answers of `home_of`.
    """

    choice: ModelChoice
    frame: ModelFrame
    comparison: Comparison
    settings: Settings
    rows: pd.DataFrame
    homes: dict[str, Floats] = field(default_factory=dict)

    @cached_property
    def cells(self) -> Floats:
        """The fixed part of every combination of levels, the last factor changing fastest."""
        if not self.frame.levels:
            return np.ones((1, len(self.frame.kept)))
        return self.frame.fixed_rows(product_grid(self.frame.levels))[:, self.frame.kept]

    def x(self, rows: pd.DataFrame) -> Floats:
        """The fixed part of rows that have no numeric variables, (n, p)."""
        at = np.zeros(len(rows), dtype=np.int64)
        for name, levels in self.frame.levels.items():
            codes = pd.Index(levels).get_indexer(pd.Index(rows[name].astype(str)))
            at = at * len(levels) + codes
        return self.cells[at]

    def terms(self, rows: pd.DataFrame) -> tuple[RandomTerm, ...]:
        """The random terms of rows."""
        return tuple(random_intercept(rows, grouping) for grouping in self.choice.random)

    def home_of(self, component: str) -> Floats:
        """Where an assumed variance goes in the model's parameters, (m,).

        A source of variation that the model has no term for adds to those it cannot be told
        from: the restricted likelihood's expected score is zero at ``E_mm^-1 E_mc sigma``, E the
        expected information of the model's parameters m and the source c together.
        """
        if component not in self.homes:
            self.homes[component] = self._home(component)
        return self.homes[component]

    def _home(self, component: str) -> Floats:
        names = [*self.choice.random, "residual"]
        out = np.zeros(len(names))
        alone = component == "bale" and not self.rows["bale"].duplicated().any()
        if component in names or alone:
            out[names.index("residual" if alone else component)] = 1.0
            return out
        columns = component.split(":")
        single = len(self.rows[columns].drop_duplicates()) < 2
        if single or self.rows[columns].isna().any(axis=None):
            return out
        terms = (*self.terms(self.rows), random_intercept(self.rows, component))
        joint = make_design(self.x(self.rows), terms)
        at = [p.name for p in joint.parameters].index(component)
        own = [i for i in range(len(joint.parameters)) if i != at]
        theta = np.ones((1, len(joint.parameters)))
        information = evaluate(joint, theta, blank(joint)).expected[0]
        return np.asarray(np.linalg.solve(information[np.ix_(own, own)], information[own, at]))

    def primary(self, aim: Aim) -> Functions:
        """Return the planned contrast, one function.

        Raises
        ------
        NoAnswer
            Fewer openings than the question takes.
        """
        found = self.primaries[aim]
        if found is None:
            raise NoAnswer(
                found=f"no {aim} over openings: {len(self.comparison.openings)} openings "
                "with every binding",
                expected="one for an average, two for growth with storage",
                remedy="plan more openings, or aim = 'opening'",
            )
        return found

    @cached_property
    def primaries(self) -> dict[Aim, Functions | None]:
        """The planned contrast for each aim; None where the openings are too few."""
        wanted = self.comparison
        at_opening = main_contrast(wanted, self.settings)
        term = at_opening.labels["term"][0]

        def of_term(functions: Functions | None) -> Functions | None:
            """The part of some functions that is about one comparison."""
            if functions is None:
                return None
            return functions.where((functions.labels["term"] == term).to_numpy())

        return {
            "opening": at_opening,
            "average": of_term(wanted.average),
            "growth": of_term(wanted.growth),
        }


@dataclass(frozen=True, eq=False)
class Sized:
    """One layout of a structure, in numbers.

    Attributes
    ----------
    structure : Structure
    design : Design
    site, pair, bale : (n,) int arrays
        Site (and cut) of each row among the plan's, its pair and its bale, numbered from 0.
    """

    structure: Structure
    design: Design
    site: Ints
    pair: Ints
    bale: Ints

    def inside(self, functions: Functions) -> Floats:
        """Functions as contrasts of the design's orthonormal coefficients, (r, p)."""
        kept = functions.rows[:, self.structure.frame.kept]
        return np.asarray(kept @ np.linalg.inv(self.design.r))

    def theta(self, variances: Floats) -> Floats:
        """Model's parameters from the variances assumed, (m,)."""
        return self.from_components(variances > 0) @ variances

    def from_components(self, wanted: Bools) -> Floats:
        """Weights of the variances assumed in the model's parameters, (m, components).

        Parameters
        ----------
        wanted : (components,) bool array
            Those that are not zero.
        """
        out = np.zeros((len(self.design.parameters), len(COMPONENTS)))
        for j in np.flatnonzero(wanted):
            out[:, j] = self.structure.home_of(COMPONENTS[j])
        return out


@dataclass(frozen=True)
class _Kind:
    """What decides a structure; plans of one kind share it."""

    text: str
    plan: Plan = field(compare=False)
    pairs: tuple[int, ...]


def structure_of(plan: Plan, pairs: tuple[int, ...]) -> Structure:
    """Choose the model of a layout, with its comparisons.

    Raises
    ------
    NoAnswer
        The layout has no test of the binding.
    """
    return _structure(_kind(plan, pairs))


def sized(plan: Plan, pairs: tuple[int, ...], largest: tuple[int, ...] | None = None) -> Sized:
    """Lay out a design for `largest` pairs of each site, or for `pairs` alone.

    Parameters
    ----------
    pairs : tuple of int
        Pairs that decide the kind of layout.
    largest : tuple of int, optional
        Pairs of the layout of which the others are masks; not for layouts too small to share.
    """
    kind = _kind(plan, pairs)
    return _sized(kind, pairs if largest is None else largest)


def shares(plan: Plan, pairs: tuple[int, ...]) -> bool:
    """Whether a layout can be a mask of a larger one."""
    return fewest_in_a_cell(plan, pairs) >= ENOUGH


def _kind(plan: Plan, pairs: tuple[int, ...]) -> _Kind:
    settings = plan.settings
    parts = (
        settings.design, settings.compare, settings.reference, settings.openings,
        settings.analysis, [(site.name, site.cut) for site in plan.sites], plan.factors,
        plan.switch_every,
    )  # fmt: skip
    least = pairs
    if shares(plan, pairs):
        least = tuple([ENOUGH * _cells(plan)] * len(pairs))
    return _Kind(repr(parts), plan, least)


def _cells(plan: Plan) -> int:
    return 10_000 // max(1, fewest_in_a_cell(plan, (10_000,)))


@lru_cache(maxsize=256)
def _structure(kind: _Kind) -> Structure:
    return structure_from(planned_rows(kind.plan, kind.pairs), kind.plan.settings)


def structure_from(rows: pd.DataFrame, settings: Settings) -> Structure:
    """Choose the model of given rows, with its comparisons."""
    known = tuple(settings.analysis.factors)
    settings = replace(
        settings,
        analysis=replace(
            settings.analysis,
            covariates=(),
            factors=tuple(name for name in known if name in rows),
            blocks=tuple(name for name in settings.analysis.blocks if name in rows),
        ),
    )
    choice = choose_model(rows, settings)
    if choice.refusal is not None:
        raise choice.refusal
    rows = completed(rows)
    frame = model_frame(rows.assign(y=0.0), choice.formula, levels=choice.levels)
    wanted = comparison(
        frame, settings, openings=choice.levels["opening"], refused=choice.confounded
    )
    return Structure(choice, frame, wanted, settings, rows)


@lru_cache(maxsize=256)
def _sized(kind: _Kind, pairs: tuple[int, ...]) -> Sized:
    structure = _structure(kind)
    return lay_out(structure, planned_rows(kind.plan, pairs))


def lay_out(structure: Structure, rows: pd.DataFrame) -> Sized:
    """Make the design of rows by a structure's model.

    Parameters
    ----------
    structure : Structure
    rows : pandas.DataFrame
        From `planned_rows`, or of a layout drawn.
    """
    rows = completed(rows)
    return Sized(
        structure,
        make_design(structure.x(rows), structure.terms(rows)),
        pd.factorize(rows["lot"])[0].astype(np.int64),
        pd.factorize(rows["pair"])[0].astype(np.int64),
        pd.factorize(rows["bale"])[0].astype(np.int64),
    )
