"""Days in storage and the opening of each sample and weighing, from the times; net masses."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.frame_rows import storage_days
from silagetrial.data.settings import Opening

__all__ = ["DERIVED", "placed"]

DERIVED: Final[Mapping[str, Mapping[str, str]]] = {
    "samples": {
        "days": "days in storage, from film wrapping; of samples of one bale only",
        "opening": "opening the sample belongs to; none for day 0",
        "role": "sample, or duplicate, as in the blind key",
        "of_sample": "the sample that a duplicate is a part of",
    },
    "weighings": {
        "bale": "the bale on the scale, where it is one",
        "net": "gross less tare, kg",
        "wet": "the bale was wet",
        "soil": "the bale carried soil",
        "film_on": "the bale carried its stretch film",
        "days": "days in storage, from film wrapping",
        "opening": "opening the weighing belongs to; none for the first weighing",
    },
}
"""Columns that follow from others and are added once, at reading."""


def placed(draft: Draft) -> Draft:
    """Return the draft with the columns of `DERIVED`."""
    return _placed_weighings(_placed_samples(draft))


def _placed_samples(draft: Draft) -> Draft:
    index = draft.tables["samples"].index
    parts = {name: [part["bale"] for part in of] for name, of in draft.parts.items()}
    names, kinds = draft.cells("samples", "sample"), draft.cells("samples", "kind")
    bales = [
        _standing_for(draft, parts[name]) if name in parts else draft.bales.get(of)
        for name, of in zip(names, draft.cells("samples", "of"), strict=True)
    ]
    days = _days_of(draft, draft.tables["samples"]["taken_on"], bales)
    silage = [
        bale if kind in ("core", "opening") else None
        for kind, bale in zip(kinds, bales, strict=True)
    ]
    openings = _openings_of(draft, silage, days)
    columns: dict[str, pd.Series[Any]] = {
        "days": pd.Series(days, index=index, dtype="float64"),
        "opening": pd.Series(openings, index=index, dtype="str"),
    }
    return draft.with_columns("samples", columns)


def _placed_weighings(draft: Draft) -> Draft:
    weighings = draft.tables["weighings"]
    groups = draft.cells("weighings", "bales")
    names = [group[0] if len(group) == 1 else None for group in groups]
    bales = [_standing_for(draft, group) for group in groups]
    days = _days_of(draft, weighings["weighed_at"], bales)
    openings = _openings_of(draft, _weighed_later(draft, groups, bales, days), days)
    index = weighings.index
    flags = draft.cells("weighings", "flags")
    columns: dict[str, pd.Series[Any]] = {
        "bale": pd.Series(names, index=index, dtype="str"),
        "net": weighings["gross"] - weighings["tare"].fillna(0.0),
        **{
            flag: pd.Series([flag in words for words in flags], index=index, dtype=bool)
            for flag in ("wet", "soil", "film_on")
        },
        "days": pd.Series(days, index=index, dtype="float64"),
        "opening": pd.Series(openings, index=index, dtype="str"),
    }
    return draft.with_columns("weighings", columns)


def _weighed_later(
    draft: Draft,
    groups: Sequence[tuple[str, ...]],
    bales: Sequence[Row | None],
    days: NDArray[np.float64],
) -> list[Row | None]:
    """Return the bale of each weighing that is not the one at wrapping, else None."""
    alike = [group if len(group) == 1 else tuple(sorted(group)) for group in groups]
    stored = days.tolist()
    earliest: dict[tuple[str, ...], float] = {}
    for group, at in zip(alike, stored, strict=True):
        if at == at and at < earliest.get(group, math.inf):  # NaN is unequal to itself
            earliest[group] = at
    half_way = _half_way(draft)
    return [
        None
        if bale is None
        # The one at wrapping: the day of the earliest, and an early one. Without that, a bale
        # that was never weighed at wrapping would pass off its weighing at opening as the first.
        or (at < earliest.get(group, at) + 1.0 and at <= half_way(bale))
        else bale
        for group, bale, at in zip(alike, bales, stored, strict=True)
    ]


def _standing_for(draft: Draft, names: Sequence[str]) -> Row | None:
    """Return the bale whose days in storage are those of all: the first of them.

    None where one is not known, or where they are planned for different openings.
    """
    if len(names) == 1:
        return draft.bales.get(names[0])
    bales = [draft.bales[name] for name in names if name in draft.bales]
    planned = {str(bale["planned_opening"]) for bale in bales}
    return bales[0] if bales and len(bales) == len(names) and len(planned) == 1 else None


def _days_of(
    draft: Draft, when: pd.Series[Any], bales: Sequence[Row | None]
) -> NDArray[np.float64]:
    """Return the days in storage of each row, NaN where there is no one bale."""
    frame = draft.tables["bales"]
    place = {line: k for k, line in enumerate(frame.index.tolist())}
    at = np.array([-1 if bale is None else place[bale["line"]] for bale in bales], dtype=np.int64)
    wrapped = frame["film_wrapped_at"].to_numpy(dtype="datetime64[us]")
    times = np.append(wrapped, np.datetime64("NaT"))[at]
    return storage_days(when.to_numpy(dtype="datetime64[us]"), times)


def _candidates(draft: Draft, bale: Row) -> tuple[Opening, ...]:
    """Return the openings a bale's results may belong to: the planned one, else all.

    None where the planned one is not known: the nearest would be a guess.
    """
    if draft.settings.design == "separate" and is_given(bale["planned_opening"]):
        planned = draft.settings.opening(bale["planned_opening"])
        return () if planned is None else (planned,)
    return draft.settings.openings


def _openings_of(
    draft: Draft, bales: Sequence[Row | None], days: NDArray[np.float64]
) -> list[str | None]:
    """Return the name of the opening whose window is nearest to the days in storage of each row.

    None where there is no bale, or no days.
    """
    separate = draft.settings.design == "separate"
    places: dict[object, list[int]] = {}
    for k, bale in enumerate(bales):
        if bale is not None:
            places.setdefault(bale["planned_opening"] if separate else None, []).append(k)
    openings: list[str | None] = [None] * len(bales)
    for at in places.values():
        candidates = _candidates(draft, next(bales[k] or {} for k in at))
        stored = days[at]
        low, high = np.array([opening.window for opening in candidates] or [(0, 0)]).T
        outside = np.maximum(low - stored[:, None], stored[:, None] - high)
        # Of openings equally near the first by days, as they stand in the settings.
        nearest_one = np.argmin(np.maximum(outside, 0.0), axis=1)
        for k, j, known in zip(at, nearest_one.tolist(), np.isfinite(stored).tolist(), strict=True):
            if known and candidates:
                openings[k] = candidates[j].name
    return openings


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
