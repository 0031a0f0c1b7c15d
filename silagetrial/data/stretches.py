"""Bindings made in long stretches, told by the order of baling where no run is recorded.

All bales of one binding and then all of the other are not replicates of the bindings: crop, dew,
driver and machine change along the day together with the binding, and a stretch of one binding is
one unit (a run).  Bindings drawn at random for n bales, n_i of each, change so often that there
are ``1 + n - sum n_i^2 / n`` stretches on average; pairs made one bale after the other cannot have
fewer than that.  Half as many, or fewer, is a design in stretches.

References
----------
Mood, A. M. (1940). The distribution theory of runs. Annals of Mathematical Statistics 11, 367-392.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import Any, TypeAlias

import pandas as pd

from silagetrial.data.draft import is_date_only, is_given

__all__ = ["Stretches", "in_stretches", "with_runs"]

Row: TypeAlias = Mapping[Any, Any]

FEWER_THAN_CHANCE = 0.5
"""Share of the stretches expected by chance at which bindings were made in stretches."""


@dataclass(frozen=True)
class Stretches:
    """Bales of one place and day whose bindings were made in long stretches.

    Attributes
    ----------
    where : str
        Site, lot and day, as far as they are recorded.
    by : {"order", "baled_at"}
        The column that tells the order.
    stretches : tuple of tuple of mapping
        Rows of bales in the order of baling, one tuple a stretch of one binding.
    """

    where: str
    by: str
    stretches: tuple[tuple[Row, ...], ...]

    @property
    def in_words(self) -> str:
        """The stretches as they came: ``6 net, 6 film``."""
        return ", ".join(f"{len(rows)} {rows[0]['binding']}" for rows in self.stretches)


def in_stretches(bales: Sequence[Row]) -> Iterator[Stretches]:
    """Find places and days where bindings were made in stretches and no run is recorded.

    Parameters
    ----------
    bales : sequence of mapping
        Rows of bales.csv, bales lost included.
    """
    groups: dict[tuple[object, ...], list[Row]] = {}
    for bale in bales:
        groups.setdefault(_place(bale), []).append(bale)
    for place, rows in groups.items():
        by = next((column for column in ("order", "baled_at") if _tells(rows, column)), None)
        recorded = any(is_given(row["run"]) for row in rows)
        if by is None or recorded or not all(is_given(row["binding"]) for row in rows):
            continue
        made = sorted(rows, key=lambda row: row[by])
        parts = tuple(tuple(part) for _, part in groupby(made, key=lambda row: row["binding"]))
        if _long(made, parts):
            where = ", ".join(str(part) for part in place if part is not None)
            yield Stretches(where, by, parts)


def with_runs(bales: pd.DataFrame) -> pd.DataFrame:
    """Fill in the run of bales made in stretches; every other run stays as recorded."""
    runs = {
        bale["bale"]: f"{found.where}, run {number}"
        for found in in_stretches(bales.to_dict("records"))
        for number, part in enumerate(found.stretches, start=1)
        for bale in part
    }
    return bales.assign(run=bales["run"].where(bales["run"].notna(), bales["bale"].map(runs)))


def _place(bale: Row) -> tuple[object, ...]:
    """Site, lot and day of a bale: within them the order of baling says something."""
    site, lot, when = bale["site"], bale["lot"], bale["baled_at"]
    return (
        site if is_given(site) else None,
        lot if is_given(lot) else None,
        when.date() if is_given(when) else None,
    )


def _tells(rows: Sequence[Row], column: str) -> bool:
    """Whether a column puts all bales in one order."""
    values = [row[column] for row in rows]
    if not all(is_given(value) for value in values) or len(set(values)) < len(values):
        return False
    return column == "order" or not any(is_date_only(value) for value in values)


def _long(made: Sequence[Row], parts: Sequence[Sequence[Row]]) -> bool:
    """Whether there are far fewer stretches than bindings drawn at random, or in pairs, have."""
    counts = Counter(row["binding"] for row in made)
    if len(counts) < 2:
        return False
    n = len(made)
    expected = 1 + n - sum(count**2 for count in counts.values()) / n
    if len(parts) <= FEWER_THAN_CHANCE * expected:
        return True
    return len(parts) == len(counts) and _pairs_apart(made)


def _pairs_apart(made: Sequence[Row]) -> bool:
    """Whether every bale has a partner, and no two partners were made one after the other."""
    pairs = [row["pair"] for row in made]
    alone = any(count < 2 for count in Counter(pairs).values())
    if alone or not all(is_given(pair) for pair in pairs):
        return False
    return all(before != after for before, after in pairwise(pairs))
