"""Residual variances by group and serial correlation against the dense oracle."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping

import numpy as np
import pytest
from dense_oracle import Dense, Floats, Ints, Rest, Term
from test_dense import (
    DAYS,
    as_frame,
    bale,
    close,
    combined,
    compare,
    compare_tests,
    definite_at_every_stage,
    engine_terms,
    fixed_matrix,
    intercept,
    slopes,
    trial_rows,
    units,
)

from silagetrial.mixed import fit_mixed
from silagetrial.mixed.covariance import Residual
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.formulas import Random
from silagetrial.mixed.likelihood import evaluate, prepare

POINTS = 4
Rows = Mapping[str, Ints]
Randoms = Callable[[Rows], list[Term]]
Rests = Callable[[Rows], Rest]


def days(rows: Rows) -> Floats:
    return DAYS[rows["opening"]][:, None]


def places(rows: Rows) -> Floats:
    """Two coordinates: days, and a depth that differs between bindings and openings."""
    return np.column_stack([days(rows)[:, 0], 0.4 * rows["binding"] + 0.13 * rows["opening"] ** 2])


def one_group(rows: Rows) -> Ints:
    return np.zeros(len(rows["pair"]), dtype=np.int64)


RANDOM: dict[str, Randoms] = {
    "no random term": lambda r: [],
    "pair": lambda r: [intercept(r["pair"])],
    "site, pair, bale": lambda r: [intercept(c) for c in (r["site"], r["pair"], bale(r))],
    "crossed batches": lambda r: [intercept(r["pair"]), intercept(r["batch"])],
    "slopes of bales": lambda r: [intercept(r["pair"]), slopes(bale(r), r)],
    "slopes of batches": lambda r: [intercept(r["site"]), slopes(r["batch"], r, alone=True)],
}

REST: dict[str, Rests] = {
    "two groups": lambda r: Rest(r["binding"]),
    "four groups": lambda r: Rest(r["opening"]),
    "serial": lambda r: Rest(one_group(r), bale(r), days(r)),
    "serial, two groups": lambda r: Rest(r["binding"], bale(r), days(r)),
    "serial, groups within units": lambda r: Rest(r["opening"] // 2, bale(r), days(r)),
    "serial, measurement error": lambda r: Rest(one_group(r), bale(r), days(r), True),
    "serial, groups, measurement error": lambda r: Rest(r["opening"] // 2, bale(r), days(r), True),
    "serial in two coordinates": lambda r: Rest(one_group(r), bale(r), places(r)),
    "serial within pairs": lambda r: Rest(r["binding"], r["pair"], places(r)),
    "serial within crossed batches": lambda r: Rest(one_group(r), r["batch"], days(r), True),
}


def engine_residual(rest: Rest) -> Residual:
    coordinates = np.zeros((len(rest.groups), 0)) if rest.places is None else rest.places
    names = tuple(f"group {g}" for g in range(rest.groups.max() + 1))
    return Residual(rest.groups, names, rest.unit, coordinates, rest.measurement_error)


def random_theta(rng: np.random.Generator, terms: list[Term], rest: Rest) -> Floats:
    """Random (co)variances of any sign, group variances, range and measurement error."""
    free = rng.uniform(-0.3, 0.8, sum(len(term.basis) for term in terms))
    own = rng.uniform(0.4, 1.6, rest.groups.max() + 1)
    span = [] if rest.unit is None else [rng.uniform(0.2, 3.0)]
    error = [rng.uniform(0.05, 0.6)] if rest.measurement_error else []
    return np.array([*free, *own, *span, *error])


def design_of(x: Floats, terms: list[Term], rest: Rest) -> Design:
    return make_design(x, engine_terms(terms), engine_residual(rest))


def points(
    rng: np.random.Generator, y: Floats, x: Floats, terms: list[Term], rest: Rest
) -> Iterator[Dense]:
    """Parameter vectors at which V is positive definite, at every stage of absorption."""
    design = design_of(x, terms, rest)
    while True:
        theta = random_theta(rng, terms, rest)
        random = np.arange(len(theta)) < len(theta) - rest.count
        for shrink in 0.5 ** np.arange(8):
            tried = Dense(y, x, terms, np.where(random, theta * shrink, theta), rest)
            if tried.definite and definite_at_every_stage(design, tried, least=0.02):
                yield tried
                break


def inside(design: Design, dense: Dense, scale: float) -> Floats:
    """The oracle's parameters in the engine's units."""
    return dense.theta / units(design, scale)


@pytest.mark.parametrize("random", RANDOM)
@pytest.mark.parametrize("structure", REST)
def test_likelihood_and_derivatives_at_random_parameters(structure: str, random: str) -> None:
    """Score, expected and observed information, P_i and Q_ij."""
    rng = np.random.default_rng(20260202)
    rows = trial_rows(rng)
    x, terms, rest = fixed_matrix(rows), RANDOM[random](rows), REST[structure](rows)
    y = 50 + rng.normal(size=len(x)) + rng.normal(size=7)[rows["pair"]]
    design = design_of(x, terms, rest)
    batch = prepare(design, y[None])
    found = points(rng, y, x, terms, rest)
    for _ in range(POINTS):
        dense = next(found)
        at = evaluate(design, inside(design, dense, batch.scale[0])[None], batch)
        compare(design, batch, at, 0, dense)


@pytest.mark.parametrize("random", ["pair", "crossed batches", "slopes of bales"])
@pytest.mark.parametrize("structure", REST)
def test_data_sets_with_rows_missing(structure: str, random: str) -> None:
    """Rows masked in a batch equal rows that were never there, each data set by itself."""
    rng = np.random.default_rng(12)
    rows = trial_rows(rng, lost=0.0)
    x, terms, rest = fixed_matrix(rows), RANDOM[random](rows), REST[structure](rows)
    y = rng.normal(size=(3, len(x))) + 20
    present = (rng.random(y.shape) > 0.2) | (rows["pair"] == 0)
    present[0] = True
    design = design_of(x, terms, rest)
    batch = prepare(design, np.where(present, y, np.nan), present)
    dense = []
    for t in range(len(y)):
        here = present[t]
        kept = [Term(combined(term.codes[here]), term.z[here]) for term in terms]
        unit = None if rest.unit is None else rest.unit[here]
        at = None if rest.places is None else rest.places[here]
        left = Rest(rest.groups[here], unit, at, rest.measurement_error)
        dense.append(next(points(rng, y[t, here], x[here], kept, left)))
    theta = np.stack([inside(design, d, s) for d, s in zip(dense, batch.scale, strict=True)])
    at = evaluate(design, theta, batch)
    for t, oracle in enumerate(dense):
        compare(design, batch, at, t, oracle)


@pytest.mark.parametrize("structure", REST)
def test_impossible_parameters_have_no_likelihood(structure: str) -> None:
    """A variance at or below zero, a range or a measurement error below zero."""
    rng = np.random.default_rng(5)
    rows = trial_rows(rng)
    x, rest = fixed_matrix(rows), REST[structure](rows)
    design = design_of(x, [intercept(rows["pair"])], rest)
    batch = prepare(design, rng.normal(size=(1, len(x))))
    good = np.r_[0.2, random_theta(rng, [], rest)]
    assert np.isfinite(evaluate(design, good[None], batch).loglik[0])
    for i in range(1, len(good)):
        bad = np.where(np.arange(len(good)) == i, -0.1, good)
        assert np.isneginf(evaluate(design, bad[None], batch).loglik[0]), design.parameters[i].name


@pytest.mark.parametrize("structure", REST)
def test_oracle_derivatives_are_those_of_its_likelihood(structure: str) -> None:
    """Score and observed information by central differences of the oracle's own likelihood."""
    rng = np.random.default_rng(3)
    rows = trial_rows(rng, pairs=5)
    x, terms, rest = fixed_matrix(rows), RANDOM["pair"](rows), REST[structure](rows)
    y = rng.normal(size=len(x))
    at = next(points(rng, y, x, terms, rest))
    for i in range(len(at.theta)):

        def along(h: float, i: int = i) -> Dense:
            return Dense(y, x, terms, at.theta + h * (np.arange(len(at.theta)) == i), rest)

        # Richardson's two central differences: rounding / step = 1e-9, truncation step^4.
        wide, half = (1e-4, 5e-5)
        rises = [(along(h).loglik - along(-h).loglik) / (2 * h) for h in (wide, half)]
        bends = [-(along(h).score - along(-h).score) / (2 * h) for h in (wide, half)]
        slope, bend = ((4 * near - far) / 3 for far, near in (rises, bends))
        assert slope == pytest.approx(at.score[i], rel=1e-6, abs=1e-6)
        np.testing.assert_allclose(bend, at.observed[i], rtol=1e-6, atol=1e-6)


SERIAL = {"serial": {"bale": "days"}}
FITS: dict[str, tuple[Random, dict[str, object], str, Rests]] = {
    "groups": (["pair", "bale"], {"residual_by": "binding"}, "pair and bale", REST["two groups"]),
    "four groups": (["pair"], {"residual_by": "opening"}, "pair", REST["four groups"]),
    "serial": (["pair"], SERIAL, "pair", REST["serial"]),
    "serial and groups": (
        ["site", "pair"],
        {**SERIAL, "residual_by": "binding"},
        "site and pair",
        REST["serial, two groups"],
    ),
    "measurement error": (
        ["pair"],
        {**SERIAL, "measurement_error": True},
        "pair",
        REST["serial, measurement error"],
    ),
    "serial and crossed batches": (
        ["pair", "batch"],
        SERIAL,
        "crossed batches",
        REST["serial"],
    ),
}
FITTED: dict[str, Randoms] = {
    **RANDOM,
    "pair and bale": lambda r: [intercept(r["pair"]), intercept(bale(r))],
    "site and pair": lambda r: [intercept(r["site"]), intercept(r["pair"])],
}
TRUE_RANGE, TRUE_ERROR = 0.8, 0.3


def simulated(rng: np.random.Generator, rows: Rows, terms: list[Term], rest: Rest) -> Floats:
    """Responses drawn from the model: effects of SD 0.7, residual SDs 0.4, 0.6, ..."""
    own = [(0.4 + 0.2 * g) ** 2 for g in range(rest.groups.max() + 1)]
    own += [] if rest.unit is None else [TRUE_RANGE]
    own += [TRUE_ERROR] if rest.measurement_error else []
    lower = np.linalg.cholesky(rest.value(np.array(own)))
    y = 3 + 0.4 * rows["binding"] + lower @ rng.normal(size=len(lower))
    for term in terms:
        y = y + 0.7 * rng.normal(size=term.codes.max() + 1)[term.codes]
    return y


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("structure", FITS)
def test_fit_of_an_unbalanced_trial(structure: str, seed: int) -> None:
    """A fifth of the rows lost: everything a fit says, against the oracle at its estimates."""
    rng = np.random.default_rng(205 + seed)
    rows = trial_rows(rng, pairs=16, lost=0.2)
    random, options, terms_of, rest_of = FITS[structure]
    terms, rest = FITTED[terms_of](rows), rest_of(rows)
    y = simulated(rng, rows, terms, rest)
    levels = {"binding": ["film", "net"]}
    fit = fit_mixed(as_frame(rows, y), "y ~ binding * opening", random=random, levels=levels,
                    **options)  # fmt: skip
    dense = Dense(y, fit.frame.x, terms, fit.theta, rest)
    assert fit.loglik == pytest.approx(dense.loglik, abs=1e-8)
    close(fit.beta, dense.beta)
    close(fit.covariance, dense.phi)
    close(fit.covariance_kr, dense.phi_adjusted)
    close(fit.theta_covariance, dense.w, digits=1e-7)
    close(fit.effects, np.concatenate([b.ravel() for b in dense.blups]), digits=1e-7)
    assert not fit.at_bound.any()
    assert dense.score @ np.linalg.solve(dense.observed, dense.score) < 1e-12
    assert np.linalg.eigvalsh(dense.observed)[0] > 0
    compare_tests(fit, dense)
    shown = [b if fit.theta[i] > 0 else np.zeros_like(b) for i, b in enumerate(dense.blups)]
    left = y - fit.frame.x @ dense.beta
    for term, effects in zip(terms, shown, strict=True):
        left = left - effects[term.codes, 0]
    close(fit.residuals, left, digits=1e-7)
    close(fit.fitted, y - left, digits=1e-7)
