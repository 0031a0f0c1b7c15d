"""The engine against the dense oracle, at parameters far from and at the optimum."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
import pandas as pd
import pytest
from dense_oracle import Dense, Floats, Ints, Term

from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, f_test, fit_mixed
from silagetrial.mixed.covariance import RandomTerm, random_term
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.frame import Random
from silagetrial.mixed.likelihood import Batch, Evaluation, evaluate, prepare

POINTS = 6
"""Parameter vectors tried for each design."""

DAYS = np.array([0.14, 0.60, 1.20, 2.40])


def intercept(codes: Ints) -> Term:
    return Term(codes, np.ones((len(codes), 1)))


def combined(*codes: Ints) -> Ints:
    """Number the combinations of several codes from 0."""
    return np.unique(np.column_stack(codes), axis=0, return_inverse=True)[1].ravel()


def trial_rows(rng: np.random.Generator, *, pairs: int = 7, lost: float = 0.25) -> dict[str, Ints]:
    """Pairs on three sites, two bales a pair, four openings, some rows lost, in random order."""
    grid = np.meshgrid(np.arange(pairs), [0, 1], np.arange(len(DAYS)), indexing="ij")
    pair, binding, opening = (axis.ravel() for axis in grid)
    keep = (rng.random(len(pair)) >= lost) | (pair == 0)  # a whole pair keeps the rank of X
    order = rng.permutation(np.flatnonzero(keep))
    pair, binding, opening = pair[order], binding[order], opening[order]
    batch = combined(rng.integers(0, 5, len(pair)))
    return {"site": pair % 3, "pair": pair, "binding": binding, "opening": opening, "batch": batch}


def fixed_matrix(rows: Mapping[str, Ints]) -> Floats:
    """Columns of binding * opening in treatment coding."""
    openings = (rows["opening"][:, None] == np.arange(1, len(DAYS))).astype(float)
    film = rows["binding"][:, None].astype(float)
    return np.column_stack([np.ones(len(film)), film, openings, film * openings])


def slopes(codes: Ints, rows: Mapping[str, Ints], *, alone: bool = False) -> Term:
    days = DAYS[rows["opening"]]
    return Term(codes, days[:, None] if alone else np.column_stack([np.ones(len(days)), days]))


def bale(rows: Mapping[str, Ints]) -> Ints:
    return combined(rows["pair"], rows["binding"])


Structure = Callable[[Mapping[str, Ints]], list[Term]]

STRUCTURES: dict[str, Structure] = {
    "one level": lambda r: [intercept(r["pair"])],
    "three nested levels": lambda r: [intercept(c) for c in (r["site"], r["pair"], bale(r))],
    "nested, given finest first": lambda r: [intercept(c) for c in (bale(r), r["pair"], r["site"])],
    "crossed batches": lambda r: [intercept(r["pair"]), intercept(bale(r)), intercept(r["batch"])],
    "two crossed beside": lambda r: [intercept(r[c]) for c in ("pair", "batch", "opening")],
    "site and site x binding": lambda r: [
        intercept(r["site"]),
        intercept(combined(r["site"], r["binding"])),
        intercept(r["pair"]),
    ],
    "correlated slopes": lambda r: [intercept(r["pair"]), slopes(bale(r), r)],
    "independent slopes": lambda r: [intercept(bale(r)), slopes(bale(r), r, alone=True)],
    "slopes of crossed batches": lambda r: [intercept(r["pair"]), slopes(r["batch"], r)],
    "slopes at two levels": lambda r: [slopes(r["site"], r), slopes(r["pair"], r)],
    "each row its own level": lambda r: [intercept(r["site"]), slopes(r["pair"], r, alone=True)],
}


def engine_terms(terms: list[Term]) -> list[RandomTerm]:
    out = []
    for i, term in enumerate(terms):
        name = f"term{i}"
        columns = ("1", "days")[: term.z.shape[1]]
        levels = tuple(str(level) for level in range(term.codes.max() + 1))
        out.append(random_term(name, name, term.codes, levels, term.z, columns, bound="free"))
    return out


def random_theta(rng: np.random.Generator, terms: list[Term]) -> Floats:
    """(Co)variances of any sign: the residual one, half of the others negative."""
    m = sum(len(term.basis) for term in terms)
    return np.append(rng.uniform(-0.4, 0.8, m), rng.uniform(0.5, 1.5))


def definite_points(
    rng: np.random.Generator, y: Floats, x: Floats, terms: list[Term]
) -> list[Dense]:
    """Points at which V is positive definite, negative (co)variances among them."""
    found: list[Dense] = []
    while len(found) < POINTS:
        theta = random_theta(rng, terms)
        for shrink in 0.5 ** np.arange(8):
            tried = Dense(y, x, terms, np.append(theta[:-1] * shrink, theta[-1]))
            if tried.definite:
                found.append(tried)
                break
    assert any((point.theta < 0).any() for point in found)
    return found


def close(found: Floats | float, expected: Floats | float, *, digits: float = 1e-9) -> None:
    """Agreement relative to the largest number of the expected array."""
    size = float(np.max(np.abs(expected)))
    np.testing.assert_allclose(found, expected, rtol=0, atol=digits * max(size, 1e-12))


def units(design: Design, scale: float) -> Floats:
    """Unit of each parameter: that of y squared for a variance, one for a range."""
    return np.where([p.kind == "range" for p in design.parameters], 1.0, scale**2)


def compare(design: Design, batch: Batch, at: Evaluation, t: int, dense: Dense) -> None:
    """Data set `t` of an evaluation, taken back to the units of y and X, against the oracle."""
    s, r = batch.scale[t], design.r
    u = units(design, s)
    back = np.linalg.inv(r)
    n, p = dense.x.shape
    log_r = np.log(np.abs(np.diagonal(r))).sum()
    loglik = at.loglik[t] - (n - p) * np.log(s) - log_r
    np.testing.assert_allclose(loglik, dense.loglik, rtol=0, atol=1e-9 * (1 + abs(dense.loglik)))
    close(at.score[t] / u, dense.score)
    close(at.expected[t] / np.outer(u, u), dense.expected)
    close(at.observed[t] / np.outer(u, u), dense.observed)
    beta = back @ (s * at.beta[t] + batch.offset[t]) + batch.level[t] * design.constant
    close(beta, dense.beta)
    close(s**2 * back @ at.phi[t] @ back.T, dense.phi)
    each, both = u[:, None, None], np.outer(u, u)[:, :, None, None]
    close(r.T @ at.p[t] @ r / each / s**2, dense.p_i)
    symmetric = (dense.q_ij + np.swapaxes(dense.q_ij, 0, 1)) / 2
    close(r.T @ at.q[t] @ r / both / s**2, symmetric)


@pytest.mark.parametrize("structure", STRUCTURES)
def test_likelihood_and_derivatives_at_random_parameters(structure: str) -> None:
    rng = np.random.default_rng(20260101)
    rows = trial_rows(rng)
    x, terms = fixed_matrix(rows), STRUCTURES[structure](rows)
    y = 50 + rng.normal(size=len(x)) + rng.normal(size=7)[rows["pair"]]
    design = make_design(x, engine_terms(terms))
    batch = prepare(design, y[None])
    for dense in definite_points(rng, y, x, terms):
        at = evaluate(design, dense.theta[None] / batch.scale[0] ** 2, batch)
        compare(design, batch, at, 0, dense)


def definite_at_every_stage(design: Design, dense: Dense, *, least: float = 0.0) -> bool:
    """Whether V is positive definite as each level of grouping joins it, finest first.

    `least` is what its smallest eigenvalue must pass.
    """
    entered: list[int] = []
    for level in design.levels:
        entered += level.parameters.tolist()
        theta = np.where(np.isin(np.arange(len(dense.theta)), entered), dense.theta, 0.0)
        theta[len(theta) - dense.rest.count :] = dense.own
        v = Dense(dense.y, dense.x, dense.terms, theta, dense.rest).v
        if np.linalg.eigvalsh(v)[0] <= least:
            return False
    return True


@pytest.mark.parametrize("structure", STRUCTURES)
def test_not_definite_is_refused(structure: str) -> None:
    """The log-likelihood is -inf where V is indefinite at a stage of absorption, only there."""
    rng = np.random.default_rng(7)
    rows = trial_rows(rng)
    x, terms = fixed_matrix(rows), STRUCTURES[structure](rows)
    y = rng.normal(size=len(x))
    design = make_design(x, engine_terms(terms))
    batch = prepare(design, y[None])
    verdicts = set()
    for _ in range(60):
        theta = random_theta(rng, terms)
        theta[:-1] *= 0.5 ** rng.integers(0, 4)
        at = evaluate(design, theta[None] / batch.scale[0] ** 2, batch)
        verdict = definite_at_every_stage(design, Dense(y, x, terms, theta))
        assert bool(np.isfinite(at.loglik[0])) == verdict
        verdicts.add(verdict)
    assert verdicts == {True, False}


@pytest.mark.parametrize("structure", STRUCTURES)
def test_data_sets_with_rows_missing(structure: str) -> None:
    """Rows masked in a batch equal rows that were never there, each data set by itself."""
    rng = np.random.default_rng(11)
    rows = trial_rows(rng, lost=0.0)
    x, terms = fixed_matrix(rows), STRUCTURES[structure](rows)
    y = rng.normal(size=(3, len(x))) + 20
    present = (rng.random(y.shape) > 0.2) | (rows["pair"] == 0)
    present[0] = True
    design = make_design(x, engine_terms(terms))
    batch = prepare(design, np.where(present, y, np.nan), present)
    dense = []
    for t in range(len(y)):
        kept = [Term(combined(term.codes[present[t]]), term.z[present[t]]) for term in terms]
        dense.append(definite_points(rng, y[t, present[t]], x[present[t]], kept)[0])
    theta = np.stack([d.theta for d in dense]) / batch.scale[:, None] ** 2
    at = evaluate(design, theta, batch)
    for t, oracle in enumerate(dense):
        compare(design, batch, at, t, oracle)


def test_oracle_derivatives_are_those_of_its_likelihood() -> None:
    """Score and observed information by central differences of the oracle's own likelihood."""
    rng = np.random.default_rng(3)
    rows = trial_rows(rng, pairs=5)
    x, terms = fixed_matrix(rows), STRUCTURES["correlated slopes"](rows)
    y = rng.normal(size=len(x))
    at = definite_points(rng, y, x, terms)[0]
    step = 1e-5
    for i in range(len(at.theta)):
        move = step * (np.arange(len(at.theta)) == i)
        up, down = (Dense(y, x, terms, at.theta + sign * move) for sign in (1, -1))
        # Error of a central difference: rounding / step = 1e-9, curvature * step^2 = 1e-9.
        assert (up.loglik - down.loglik) / (2 * step) == pytest.approx(
            at.score[i], rel=1e-6, abs=1e-6
        )
        np.testing.assert_allclose(
            -(up.score - down.score) / (2 * step), at.observed[i], rtol=1e-6, atol=1e-6
        )


def as_frame(rows: Mapping[str, Ints], y: Floats) -> pd.DataFrame:
    """The rows as a user would hold them: texts for factors and groupings."""
    return pd.DataFrame(
        {
            "y": y,
            "days": DAYS[rows["opening"]],
            "binding": np.array(["film", "net"])[rows["binding"]],
            **{name: [f"{name}{i:02d}" for i in rows[name]] for name in rows if name != "binding"},
        }
    ).assign(bale=lambda f: f["pair"] + f["binding"])


FITS: dict[str, tuple[Random, Structure]] = {
    "pair and bale": (["pair", "bale"], lambda r: [intercept(r["pair"]), intercept(bale(r))]),
    "site, pair, bale": (["site", "pair", "bale"], STRUCTURES["three nested levels"]),
    "crossed batches": (["pair", "bale", "batch"], STRUCTURES["crossed batches"]),
    "site and site x binding": (
        ["site", "site:binding", "pair"],
        STRUCTURES["site and site x binding"],
    ),
    "independent slopes": (["bale", {"bale": "0 + days"}], STRUCTURES["independent slopes"]),
    "correlated slopes": (["pair", {"bale": "1 + days"}], STRUCTURES["correlated slopes"]),
}


def simulated(rng: np.random.Generator, rows: Mapping[str, Ints], terms: list[Term]) -> Floats:
    """Responses with real effects of every term, 0.8 SD each, on a residual of SD 0.5."""
    y = (
        3
        + 0.4 * rows["binding"]
        + 0.3 * DAYS[rows["opening"]]
        + 0.5 * rng.normal(size=len(rows["pair"]))
    )
    for term in terms:
        effects = 0.8 * rng.normal(size=(term.codes.max() + 1, term.z.shape[1]))
        y = y + (effects[term.codes] * term.z).sum(axis=1)
    return y


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("structure", FITS)
def test_fit_of_an_unbalanced_trial(structure: str, seed: int) -> None:
    """A quarter of the rows lost: everything a fit says, against the oracle at its estimates."""
    rng = np.random.default_rng(seed)
    rows = trial_rows(rng, pairs=9)
    random, structured = FITS[structure]
    terms = structured(rows)
    y = simulated(rng, rows, terms)
    fit = fit_mixed(
        as_frame(rows, y),
        "y ~ binding * opening",
        random=random,
        levels={"binding": ["film", "net"]},
    )
    dense = Dense(y, fit.frame.x, terms, fit.theta)
    assert fit.loglik == pytest.approx(dense.loglik, abs=1e-8)
    close(fit.beta, dense.beta)
    close(fit.covariance, dense.phi)
    close(fit.covariance_kr, dense.phi_adjusted)
    close(fit.theta_covariance, dense.w, digits=1e-7)
    close(fit.effects, np.concatenate([b.ravel() for b in dense.blups]), digits=1e-7)
    if not fit.at_bound.any():
        # A maximum: the score is zero in the metric of the information.
        assert dense.score @ np.linalg.solve(dense.observed, dense.score) < 1e-12
        assert np.linalg.eigvalsh(dense.observed)[0] > 0
    compare_tests(fit, dense)


def compare_tests(fit: Fit, dense: Dense) -> None:
    """Kenward-Roger and Satterthwaite tests of one, two and three rows."""
    p = len(fit.beta)
    for linear in (np.eye(p)[1:2], np.eye(p)[[2, 4]], np.eye(p)[-3:]):
        test, expected = f_test(fit, linear), dense.kenward_roger(linear)
        for name, value in expected.items():
            assert getattr(test, name) == pytest.approx(value, rel=1e-7), name
        if not fit.at_bound.any():
            test, expected = (
                f_test(fit, linear, method="satterthwaite"),
                dense.satterthwaite(linear),
            )
            for name, value in expected.items():
                assert getattr(test, name) == pytest.approx(value, rel=1e-7), name


def test_oracle_fits_include_negative_variances_and_bounds() -> None:
    """Without this the comparisons above could all lie inside the easy region."""
    signs, bounds = set(), set()
    for seed in range(4):
        rng = np.random.default_rng(seed)
        rows = trial_rows(rng, pairs=9)
        y = rng.normal(size=len(rows["pair"]))
        for random in (["pair", "bale"], ["pair", {"bale": "1 + days"}]):
            fit = fit_mixed(as_frame(rows, y), "y ~ binding * opening", random=random)
            dense = Dense(
                y,
                fit.frame.x,
                FITS["pair and bale" if len(fit.theta) == 3 else "correlated slopes"][1](rows),
                fit.theta,
            )
            assert fit.loglik == pytest.approx(dense.loglik, abs=1e-8)
            close(fit.covariance_kr, dense.phi_adjusted, digits=1e-7)
            signs.update(np.sign(fit.theta).tolist())
            bounds.update(fit.at_bound.tolist())
    assert signs >= {1.0, -1.0}
    assert bounds == {True, False}


def test_small_trials_with_rows_lost_and_no_variance_between_bales() -> None:
    """Free variances often run to the edge here: each fit is a maximum, or says what it holds.

    An unheld fit has score zero inside V > 0; a held variance is where the likelihood would rise
    below zero, and the others are at their maximum given it.  What finds neither is refused, in no
    more than 3 % of trials.
    """
    kinds = {"inside": 0, "held": 0, "refused": 0}
    for seed in range(100):
        rng = np.random.default_rng(seed)
        rows = trial_rows(rng, pairs=4, lost=0.2)
        y = rng.normal(size=len(rows["pair"]))
        try:
            fit = fit_mixed(as_frame(rows, y), "y ~ binding * opening", random=["pair", "bale"])
        except NoAnswer:
            kinds["refused"] += 1
            continue
        dense = Dense(y, fit.frame.x, FITS["pair and bale"][1](rows), fit.theta)
        held = fit.fits.held[0] & (fit.theta == 0)
        assert dense.definite
        assert (dense.score[held] <= 0).all()
        free = dense.expected[np.ix_(~held, ~held)]
        assert dense.score[~held] @ np.linalg.solve(free, dense.score[~held]) < 1e-9
        kinds["held" if fit.fits.held.any() else "inside"] += 1
    assert kinds["inside"] > 50
    assert kinds["held"] > 5
    assert kinds["refused"] <= 3
