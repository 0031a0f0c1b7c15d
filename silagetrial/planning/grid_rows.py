"""A layout's rows as whole numbers: what simulated trials are drawn on."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from silagetrial.mixed.covariance import Floats, Ints

__all__ = ["Grid"]


@dataclass(frozen=True)
class Grid:
    """A layout's rows as whole numbers.

    Attributes
    ----------
    site, run, pair, bale, batch : (n,) int arrays
        Numbered from 0; a grouping that is not recorded has one unit, all rows in it.
    binding, opening : (n,) int arrays
        Place in the order of the settings.
    days : (k,) array
        Days in storage of the openings.
    recored : bool
        A bale is sampled at several openings.
    """

    site: Ints
    run: Ints
    pair: Ints
    bale: Ints
    batch: Ints
    binding: Ints
    opening: Ints
    days: Floats
    recored: bool

    @classmethod
    def of(cls, rows: pd.DataFrame, bindings: tuple[str, ...], openings: dict[str, float]) -> Grid:
        """Number the rows of a layout.

        Parameters
        ----------
        rows : pandas.DataFrame
            Columns ``site run pair bale batch binding opening``.
        bindings : tuple of str
            The second is the one that differs from the others by the effect.
        openings : dict
            Days in storage of each opening, in their order.
        """
        codes = {name: pd.factorize(rows[name])[0] for name in ("site", "run", "pair", "bale",
                                                                 "batch")}  # fmt: skip
        whole = {name: np.maximum(code, 0).astype(np.int64) for name, code in codes.items()}
        binding = _places(rows["binding"], bindings)
        opening = _places(rows["opening"], tuple(openings))
        recored = bool(rows.groupby("bale")["opening"].nunique().max() > 1)
        days = np.array(list(openings.values()), dtype=float)
        return cls(binding=binding, opening=opening, days=days, recored=recored, **whole)


def _places(names: pd.Series[str], order: tuple[str, ...]) -> Ints:
    place = {name: i for i, name in enumerate(order)}
    return np.array([place[name] for name in names], dtype=np.int64)
