"""Values of several bales at once, weighings and samples: one value of them, never divided."""

from __future__ import annotations

from typing import Any

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.display.table import Table

__all__ = ["bales_of_samples", "by_name", "group_masses"]


def bales_of_samples(samples: pd.DataFrame, parts: pd.DataFrame) -> pd.Series[Any]:
    """Return the bales that each sample is of, in the order of their names.

    Parameters
    ----------
    samples, parts : pandas.DataFrame
        Tables of a trial, samples and sample_parts.

    Returns
    -------
    pandas.Series
        A tuple of names a sample, under the index of `samples`: what ``of`` names, or the bales
        of a composite; a day-0 sample may be of a pair or lot. Empty where neither is given.
    """
    several = {
        name: tuple(sorted({str(bale) for bale in bales}, key=by_name))
        for name, bales in parts.groupby("sample")["bale"]
    }
    found = [
        several.get(sample, (of,) if is_given(of) else ())
        for sample, of in zip(samples["sample"], samples["of"], strict=True)
    ]
    return pd.Series(found, index=samples.index, dtype="object")


def by_name(name: str) -> tuple[int, str]:
    """Key that puts names in order, numbers in that of counting: 2 before 10."""
    return len(name), name


def group_masses(weighings: pd.DataFrame, bales: pd.DataFrame) -> Table:
    """Return what groups of bales weighed together lost between wrapping and opening.

    Parameters
    ----------
    weighings, bales : pandas.DataFrame
        Tables of a trial.

    Returns
    -------
    Table
        A row for each group and opening at which the same bales were on the scale as at wrapping:
        ``bales``, ``number``, ``binding`` (none where they differ), ``opening``, ``first`` and
        ``later`` net mass, kg, and ``change``, % of the first. The spread between the bales of a
        group is unknown, so there is no error beside it.
    """
    binding = dict(zip(bales["bale"], bales["binding"], strict=True))
    together = weighings[weighings["bales"].map(len) > 1]
    masses: dict[tuple[str, ...], dict[object, list[float]]] = {}
    for names, opening, first, net in zip(
        together["bales"], together["opening"], together["first"], together["net"], strict=True
    ):
        at = opening if is_given(opening) else None
        if is_given(net) and (first or at is not None):
            masses.setdefault(tuple(sorted(names)), {}).setdefault(at, []).append(float(net))
    rows = []
    for names, by_opening in sorted(masses.items()):
        first = by_opening.pop(None, [])
        bindings = {binding.get(name) for name in names}
        one = next(iter(bindings)) if len(bindings) == 1 else None
        for opening, later in by_opening.items() if first else ():
            before, after = sum(first) / len(first), sum(later) / len(later)
            change = 100.0 * (after / before - 1.0) if before > 0 else float("nan")
            rows.append((" ".join(names), len(names), one, opening, before, after, change))
    columns = ["bales", "number", "binding", "opening", "first", "later", "change"]
    notes = ("Masses in kg of the whole group, change in % of the first.",) if rows else ()
    return Table(pd.DataFrame(rows, columns=columns), title="Bales weighed together", notes=notes)
