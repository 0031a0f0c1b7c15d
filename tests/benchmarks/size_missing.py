"""Size at 5 % of the binding test where re-cored bales lose rows.

Run by hand: ``python tests/benchmarks/size_missing.py``.

Trials without a binding effect, rows missing at random, variances of pair, bale and reading in
shares of one; the free policy for negative variances, Kenward-Roger.  Prints the size with its
Monte Carlo error, and the shares of trials that were not fitted or had a variance held at zero.
"""

from __future__ import annotations

import numpy as np

from silagetrial.mixed.covariance import RandomTerm, random_term
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    t_tail,
    theta_covariance,
)

TRIALS, CHUNK = 4000, 500


def intercept(name: str, codes: np.ndarray) -> RandomTerm:
    levels = tuple(map(str, np.unique(codes)))
    return random_term(name, name, codes, levels, np.ones((len(codes), 1)), ("1",), bound="free")


def design_of(pairs: int, openings: int) -> tuple[Design, np.ndarray, np.ndarray]:
    """Lay out binding, coded to sum to zero, by opening; the codes of pairs and bales."""
    bale = np.repeat(np.arange(2 * pairs), openings)
    pair, binding = bale // 2, bale % 2 - 0.5
    opening = np.tile(np.arange(openings), 2 * pairs)
    steps = [(opening == k) - 1.0 / openings for k in range(1, openings)]
    x = np.column_stack([np.ones(len(bale)), binding, *steps, *(s * binding for s in steps)])
    return make_design(x, [intercept("pair", pair), intercept("bale", bale)]), pair, bale


def size(pairs: int, openings: int, lost: float, shares: tuple[float, float]) -> str:
    """Simulate one design and say what came out."""
    design, pair, bale = design_of(pairs, openings)
    rows = np.linalg.inv(design.r)[1:2]
    rng = np.random.default_rng(1)
    p_values, fitted, held = [], 0, 0
    for _ in range(TRIALS // CHUNK):
        y = np.sqrt(1 - sum(shares)) * rng.normal(size=(CHUNK, len(bale)))
        y += np.sqrt(shares[0]) * rng.normal(size=(CHUNK, pairs))[:, pair]
        y += np.sqrt(shares[1]) * rng.normal(size=(CHUNK, 2 * pairs))[:, bale]
        batch = prepare(design, y, rng.random(y.shape) > lost)
        fits = maximise(design, batch)
        index = np.flatnonzero(fits.converged)
        at, part = fits.evaluation.take(index), batch.take(index)
        estimate = ((at.beta + part.offset / part.scale[:, None]) @ rows.T)[:, 0]
        variance = (rows @ kenward_roger_covariance(at) @ rows.T)[:, 0, 0]
        df = contrast_df(at, rows, theta_covariance(at))[:, 0]
        sound = variance > 0
        p_values.append(t_tail(estimate[sound] / np.sqrt(variance[sound]), df[sound]))
        fitted += int(sound.sum())
        held += int(fits.held[index].any(axis=1).sum())
    share = float(np.mean(np.concatenate(p_values) < 0.05))
    error = np.sqrt(share * (1 - share) / fitted)
    return (
        f"{pairs} pairs x {openings} openings, {lost:.0%} lost, pair and bale {shares}: "
        f"size {share:.4f} +- {error:.4f}, not fitted {1 - fitted / TRIALS:.4f}, "
        f"a variance held at zero {held / TRIALS:.4f}"
    )


if __name__ == "__main__":
    for case in (
        (4, 4, 0.0, (0.0, 0.0)), (4, 4, 0.2, (0.0, 0.0)), (4, 3, 0.2, (0.2, 0.0)),
        (6, 4, 0.15, (0.0, 0.0)), (6, 4, 0.15, (0.3, 0.2)),
    ):  # fmt: skip
        print(size(*case), flush=True)
