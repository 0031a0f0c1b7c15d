"""What follows from the times and masses of samples and weighings: days, opening, window, net mass.

A value of several bales (a composite, a group weighing) has the mean of its bales' days, and an
opening only where all of them are at the same one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.frame_rows import storage_days
from silagetrial.data.settings import Opening

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

Days: TypeAlias = NDArray[np.float64]
Parts: TypeAlias = Sequence[Sequence[Row]]
"""The bales of each row; empty where one of them is not known."""


@dataclass(frozen=True)
class _Stored:
    """Days in storage of each row: exact, by the calendar, and of each of its bales alone."""

    days: Days
    calendar: Days
    apart: tuple[Days, ...]


def placed(draft: Draft) -> Draft:
    """Return the draft with the columns of `DERIVED`."""
    draft = _placed_weighings(_placed_samples(draft))
    for table, when in _SEEN.items():
        parts = [_bales_of(draft, (bale,)) for bale in draft.cells(table, "bale")]
        stored = _stored(draft, draft.tables[table][when], parts)
        draft = draft.with_columns(table, _columns(draft, table, stored, parts))
    return draft


def _placed_samples(draft: Draft) -> Draft:
    several = {name: [part["bale"] for part in of] for name, of in draft.parts.items()}
    cells = zip(draft.cells("samples", "sample"), draft.cells("samples", "of"), strict=True)
    parts = [_bales_of(draft, several.get(name, (of,))) for name, of in cells]
    stored = _stored(draft, draft.tables["samples"]["taken_on"], parts)
    silage = [
        bales if kind in ("core", "opening") else ()
        for kind, bales in zip(draft.cells("samples", "kind"), parts, strict=True)
    ]
    return draft.with_columns("samples", _columns(draft, "samples", stored, silage))


def _placed_weighings(draft: Draft) -> Draft:
    weighings = draft.tables["weighings"]
    together = draft.cells("weighings", "bales")
    parts = [_bales_of(draft, names) for names in together]
    stored = _stored(draft, weighings["weighed_at"], parts)
    groups = [names if len(names) == 1 else tuple(sorted(names)) for names in together]
    earliest: dict[tuple[str, ...], float] = {}
    for group, days in zip(groups, stored.days.tolist(), strict=True):
        if days == days:  # NaN is unequal to itself
            earliest[group] = min(days, earliest.get(group, days))
    half_way = _half_way(draft)
    # The one at wrapping: the day of the earliest, and an early one. Without that, a bale that
    # was never weighed at wrapping would pass off its weighing at opening as the first.
    first = [
        at < earliest.get(group, at) + 1.0 and all(at <= half_way(bale) for bale in bales)
        for group, bales, at in zip(groups, parts, stored.days.tolist(), strict=True)
    ]
    later = [() if is_first else bales for is_first, bales in zip(first, parts, strict=True)]
    alone = [names[0] if len(names) == 1 else None for names in together]
    index, flags = weighings.index, draft.cells("weighings", "flags")
    columns: dict[str, pd.Series[Any]] = {
        "bale": pd.Series(alone, index=index, dtype="str"),
        "net": weighings["gross"] - weighings["tare"].fillna(0.0),
        **{
            flag: pd.Series([flag in words for words in flags], index=index, dtype=bool)
            for flag in ("wet", "soil", "film_on")
        },
        "first": pd.Series(first, index=index, dtype=bool),
        **_columns(draft, "weighings", stored, later),
    }
    return draft.with_columns("weighings", columns)


def _columns(draft: Draft, table: str, stored: _Stored, parts: Parts) -> dict[str, pd.Series[Any]]:
    """Columns of days, opening and window; `parts` are the bales opened, empty where none is."""
    index = draft.tables[table].index
    openings = _openings_of(draft, parts, stored.apart)
    inside = [
        opening is None or opening.covers(day)
        for opening, day in zip(map(draft.settings.opening, openings), stored.calendar, strict=True)
    ]
    return {
        "days": pd.Series(stored.days, index=index, dtype="float64"),
        "calendar_days": pd.Series(stored.calendar, index=index, dtype="float64"),
        "opening": pd.Series(openings, index=index, dtype="str"),
        "in_window": pd.Series(inside, index=index, dtype=bool),
    }


def _bales_of(draft: Draft, names: Sequence[str]) -> Sequence[Row]:
    """Return the rows of bales; none of them where one is not known."""
    found = [draft.bales[name] for name in names if name in draft.bales]
    return found if len(found) == len(names) else ()


def _stored(draft: Draft, when: pd.Series[Any], parts: Parts) -> _Stored:
    """Return the days in storage of each row, NaN where a bale or a time is not known."""
    frame = draft.tables["bales"]
    place = {line: k for k, line in enumerate(frame.index.tolist())}
    sizes = np.array([len(bales) for bales in parts], dtype=np.int64)
    of_row = np.repeat(np.arange(len(parts)), sizes)
    at = np.array([place[bale["line"]] for bales in parts for bale in bales], dtype=np.int64)
    times = when.to_numpy(dtype="datetime64[us]")[of_row]
    wrapped = frame["film_wrapped_at"].to_numpy(dtype="datetime64[us]")[at]
    each = storage_days(times, wrapped)
    by_day = (times.astype("datetime64[D]") - wrapped.astype("datetime64[D]")) / np.timedelta64(
        1, "D"
    )
    ends = np.cumsum(sizes)
    apart = tuple(np.split(each, ends[:-1])) if len(ends) else ()
    return _Stored(_means(each, of_row, sizes), _means(by_day, of_row, sizes), apart)


def _means(values: Days, of_row: NDArray[np.int64], sizes: NDArray[np.int64]) -> Days:
    """Return the mean of each row's values, (rows,); NaN without any."""
    total = np.bincount(of_row, weights=values, minlength=len(sizes))
    return np.where(sizes > 0, total / np.maximum(sizes, 1), np.nan)


def _candidates(draft: Draft, bale: Row) -> tuple[Opening, ...]:
    """Return the openings a bale's results may belong to: the planned one, else all.

    None where the planned one is not known: the nearest would be a guess.
    """
    if draft.settings.design == "separate" and is_given(bale["planned_opening"]):
        planned = draft.settings.opening(bale["planned_opening"])
        return () if planned is None else (planned,)
    return draft.settings.openings


def _openings_of(draft: Draft, parts: Parts, apart: Sequence[Days]) -> list[str | None]:
    """Return the name of the opening whose window is nearest to the days in storage of each row.

    None where there is no bale or no days, or where its bales are at different openings.
    """
    separate = draft.settings.design == "separate"
    places: dict[object, list[tuple[int, int]]] = {}
    for k, bales in enumerate(parts):
        for j, bale in enumerate(bales):
            places.setdefault(bale["planned_opening"] if separate else None, []).append((k, j))
    found: list[set[str | None]] = [set() for _ in parts]
    for at in places.values():
        candidates = _candidates(draft, parts[at[0][0]][at[0][1]])
        stored = np.array([apart[k][j] for k, j in at])
        low, high = np.array([opening.window for opening in candidates] or [(0, 0)]).T
        outside = np.maximum(low - stored[:, None], stored[:, None] - high)
        # Of openings equally near the first by days, as they stand in the settings.
        nearest_one = np.argmin(np.maximum(outside, 0.0), axis=1)
        known = np.isfinite(stored).tolist()
        for (k, _), n, is_known in zip(at, nearest_one.tolist(), known, strict=True):
            found[k].add(candidates[n].name if is_known and candidates else None)
    return [names.pop() if len(names) == 1 else None for names in found]


def _half_way(draft: Draft) -> Callable[[Row], float]:
    """Return half the days to the first window of a bale: till then a weighing may be the first."""
    known: dict[object, float] = {}

    def half_way(bale: Row) -> float:
        """Half the days to the first window of the bale."""
        planned = bale["planned_opening"]
        if planned not in known:
            windows = [opening.window[0] for opening in _candidates(draft, bale)]
            known[planned] = min(windows, default=float("inf")) / 2.0
        return known[planned]

    return half_way
