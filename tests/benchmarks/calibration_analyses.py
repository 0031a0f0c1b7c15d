"""All the tests and intervals that are calibrated, of each simulated trial at once.

One fit with free variances and one with variances held at zero or above serve all rules; a column
of the outcome is one rule's answer to one question, named ``rule: question``.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
from benchmarks.calibration_designs import CalibrationDesign
from scipy import stats
from scipy.stats import qmc

from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.equivalence import one_sided_p
from silagetrial.mixed.multivariate_t import adjusted_p
from silagetrial.mixed.smallsample import (
    contrast_df,
    f_tail,
    kenward_roger_covariance,
    kenward_roger_f,
    t_tail,
    theta_covariance,
)
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.draws import Drawn
from silagetrial.planning.from_plan import scenario_of, truth_of
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.outcomes import Outcome
from silagetrial.planning.questions import Question, QuestionBook
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.structure import structure_from
from silagetrial.planning.trial_analyses import FittedTrials, PairedTAnalysis, fit_trials

__all__ = [
    "F_TESTS",
    "ROUGH",
    "RULES",
    "CalibrationBook",
    "EveryTest",
    "held_at_zero",
    "rough_p",
    "scenario",
]

RULES = (
    "Kenward-Roger", "Satterthwaite", "held at zero, Kenward-Roger", "dropped at zero",
    "held at zero, z", "paired t",
)  # fmt: skip
"""The report's rule, then others beside it, then its exact companion."""
F_TESTS = ("binding", "opening", "binding:opening")
TOGETHER, EQUIVALENT = "openings together", "equivalence"
MARGIN = 3.0
"""Equivalence margin, in standard deviations of one result: wide, so that one side decides."""
ROUGH = 0.003
"""Distance from alpha within which an adjusted p is computed by the lattice."""


@dataclass(frozen=True)
class CalibrationQuestion(Question):
    """A model with the hypotheses of its F tests, and its twin with variances held at zero.

    Attributes
    ----------
    bounded : Design
        The same model whose variances of intercepts are zero or above.
    tests : dict of str to (q, p) array
        Hypotheses on the orthonormal coefficients, by term.
    asked : int
        Contrasts: the first rows of ``rows`` and ``weights``.
    """

    bounded: Design
    tests: dict[str, Floats]
    asked: int


@dataclass(frozen=True, eq=False)
class CalibrationBook(QuestionBook):
    """The questions of a layout, each by every rule."""

    def __post_init__(self) -> None:
        """Tell the key from that of the plain book."""
        super().__post_init__()
        object.__setattr__(self, "key", f"calibration {self.key}")

    @property
    def plain(self) -> QuestionBook:
        """The book of the report's contrasts alone."""
        return QuestionBook(self.rows, self.settings)

    @property
    def names(self) -> tuple[str, ...]:
        """Rule and question of each column."""
        tests = [*(f"F of {term}" for term in F_TESTS), TOGETHER, EQUIVALENT]
        by_rule = [f"{rule}: {name}" for rule in RULES for name in self.plain.names]
        return (*by_rule, *(f"{RULES[0]}: {test}" for test in tests))

    def weights(self, kept: tuple[int, ...]) -> Floats:
        """Weights of the openings; zero for tests of several contrasts."""
        own = self.plain.weights(kept)
        none = np.zeros((len(F_TESTS) + 2, own.shape[1]))
        return np.concatenate([*(own,) * len(RULES), none])

    def question(self, kept: tuple[int, ...]) -> CalibrationQuestion | None:
        """Return the model of these openings with its tests."""
        return _question(self, kept)


@lru_cache(maxsize=256)
def _question(book: CalibrationBook, kept: tuple[int, ...]) -> CalibrationQuestion | None:
    plain = book.plain.question(kept)
    bounded = QuestionBook(book.rows, book.settings, bound="zero").question(kept)
    if plain is None or bounded is None:
        return None
    names = [book.openings[i] for i in kept]
    rows = book.rows[book.rows["opening"].isin(names)].reset_index(drop=True)
    frame = structure_from(rows, book.settings).frame
    to_orthonormal = np.linalg.inv(plain.design.r)
    tests = {
        term: rows[:, frame.kept] @ to_orthonormal
        for term, rows in frame.type_three().items()
        if term in F_TESTS
    }
    own = {each.name: getattr(plain, each.name) for each in fields(plain)}
    return CalibrationQuestion(**own, bounded=bounded.design, tests=tests,
                               asked=len(plain.rows))  # fmt: skip


@dataclass(frozen=True)
class EveryTest:
    """Every rule's tests and intervals, in the order of `CalibrationBook.names`."""

    name: str = "every test"

    def __call__(self, question: Question, grid: Grid, drawn: Drawn, level: float) -> Outcome:
        """Fit the trials twice and read everything off."""
        assert isinstance(question, CalibrationQuestion)
        free, bounded = fit_trials(question.design, drawn), fit_trials(question.bounded, drawn)
        parts = [
            kenward_roger(question, free, level),
            satterthwaite(question, free, level),
            kenward_roger(question, bounded, level),
            kenward_roger(question, _dropped(bounded), level),
            plain_z(question, bounded, level),
            PairedTAnalysis()(question, grid, drawn, level),
        ]
        first = parts[0]
        tests = [f_tests(question, free), families(question, free, first, 1.0 - level)]
        p = np.concatenate([part.p_value for part in parts] + tests, axis=1)
        values = {
            name: _padded([getattr(part, name) for part in parts], p.shape[1])
            for name in ("estimate", "std_error", "df", "half_width")
        }
        return Outcome(**values, p_value=p, negative=first.negative, held=first.held,
                       failed=first.failed)  # fmt: skip


def _padded(parts: list[Floats], columns: int) -> Floats:
    whole = np.concatenate(parts, axis=1)
    return np.pad(whole, ((0, 0), (0, columns - whole.shape[1])), constant_values=np.nan)


def kenward_roger(question: CalibrationQuestion, fitted: FittedTrials, level: float) -> Outcome:
    """The t tests and intervals of the report."""
    error = fitted.std_error(question.rows, kenward_roger_covariance(fitted.at))
    df = contrast_df(fitted.at, question.rows, theta_covariance(fitted.at))
    estimate = fitted.estimate(question.rows, question.constant)
    return fitted.outcome(estimate, error, df, level=level)


def held_at_zero(question: CalibrationQuestion, drawn: Drawn, level: float) -> Outcome:
    """What programs do that allow no negative variance."""
    return kenward_roger(question, fit_trials(question.bounded, drawn), level)


def satterthwaite(question: CalibrationQuestion, fitted: FittedTrials, level: float) -> Outcome:
    """Plain standard errors, df from the observed information."""
    there = np.isfinite(fitted.observed).all(axis=(1, 2))
    w = np.where(there[:, None, None], fitted.observed, 0.0)
    error = fitted.std_error(question.rows, fitted.at.phi)
    df = np.where(there[:, None], contrast_df(fitted.at, question.rows, w), np.nan)
    estimate = fitted.estimate(question.rows, question.constant)
    return fitted.outcome(estimate, error, df, level=level)


def plain_z(question: CalibrationQuestion, fitted: FittedTrials, level: float) -> Outcome:
    """Plain standard errors and the normal distribution."""
    error = fitted.std_error(question.rows, fitted.at.phi)
    estimate = fitted.estimate(question.rows, question.constant)
    return fitted.outcome(estimate, error, np.full_like(error, np.inf), level=level)


def _dropped(fitted: FittedTrials) -> FittedTrials:
    """Leave the terms whose variance was held at zero out of the inference.

    A variance known to be zero has no uncertainty: its information is made infinite.
    """
    held = fitted.at_bound
    expected = np.where(held[:, :, None] | held[:, None, :], 0.0, fitted.at.expected)
    place, index = np.nonzero(held)
    expected[place, index, index] = 1e30
    return replace(fitted, at=replace(fitted.at, expected=expected))


def f_tests(question: CalibrationQuestion, fitted: FittedTrials) -> Floats:
    """p of Kenward and Roger's F tests, (T, tests)."""
    out = np.full((len(fitted.negative), len(F_TESTS)), np.nan)
    scale = fitted.batch.scale[:, None]
    for place, term in enumerate(F_TESTS):
        rows = question.tests.get(term)
        if rows is None:
            continue
        constant = rows @ question.design.r @ question.design.constant
        value = fitted.estimate(rows, constant) / scale
        out[fitted.good, place] = kenward_roger_f(fitted.at, rows, value).p_value
    return out


def families(
    question: CalibrationQuestion, fitted: FittedTrials, alone: Outcome, alpha: float
) -> Floats:
    """Smallest adjusted p over the openings, and p of equivalence at the margin, (T, 2)."""
    count = len(question.rows)
    openings = count if count == 1 else count - 2
    asked = [k for k in range(openings) if np.isfinite(question.rows[k]).all()]
    one = 0 if count == 1 else openings  # the average
    error, df = alone.std_error[:, one], alone.df[:, one]
    sides = one_sided_p(alone.estimate[:, one] + MARGIN, error, df, -MARGIN, MARGIN)
    together = np.full(len(error), np.nan)
    if len(asked) > 1:
        covariance = kenward_roger_covariance(fitted.at)
        inside = question.rows[asked] @ covariance @ question.rows[asked].T
        t = np.abs(alone.estimate / alone.std_error)[:, asked][fitted.good]
        smallest = alone.df[:, asked][fitted.good].min(axis=1)
        together[fitted.good] = _smallest(t, inside, smallest, alpha)
    return np.stack([together, np.maximum(*sides)], axis=1)


def _smallest(t: Floats, covariance: Floats, df: Floats, alpha: float) -> Floats:
    """Smallest p adjusted for all openings by the multivariate t, (g,).

    It lies between the smallest p alone at the family's smallest df and Sidak's.  Where both are
    on one side of alpha, or a rough integral is far from alpha, that gives the verdict; only the
    rest goes through the product's lattice, which takes a hundred times as long.
    """
    alone = t_tail(t.max(axis=1), df)
    sidak = 1.0 - (1.0 - alone) ** t.shape[1]
    found = np.where(alone >= alpha, alone, sidak)
    error = np.sqrt(np.diagonal(covariance, axis1=1, axis2=2))
    correlation = covariance / (error[:, :, None] * error[:, None, :])
    for k in np.flatnonzero((alone < alpha) & (sidak >= alpha)):
        found[k] = rough_p(float(t[k].max()), correlation[k], float(df[k]))
        if abs(found[k] - alpha) < ROUGH:
            found[k] = adjusted_p(t[k], correlation[k], float(df[k])).min()
    return found


@lru_cache(maxsize=8)
def _directions(dimension: int) -> Floats:
    """Points spread evenly over the unit sphere, (4096, dimension)."""
    points = qmc.Sobol(dimension, seed=1).random_base2(12)
    normal = stats.norm.ppf(np.clip(points, 1e-12, 1.0 - 1e-12))
    return np.asarray(normal / np.linalg.norm(normal, axis=1)[:, None])


def rough_p(limit: float, correlation: Floats, df: float) -> float:
    """P(max |T_i| > limit) of a multivariate t, as an average over directions."""
    values, vectors = np.linalg.eigh(correlation)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    rank = len(values)
    largest = ((_directions(rank) @ root.T) ** 2).max(axis=1)
    return float(f_tail(limit**2 / (rank * largest), rank, np.full(len(largest), df)).mean())


def scenario(design: CalibrationDesign) -> Scenario:
    """Lay a design out with every test."""
    response = response_planned(design.plan)
    laid = scenario_of(design.plan, truth_of(design.plan, response), name=design.name)
    book = CalibrationBook(laid.book.rows, laid.book.settings)
    return replace(laid, book=book, analyses=(EveryTest(),))
