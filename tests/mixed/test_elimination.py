"""Columns eliminated before LAPACK sees the rest: which they are, and pivots near zero."""

from __future__ import annotations

import numpy as np
import pytest
from dense_oracle import Dense
from test_dense import (
    bale,
    compare,
    engine_terms,
    fixed_matrix,
    intercept,
    slopes,
    trial_rows,
)

from silagetrial.mixed.absorb import SMALL_PIVOT
from silagetrial.mixed.design import make_design
from silagetrial.mixed.likelihood import evaluate, prepare


@pytest.mark.parametrize("pivot", [0.0, 1e-12, 0.5 * SMALL_PIVOT, -0.5 * SMALL_PIVOT, -0.1])
def test_pivot_near_zero(pivot: float) -> None:
    """Pairs of one bale with four rows, ``1 + 4 s_bale = pivot``, and of two with two rows each.

    V is positive definite all the same: by the variance between pairs, and as two rows a bale
    leave ``1 + 2 s_bale`` above zero.
    """
    rows = trial_rows(np.random.default_rng(3), lost=0.0)
    two_rows = rows["opening"] % 2 == rows["pair"] % 2
    keep = np.where(rows["pair"] < 3, rows["binding"] == 0, two_rows)
    rows = {name: codes[keep] for name, codes in rows.items()}
    terms = [intercept(rows["pair"]), intercept(bale(rows))]
    x = fixed_matrix(rows)
    y = np.random.default_rng(4).normal(size=len(x))
    design = make_design(x, engine_terms(terms))
    assert [level.disjoint for level in design.levels] == [(slice(1, 3),)]
    theta = np.array([0.4, (pivot - 1.0) / 4.0, 1.0])
    dense = Dense(y, x, terms, theta)
    assert dense.definite
    batch = prepare(design, y[None])
    at = evaluate(design, theta[None] / batch.scale**2, batch)
    compare(design, batch, at, 0, dense)


def test_which_columns() -> None:
    rows = trial_rows(np.random.default_rng(5), pairs=6, lost=0.0)
    x = fixed_matrix(rows)
    site, pair, own = intercept(rows["site"]), intercept(rows["pair"]), intercept(bale(rows))
    coarsest_first = make_design(x, engine_terms([site, pair, own]))
    assert [level.disjoint for level in coarsest_first.levels] == [(slice(3, 7), slice(1, 3))]
    finest_first = make_design(x, engine_terms([own, pair, site]))
    assert [level.disjoint for level in finest_first.levels] == [(slice(0, 4), slice(0, 2))]
    # Two effects a bale are not alone; beside them, neither are pairs: bales lie within them.
    sloping = make_design(x, engine_terms([pair, slopes(bale(rows), rows)]))
    assert [level.disjoint for level in sloping.levels] == [()]
    # A pair has bales of both bindings, so that it joins two levels of site by binding.
    split = intercept(2 * rows["site"] + rows["binding"])
    crossing = make_design(x, engine_terms([site, split, pair]))
    assert [level.disjoint for level in crossing.levels] == [(slice(3, 5),)]
