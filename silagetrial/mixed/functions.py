"""Linear functions of a fit's coefficients: adjusted means, differences, weighted sums.

References
----------
Searle, S. R., Speed, F. M. & Milliken, G. A. (1980). Population marginal means in the linear
model. The American Statistician 34, 216-221.
"""

from __future__ import annotations

import itertools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.frame import ModelFrame, product_grid

__all__ = ["Functions", "adjusted_mean_functions", "estimable"]


@dataclass(frozen=True)
class Functions:
    """Labelled linear functions of the coefficients.

    Attributes
    ----------
    labels : pandas.DataFrame
        One row a function: ``term`` and the levels it is about.
    rows : (r, columns) array
        Weights on all columns of the fixed part (`ModelFrame.columns`).
    """

    labels: pd.DataFrame
    rows: Floats

    def __len__(self) -> int:
        """Return the number of functions."""
        return len(self.rows)

    def where(self, keep: Bools) -> Functions:
        """Some of the functions."""
        return Functions(self.labels[keep].reset_index(drop=True), self.rows[keep])

    def differences(
        self,
        of: str,
        *,
        reference: str | None = None,
        families: Literal["reference", "all pairs"] = "reference",
    ) -> Functions:
        """Differences between the levels of one factor, within each combination of the others.

        Parameters
        ----------
        of : str
            The factor compared.
        reference : str, optional
            Level taken off the others; the first, when left out.
        families : {"reference", "all pairs"}
            Each level minus the reference, or each pair of levels (later minus earlier).
        """
        levels = list(dict.fromkeys(self.labels[of]))
        base = levels[0] if reference is None else reference
        if base not in levels:
            raise UsageError(
                found=f"no level {base!r} in {of}",
                expected="a reference among " + ", ".join(map(str, levels)),
                remedy="correct the reference",
            )
        if families == "all pairs":
            pairs = [(b, a) for a, b in itertools.combinations(levels, 2)]
        else:
            pairs = [(level, base) for level in levels if level != base]
        others = [c for c in self.labels.columns if c not in ("term", of)]
        labels, rows = [], []
        for pair in pairs:
            for _, group in self.labels.groupby(others, sort=False) if others else [((), None)]:
                within = self.labels if group is None else group
                at = {level: index for index, level in zip(within.index, within[of], strict=True)}
                if pair[0] in at and pair[1] in at:
                    same = within.iloc[0][others].to_dict()
                    labels.append({"term": f"{pair[0]} - {pair[1]}", **same})
                    rows.append(self.rows[at[pair[0]]] - self.rows[at[pair[1]]])
        return Functions(pd.DataFrame(labels), np.array(rows))

    def combine(
        self, over: str, weights: Mapping[str, float], *, term: str | None = None
    ) -> Functions:
        """Weighted sums over the levels of one factor, within each combination of the others.

        Parameters
        ----------
        over : str
            The factor summed over; levels without a weight count zero.
        weights : mapping
            Weight of each level.
        term : str, optional
            Label added in brackets to the functions' terms.
        """
        others = [c for c in self.labels.columns if c != over]
        labels, rows = [], []
        for key, group in self.labels.groupby(others, sort=False):
            label = dict(zip(others, key if isinstance(key, tuple) else (key,), strict=True))
            if term is not None:
                label["term"] = f"{label['term']} ({term})"
            w = np.array([weights.get(level, 0.0) for level in group[over]])
            labels.append(label)
            rows.append(w @ self.rows[group.index.to_numpy()])
        return Functions(pd.DataFrame(labels), np.array(rows))


def estimable(fit: Fit | ModelFrame, rows: Floats) -> Bools:
    """Which functions the data can estimate: those that meet no dependent combination.

    A model frame does for a fit: that depends on the design, not on the responses.
    """
    null = _frame(fit).null
    if not null.shape[1]:
        return np.ones(len(rows), dtype=bool)
    size = np.abs(rows).max(axis=1)
    found: Bools = np.abs(rows @ null).max(axis=1) <= 1e-8 * np.maximum(size, 1e-300)
    return found


def _frame(fit: Fit | ModelFrame) -> ModelFrame:
    return fit if isinstance(fit, ModelFrame) else fit.frame


def adjusted_mean_functions(
    fit: Fit | ModelFrame, over: str | Sequence[str], *, at: Mapping[str, float] | None = None
) -> Functions:
    """Adjusted (least-squares) means as linear functions: equal weights on all other factors.

    Parameters
    ----------
    fit : Fit or ModelFrame
    over : str or sequence of str
        Factors whose combinations get a mean.
    at : mapping, optional
        Values of numeric variables; their means in the data when left out.
    """
    frame = _frame(fit)
    over = [over] if isinstance(over, str) else list(over)
    unknown = [name for name in over if name not in frame.levels]
    if unknown:
        raise UsageError(
            found=f"no factor {', '.join(map(repr, unknown))} in {frame.formula!r}",
            expected="factors among " + ", ".join(frame.levels),
            remedy="correct the name, or add the factor to the formula",
        )
    strangers = [name for name in at or {} if name not in frame.numbers]
    if strangers:
        raise UsageError(
            found=f"no numeric variable {', '.join(map(repr, strangers))} in {frame.formula!r}",
            expected="values of " + (", ".join(frame.numbers) or "nothing: all are factors"),
            remedy="correct the name",
        )
    values: dict[str, Sequence[object]] = {name: frame.levels[name] for name in over}
    values.update({k: v for k, v in frame.levels.items() if k not in over})
    numbers = {name: float(values.mean()) for name, values in frame.numbers.items()}
    numbers.update(at or {})
    grid = product_grid(values).assign(**numbers)
    rows = frame.fixed_rows(grid)
    cells = product_grid({name: frame.levels[name] for name in over})
    averaged = rows.reshape(len(cells), -1, rows.shape[1]).mean(axis=1)
    term = cells.astype(str).agg(", ".join, axis=1) if len(over) else pd.Series(["mean"])
    return Functions(cells.assign(term=term)[["term", *over]], averaged)
