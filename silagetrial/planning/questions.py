"""What simulated trials are asked: the model a layout supports, and the contrasts of it."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import Comparison, growth_weights
from silagetrial.analysis.sensitivity import main_contrast, planned_structure
from silagetrial.analysis.strata import completed
from silagetrial.data.settings import Settings
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Functions
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.frame import model_frame
from silagetrial.planning.structure import structure_from

__all__ = ["Question", "QuestionBook"]


@dataclass(frozen=True)
class Question:
    """One model and the contrasts of it.

    Attributes
    ----------
    design : Design
    rows : (r, p) array
        Contrasts of the orthonormal coefficients; NaN where the model has no such contrast.
    constant : (r,) array
        What a constant added to every value adds to each contrast.
    weights : (r, k) array
        Weight of each opening of the layout in each contrast: what the paired t needs.
    unit : str
        What counts as one replicate of the comparison (`ModelChoice.unit`).
    """

    design: Design
    rows: Floats
    constant: Floats
    weights: Floats
    unit: str


@dataclass(frozen=True)
class QuestionBook:
    """The questions to a layout, by the openings that stay in the model.

    Attributes
    ----------
    rows : pandas.DataFrame
        One row a result, with what `choose_model` looks at and, for serial correlation, ``days``.
    settings : Settings
    bound : {"free", "zero"}
        Whether the variances of intercepts may be negative.
    key : str
        Tells the books of different layouts apart; books with equal keys are equal.
    """

    rows: pd.DataFrame
    settings: Settings
    bound: str = "free"
    key: str = ""

    def __post_init__(self) -> None:
        """Make the key from everything the questions depend on."""
        if not self.key:
            text = f"{self.settings!r} {self.bound} {self.rows.to_csv(index=False)}"
            object.__setattr__(self, "key", hashlib.sha256(text.encode()).hexdigest())

    def __hash__(self) -> int:
        """Hash the key."""
        return hash(self.key)

    def __eq__(self, other: object) -> bool:
        """Compare the keys."""
        return isinstance(other, QuestionBook) and self.key == other.key

    @property
    def openings(self) -> tuple[str, ...]:
        """Openings of the layout, by days."""
        seen = set(self.rows["opening"])
        return tuple(o.name for o in self.settings.openings if o.name in seen)

    @property
    def names(self) -> tuple[str, ...]:
        """Contrasts: the difference at each opening, their average and their growth."""
        several = ("average", "growth") if len(self.openings) > 1 else ()
        return (*(f"at {name}" for name in self.openings), *several)

    def weights(self, kept: tuple[int, ...]) -> Floats:
        """Weight of each opening in each contrast, (r, k), where some openings are left out.

        Zero where the contrast cannot be asked.
        """
        k = len(self.openings)
        out = np.zeros((len(self.names), k))
        here = list(kept)
        out[here, here] = 1.0
        if k > 1 and here:
            out[k, here] = 1.0 / len(here)
        if k > 1 and len(here) > 1:
            days = {o.name: o.days for o in self.settings.openings}
            out[k + 1, here] = growth_weights(np.array([days[self.openings[i]] for i in here]))
        return out

    def question(self, kept: tuple[int, ...]) -> Question | None:
        """Return the model of these openings; None where it has no test of the binding."""
        return _question(self, kept)


@lru_cache(maxsize=256)
def _question(book: QuestionBook, kept: tuple[int, ...]) -> Question | None:
    names = [book.openings[i] for i in kept]
    rows = book.rows[book.rows["opening"].isin(names)].reset_index(drop=True)
    if not len(rows):
        return None
    plan = book.settings.analysis
    if plan.opening not in names:
        plan = replace(plan, opening=None)
    settings = replace(book.settings, analysis=plan)
    try:
        structure = structure_from(rows, settings)
        wanted = structure.comparison
        frame = model_frame(
            completed(rows).assign(y=0.0),
            structure.choice.formula,
            random=structure.choice.random,
            levels=structure.choice.levels,
            bound="zero" if book.bound == "zero" else "free",
            **planned_structure(settings),
        )
    except NoAnswer:
        return None
    design = make_design(frame.x, frame.terms, frame.residual)
    functions = _functions(wanted, settings, book)
    inside = functions[:, frame.kept] @ np.linalg.inv(design.r)
    constant = functions[:, frame.kept] @ design.constant
    return Question(design, inside, constant, book.weights(kept), structure.choice.unit)


def _functions(wanted: Comparison, settings: Settings, book: QuestionBook) -> Floats:
    """All contrasts on the fixed part's columns; NaN where this model has none."""
    main = main_contrast(wanted, settings)
    term = main.labels["term"][0]
    out = np.full((len(book.names), wanted.differences.rows.shape[1]), np.nan)
    for row, opening in zip(wanted.differences.rows, wanted.differences.labels.itertuples(),
                            strict=True):  # fmt: skip
        if opening.term == term:
            out[book.openings.index(str(opening.opening))] = row
    for name, functions in (("average", wanted.average), ("growth", wanted.growth)):
        if functions is not None and name in book.names:
            out[book.names.index(name)] = _of_term(functions, str(term))
    return out


def _of_term(functions: Functions, term: str) -> Floats:
    return np.asarray(functions.where((functions.labels["term"] == term).to_numpy()).rows[0])
