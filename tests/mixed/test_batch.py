"""Many data sets of one design at once: the same fits as one by one, and as R's, one by one."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import pytest
from reference_models import made
from test_dense import as_frame, trial_rows, units

from silagetrial.errors import NoAnswer
from silagetrial.mixed import coefficients, fit_mixed
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.frame import model_frame
from silagetrial.mixed.likelihood import Batch, Evaluation, prepare
from silagetrial.mixed.maximise import Fits, maximise
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    kenward_roger_f,
    theta_covariance,
)

Floats = npt.NDArray[np.float64]
SAME = 1e-8  # of a standard error
COUNT = 10
FORMULA = "y ~ binding * opening"
SERIAL = {"serial": {"bale": "days"}}

MODELS: dict[str, dict[str, Any]] = {
    "free": {"random": ["site", "pair", "bale"]},
    "zero": {"random": ["site", "pair", "bale"], "bound": "zero"},
    "crossed batches": {"random": ["pair", "batch"]},
    "slopes": {"random": ["pair", {"bale": "1 + days"}]},
    "groups": {"random": ["pair"], "residual_by": "binding"},
    "serial": {"random": ["pair"], **SERIAL},
    "serial and groups": {"random": ["pair"], "residual_by": "binding", **SERIAL},
    "serial and error": {"random": ["pair"], "measurement_error": True, **SERIAL},
}


@dataclass(frozen=True)
class Trials:
    """`COUNT` data sets of one trial, and rows that each of them has."""

    frame: pd.DataFrame
    y: Floats
    present: npt.NDArray[np.bool_]

    def one(self, t: int) -> pd.DataFrame:
        """The rows of one data set."""
        return self.frame.assign(y=self.y[t])[self.present[t]].reset_index(drop=True)


def trials(*, missing: bool = True) -> Trials:
    """Serially correlated bales within pairs; 12 % of rows missing, differently in each."""
    rng = np.random.default_rng(31)
    rows = trial_rows(rng, pairs=12, lost=0.0)
    frame = as_frame(rows, np.zeros(len(rows["pair"])))
    days = frame["days"].to_numpy()
    same = (frame["bale"].to_numpy()[:, None] == frame["bale"].to_numpy()).astype(float)
    v = same * np.exp(-np.abs(days[:, None] - days) / 1.5) + 0.2 * np.eye(len(days))
    y = 4 + rng.normal(size=(COUNT, len(days))) @ np.linalg.cholesky(v).T
    y = y + 0.6 * rng.normal(size=(COUNT, 12))[:, rows["pair"]]
    present = (rng.random(y.shape) > 0.12) | (rows["pair"] == 0)
    return Trials(frame, y, present if missing else np.ones_like(present))


def laid_out(data: Trials, model: dict[str, Any]) -> tuple[Design, Batch]:
    frame = model_frame(data.frame, FORMULA, **model)
    design = make_design(frame.x, frame.terms, frame.residual)
    return design, prepare(design, np.where(data.present, data.y, np.nan), data.present)


def fitted(design: Design, batch: Batch) -> dict[str, Floats]:
    """Log-likelihood, parameters, coefficients, KR standard errors and df in the data's units.

    NaN for data sets that did not converge: there is nothing to infer from.
    """
    fits = maximise(design, batch)
    good = fits.converged
    at = Evaluation(**{f.name: getattr(fits.evaluation, f.name)[good] for f in fields(Evaluation)})
    back, s, w = np.linalg.inv(design.r), batch.scale[good], theta_covariance(at)
    inside = s[:, None] * at.beta + batch.offset[good]
    kr = kenward_roger_covariance(at)
    unit = np.array([units(design, scale) for scale in s])
    found = {
        "loglik": fits.loglik[good],
        "theta": at.theta * unit,
        "theta_error": np.sqrt(np.diagonal(w, axis1=1, axis2=2)) * unit,
        "beta": inside @ back.T + batch.level[good][:, None] * design.constant,
        "error": s[:, None] * np.sqrt(np.einsum("ra,tab,rb->tr", back, kr, back)),
        "df": contrast_df(at, back, w),
    }
    out = {"converged": good}
    for key, values in found.items():
        out[key] = np.full((len(good), *values.shape[1:]), np.nan)
        out[key][good] = values
    return out


@pytest.mark.parametrize("missing", [True, False], ids=["rows missing", "complete"])
@pytest.mark.parametrize("model", MODELS)
def test_batch_is_one_by_one(model: str, missing: bool) -> None:
    data = trials(missing=missing)
    together = fitted(*laid_out(data, MODELS[model]))
    answers = 0
    for t in range(COUNT):
        try:
            alone = fit_mixed(data.one(t), FORMULA, **MODELS[model])
        except NoAnswer:
            assert not together["converged"][t]
            continue
        answers += 1
        assert together["converged"][t]
        table = coefficients(alone).frame
        assert together["loglik"][t] == pytest.approx(alone.loglik, rel=1e-10)
        for key, ours, size in (
            ("theta", alone.theta, together["theta_error"][t]),
            ("beta", alone.beta, together["error"][t]),
            ("error", table["std_error"], together["error"][t]),
            ("df", table["df"], together["df"][t]),
        ):
            np.testing.assert_allclose(
                (together[key][t] - ours) / size, 0, atol=SAME, err_msg=f"{key} {t}"
            )
    assert answers >= COUNT // 2


def test_a_pair_without_rows_leaves_a_negative_variance_be() -> None:
    """Both bales of one pair lost, and bales of a pair less alike than others: as one by one."""
    rng = np.random.default_rng(8)
    frame = pd.DataFrame({"pair": np.repeat(np.arange(9), 2), "binding": ["a", "b"] * 9})
    opposed = rng.normal(size=(COUNT, 9)).repeat(2, axis=1) * np.tile([1.0, -1.0], 9)
    y = opposed + 0.3 * rng.normal(size=(COUNT, 18))
    present = np.ones(y.shape, dtype=bool)
    present[:, :2] = False
    present[:, 4] = False
    data = Trials(frame, y, present)
    model = model_frame(frame.assign(y=0.0), "y ~ binding", random=["pair"])
    design = make_design(model.x, model.terms, model.residual)
    together = fitted(design, prepare(design, np.where(present, y, np.nan), present))
    for t in range(COUNT):
        alone = fit_mixed(data.one(t), "y ~ binding", random=["pair"])
        assert alone.theta[0] < 0
        np.testing.assert_allclose(together["theta"][t], alone.theta, rtol=1e-7)


SOME = (np.arange(3), np.array([7, 2]), np.array([5]))


@pytest.mark.parametrize("missing", [True, False], ids=["rows missing", "complete"])
@pytest.mark.parametrize("model", MODELS)
def test_an_answer_does_not_depend_on_its_company(model: str, missing: bool) -> None:
    """A data set taken from a prepared batch has the same bits alone, among others, in any order.

    Prepared anew, it is the same to rounding: BLAS adds up products in an order of its own for
    each number of data sets.  Rounding can cost or save the last step, which is shorter than the
    root of the maximiser's tolerance, 1e-8.
    """
    data = trials(missing=missing)
    design, batch = laid_out(data, MODELS[model])
    whole = taken(design, batch)
    for index in SOME:
        for ours, theirs in zip(taken(design, batch.take(index)), whole, strict=True):
            np.testing.assert_array_equal(ours, theirs[index])
        anew = prepare(design, data.y[index], data.present[index])
        for ours, theirs in zip(taken(design, anew), whole, strict=True):
            size = np.abs(theirs[index]).max()
            np.testing.assert_allclose(ours / size, theirs[index] / size, rtol=0, atol=1e-8)


def taken(design: Design, batch: Batch) -> tuple[Floats, ...]:
    return each(batch, maximise(design, batch))


def each(batch: Batch, fits: Fits) -> tuple[Floats, ...]:
    """What a fit says, in units that do not depend on the data: beta with its OLS part."""
    at = fits.evaluation
    beta = at.beta + batch.offset / batch.scale[:, None]
    return at.theta, beta, at.phi, fits.loglik, fits.converged.astype(float)


@pytest.mark.parametrize("model", MODELS)
def test_lost_rank_is_not_converged_and_disturbs_no_other(model: str) -> None:
    """A data set without any row of one binding at one opening, and one without any row."""
    data = trials()
    gone = ((data.frame["binding"] == "net") & (data.frame["opening"] == "opening01")).to_numpy()
    present = data.present.copy()
    present[1] &= ~gone
    present[4] = False
    broken = Trials(data.frame, data.y, present)
    sound = fitted(*laid_out(data, MODELS[model]))
    found = fitted(*laid_out(broken, MODELS[model]))
    assert not found["converged"][[1, 4]].any()
    others = np.setdiff1d(np.arange(COUNT), [1, 4])
    assert (found["converged"][others] == sound["converged"][others]).all()
    for key in ("theta", "beta", "error", "df"):
        np.testing.assert_allclose(found[key][others], sound[key][others], rtol=1e-9, err_msg=key)


POWER: dict[str, tuple[str, list[str], int]] = {
    "P1": ("y ~ trt", ["pair"], 36),
    "P2": ("y ~ trt * time", ["pair", "bale"], 42),
}
"""Model, random terms, fits with a variance at zero."""


def power_frame(name: str) -> tuple[pd.DataFrame, Floats, pd.DataFrame]:
    """Bales of a simulated design, 200 data sets and what lmer and pbkrtest say of each."""
    pairs, times = {"P1": (8, ["60"]), "P2": (6, ["14", "60", "180"])}[name]
    index = pd.MultiIndex.from_product([range(1, pairs + 1), ["film", "net"], times])
    frame = index.to_frame(index=False, name=["pair", "trt", "time"]).astype(str)
    frame["bale"] = frame["pair"] + ":" + frame["trt"]
    y = made(f"power_{name}_y200.csv").to_numpy(dtype=float).T
    return frame.assign(y=0.0), y, made(f"power_{name}_p200.csv")


def mean_squares_out_of_order(y: Floats, name: str) -> npt.NDArray[np.bool_]:
    """Balanced analysis of variance: which variance component would be negative, (200, terms)."""
    cube = y.reshape(len(y), -1, 2, 1 if name == "P1" else 3)
    times, bales = cube.shape[-1], cube.mean(axis=-1)
    pair = 2 * times * bales.mean(axis=-1).var(axis=1, ddof=1)
    bale = times * (bales[..., 1] - bales[..., 0]).var(axis=1, ddof=1) / 2
    if times == 1:
        return (pair < bale)[:, None]
    left = cube - bales[..., None] - cube.mean(axis=1, keepdims=True)
    left = left + bales.mean(axis=1)[:, None, :, None]
    within = (left**2).sum(axis=(1, 2, 3)) / (2 * (cube.shape[1] - 1) * (times - 1))
    # With both out of order the lower one decides whether the upper is: none here.
    assert not ((pair < bale) & (bale < within)).any()
    return np.column_stack([pair < bale, bale < within])


@pytest.mark.parametrize("name", POWER)
def test_simulated_trials_against_r(name: str) -> None:
    """Kenward-Roger p of 200 trials, held at zero as lmer holds them.

    R's come from lmer as it stops by default (tests/reference/make_structures.R), good to 4e-4
    relative.  A variance is at zero where its mean square is not above the next one's: 36 and
    42 of 200; R calls 36 and 40 singular (its tolerance is 1e-4 on theta).
    """
    formula, random, zeros = POWER[name]
    frame, y, theirs = power_frame(name)
    levels = {"time": ["14", "60", "180"]} if name == "P2" else {}
    layout = model_frame(frame, formula, random=random, bound="zero", levels=levels)
    design = make_design(layout.x, layout.terms, layout.residual)
    batch = prepare(design, y)
    fits = maximise(design, batch)
    assert fits.converged.all()
    assert int(fits.at_bound.any(axis=1).sum()) == zeros
    assert fits.at_bound[:, :-1].tolist() == mean_squares_out_of_order(y, name).tolist()
    singular = theirs["singular"].to_numpy(dtype=bool)
    assert fits.at_bound.any(axis=1)[singular].all()
    at, back = fits.evaluation, np.linalg.inv(design.r)
    value = (at.beta + batch.offset / batch.scale[:, None]) @ back.T
    for term, weights in layout.type_three().items():
        rows = weights[:, layout.kept]
        constant = (batch.level / batch.scale)[:, None] * (rows @ design.constant)
        found = kenward_roger_f(at, rows @ back, value @ rows.T + constant)
        np.testing.assert_allclose(found.p_value, theirs[f"p_{term}"], rtol=5e-4, err_msg=term)
        np.testing.assert_allclose(found.den_df, theirs[f"ddf_{term}"], rtol=1e-3, err_msg=term)
