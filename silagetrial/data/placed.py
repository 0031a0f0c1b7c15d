"""What follows from the times and masses of samples and weighings: days, opening, window, net mass.

A value of several bales (a composite, a group weighing) has the mean of its bales' days, and an
opening only where all of them are at the same one.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from silagetrial.data.draft import Draft
from silagetrial.data.frame_rows import storage_days

__all__ = ["DERIVED", "placed"]

DERIVED: Final[Mapping[str, Mapping[str, str]]] = {
    "samples": {
        "days": "days in storage, from film wrapping; of a composite the mean of its bales",
        "calendar_days": "the same in calendar days, by which windows count",
        "opening": "opening the sample belongs to, or is nearest to; none for day 0",
        "in_window": "taken inside the window of that opening",
        "role": "sample, or duplicate, as in the blind key",
        "of_sample": "the sample that a duplicate is a part of",
    },
    "weighings": {
        "bale": "the bale on the scale, where it is one",
        "net": "gross less tare, kg",
        "wet": "the bale was wet",
        "soil": "the bale carried soil",
        "film_on": "the bale carried its stretch film",
        "first": "the weighing at wrapping",
        "days": "days in storage, from film wrapping; of several bales the mean",
        "calendar_days": "the same in calendar days, by which windows count",
        "opening": "opening the weighing belongs to, or is nearest to; none for the first weighing",
        "in_window": "weighed inside the window of that opening",
    },
    **{
        table: {
            "days": "days in storage, from film wrapping",
            "calendar_days": "the same in calendar days, by which windows count",
            "opening": "opening it belongs to, or is nearest to",
            "in_window": "inside the window of that opening",
        }
        for table in ("mould", "aerobic")
    },
}
"""Columns that follow from others and are added once, at reading."""

_SEEN: Final = {"mould": "seen_at", "aerobic": "opened_at"}
"""Tables of what was seen on opened bales, with the column of the time."""

_ANY, _NONE = -2, -1
"""Places of no opening: of a bale that may be opened at any, and where none is known."""

Flags: TypeAlias = NDArray[np.bool_]
Days: TypeAlias = NDArray[np.float64]
Places: TypeAlias = NDArray[np.intp]


@dataclass(frozen=True)
class _Stored:
    """Days in storage of the rows of a table and of their bales; NaN where a time is not known.

    `days` and `calendar` are of rows. Of each bale of a row, where all of them are known: `row`,
    its place among the bales in `bale`, and its own days in `each`.
    """

    days: Days
    calendar: Days
    row: Places
    bale: Places
    each: Days

    def of_rows(self, rows: Flags) -> _Stored:
        """Return the same with the bales of these rows only."""
        kept = rows[self.row]
        return replace(self, row=self.row[kept], bale=self.bale[kept], each=self.each[kept])


def placed(draft: Draft) -> Draft:
    """Return the draft with the columns of `DERIVED`."""
    draft = _placed_weighings(_placed_samples(draft))
    for table, when in _SEEN.items():
        stored = _stored(draft, table, when, [(bale,) for bale in draft.cells(table, "bale")])
        draft = draft.with_columns(table, _columns(draft, table, stored))
    return draft


def _placed_samples(draft: Draft) -> Draft:
    several = {name: tuple(part["bale"] for part in of) for name, of in draft.parts.items()}
    cells = zip(draft.cells("samples", "sample"), draft.cells("samples", "of"), strict=True)
    stored = _stored(draft, "samples", "taken_on", [several.get(name, (of,)) for name, of in cells])
    silage = draft.tables["samples"]["kind"].isin(["core", "opening"]).to_numpy()
    return draft.with_columns("samples", _columns(draft, "samples", stored.of_rows(silage)))


def _placed_weighings(draft: Draft) -> Draft:
    weighings = draft.tables["weighings"]
    together, flags = draft.cells("weighings", "bales"), draft.cells("weighings", "flags")
    stored = _stored(draft, "weighings", "weighed_at", together)
    first = _first(draft, together, stored)
    alone = [names[0] if len(names) == 1 else None for names in together]
    index = weighings.index
    columns: dict[str, pd.Series[Any]] = {
        "bale": pd.Series(alone, index=index, dtype="str"),
        "net": weighings["gross"] - weighings["tare"].fillna(0.0),
        **{
            flag: pd.Series([flag in words for words in flags], index=index, dtype=bool)
            for flag in ("wet", "soil", "film_on")
        },
        "first": pd.Series(first, index=index, dtype=bool),
        **_columns(draft, "weighings", stored.of_rows(~first)),
    }
    return draft.with_columns("weighings", columns)


def _first(draft: Draft, together: Sequence[tuple[str, ...]], stored: _Stored) -> Flags:
    """Tell which weighings are at wrapping: those of the earliest day of their bales, if early.

    Early is up to half the days to the first window of each bale. Without that, a bale that was
    never weighed at wrapping would pass off its weighing at opening as the first.
    """
    number: dict[tuple[str, ...], int] = {}
    groups = (names if len(names) == 1 else tuple(sorted(names)) for names in together)
    group = np.array([number.setdefault(names, len(number)) for names in groups], dtype=np.intp)
    earliest = np.full(len(number), np.inf)
    np.fmin.at(earliest, group, stored.days)
    opens = [opening.window[0] for opening in draft.settings.openings]
    begins = np.array([*opens, min(opens, default=np.inf), np.inf])  # the last two: _ANY, _NONE
    half_way = np.full(len(group), np.inf)
    np.minimum.at(half_way, stored.row, begins[_planned(draft)[stored.bale]] / 2.0)
    return (stored.days < earliest[group] + 1.0) & (stored.days <= half_way)


def _columns(draft: Draft, table: str, stored: _Stored) -> dict[str, pd.Series[Any]]:
    """Columns of days, opening and window; the bales in `stored` are those opened."""
    index, openings = draft.tables[table].index, draft.settings.openings
    at = _openings_of(draft, stored)
    names = np.array([*draft.settings.opening_names, None], dtype=object)
    low, high = np.array([*(opening.window for opening in openings), (-np.inf, np.inf)]).T
    inside = (at == _NONE) | ((low[at] <= stored.calendar) & (stored.calendar <= high[at]))
    return {
        "days": pd.Series(stored.days, index=index, dtype="float64"),
        "calendar_days": pd.Series(stored.calendar, index=index, dtype="float64"),
        "opening": pd.Series(names[at], index=index, dtype="str"),
        "in_window": pd.Series(inside, index=index, dtype=bool),
    }


def _stored(draft: Draft, table: str, when: str, names: Sequence[Sequence[str]]) -> _Stored:
    """Return the days in storage at the time `when` of each row, whose bales are `names`."""
    place = _places(draft.cells("bales", "bale"))
    rows = len(names)
    row = np.repeat(np.arange(rows), [*map(len, names)])
    bale = np.array([place.get(name, _NONE) for of in names for name in of], dtype=np.intp)
    known = np.bincount(row[bale == _NONE], minlength=rows) == 0
    row, bale = row[known[row]], bale[known[row]]
    times = draft.tables[table][when].to_numpy(dtype="datetime64[us]")[row]
    wrapped = draft.tables["bales"]["film_wrapped_at"].to_numpy(dtype="datetime64[us]")[bale]
    each = storage_days(times, wrapped)
    calendar = storage_days(times.astype("datetime64[D]"), wrapped)
    return _Stored(_means(each, row, rows), _means(calendar, row, rows), row, bale, each)


def _means(values: Days, row: Places, rows: int) -> Days:
    """Return the mean of each row's values, (rows,); NaN without any."""
    number = np.bincount(row, minlength=rows)
    total = np.bincount(row, weights=values, minlength=rows)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def _places(names: Sequence[str | None]) -> dict[str | None, int]:
    """Return the place of each name; of one that is there twice the first."""
    return {name: k for k, name in reversed([*enumerate(names)]) if name is not None}


def _planned(draft: Draft) -> Places:
    """Return the place of the opening that each bale is planned for, `_ANY` where that is open.

    `_NONE` where the planned one is not known: the nearest would be a guess.
    """
    if draft.settings.design != "separate":
        return np.full(len(draft.tables["bales"]), _ANY)
    place = {None: _ANY, **_places(draft.settings.opening_names)}
    cells = draft.cells("bales", "planned_opening")
    return np.array([place.get(name, _NONE) for name in cells], dtype=np.intp)


def _openings_of(draft: Draft, stored: _Stored) -> Places:
    """Return the place of the opening whose window is nearest to the days in storage of each row.

    `_NONE` where there is no bale or no days, or where its bales are at different openings.
    """
    names = draft.settings.opening_names
    if not names:
        return np.full(len(stored.days), _NONE)
    low, high = np.array([opening.window for opening in draft.settings.openings]).T
    outside = np.maximum(low - stored.each[:, None], stored.each[:, None] - high)
    # Of openings equally near the first by days, and of two of one name the first.
    nearest = np.argmin(np.maximum(outside, 0.0), axis=1)
    first = np.array([*map(_places(names).__getitem__, names)])
    planned = _planned(draft)[stored.bale]
    each = np.where(planned == _ANY, first[nearest], planned)
    each[~np.isfinite(stored.each)] = _NONE
    lowest, highest = np.full((2, len(stored.days)), _NONE)
    lowest[stored.row] = len(names)
    np.minimum.at(lowest, stored.row, each)
    np.maximum.at(highest, stored.row, each)
    return np.where(lowest == highest, highest, _NONE)
