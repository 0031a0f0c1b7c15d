"""The steps that put a draft in order, each from a draft to a new one.

Laboratory units become the ones used inside (`converted`), replaced results leave
(`without_superseded`), and what follows from the times and masses is added (`placed`).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.frame_rows import storage_days
from silagetrial.data.settings import Opening
from silagetrial.data.units import (
    MEASURE_OF,
    UNITS,
    dm_to_g_per_kg,
    inside_unit,
    measured_in,
    needs,
    to_inside_unit,
)
from silagetrial.errors import Problem

__all__ = ["DERIVED", "converted", "measured", "placed", "without_superseded"]

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


def converted(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft with laboratory results in the units used inside.

    A result whose unit is not declared, or that stands on fresh matter without a dry matter,
    becomes missing and a problem: a number in an unknown unit is worse than none.
    """
    problems: list[Problem] = []
    unconverted: list[str] = []
    samples = draft.tables["samples"]
    columns: dict[str, pd.Series[Any]] = {}
    units = draft.settings.units
    dm = samples["dm"].to_numpy(dtype=np.float64)
    dm = dm_to_g_per_kg(dm, unit=units["dm"]) if "dm" in units else np.full_like(dm, np.nan)
    for name in sorted(UNITS, key=lambda name: name == "ammonia_n"):
        parts = [name, f"{name}_below"] if f"{name}_below" in samples.columns else [name]
        filled = samples[parts].notna().any(axis=1).to_numpy()
        if not filled.any():
            continue
        if name not in units:
            unconverted.append(name)
            columns |= {part: pd.Series(np.nan, index=samples.index) for part in parts}
            continue
        total_n = columns.get("total_n", samples["total_n"]).to_numpy(dtype=np.float64)
        of = {"dm": dm, "total_n": total_n}
        problems += [
            _lacks(draft, name, what, int(line))
            for what in needs(name, units[name])
            if what not in unconverted
            for line in samples.index[filled & ~(of[what] > 0)]
            if not draft.is_rejected("samples", int(line), what)
        ]
        if units[name] == inside_unit(name):
            continue
        for part in parts:
            values = samples[part].to_numpy(dtype=np.float64)
            inside = to_inside_unit(values, column=name, unit=units[name], **of)
            columns[part] = pd.Series(inside, index=samples.index)
    problems += _no_units(draft, unconverted)
    draft = replace(draft, unconverted=frozenset(unconverted))
    return draft.with_columns("samples", columns), tuple(problems)


def _no_units(draft: Draft, names: list[str]) -> list[Problem]:
    """Return the problems with results of no unit, those with a unit that was refused left out."""
    section = draft.raw_settings.get("units")
    if names and section is None:
        return [
            draft.setting_problem(
                "",
                "units",
                found=f"no section [units], with results in the columns {', '.join(names)} of "
                f"{draft.called('samples')}",
                expected="a section [units] with the unit of each result",
                remedy="add [units] and below it a line for each column, such as "
                + " and ".join(f'{name} = "{UNITS[name][0]}"' for name in names[:2])
                + "; the laboratory report names the units",
            )
        ]
    said = section if isinstance(section, dict) else names
    return [_no_unit(draft, name) for name in names if name not in said]


def _no_unit(draft: Draft, name: str) -> Problem:
    return draft.setting_problem(
        "units",
        name,
        found=f"results in the column {name} of {draft.called('samples')}, whose unit is not "
        "declared",
        expected=f"{name} = " + " or ".join(repr(unit) for unit in UNITS[name]),
        remedy="add the line under [units]; the laboratory report names the unit",
    )


def _lacks(draft: Draft, name: str, what: str, line: int) -> Problem:
    fresh = "a result on fresh matter without the dry matter of the sample"
    return draft.problem(
        "samples",
        line,
        name,
        found=fresh if what == "dm" else "ammonia without the total N of the sample",
        expected=f"a value in the column {what} of the same line",
        remedy="add the dry matter; the result cannot be put on dry matter without it"
        if what == "dm"
        else 'add it, or give ammonia-N in "% of total N"',
    )


def measured(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft with what was measured on the farm in the units used inside."""
    for table, measures in MEASURE_OF.items():
        columns = {
            name: pd.Series(
                measured_in(draft.tables[table][name], measure=measure, unit=unit),
                index=draft.tables[table].index,
            )
            for name, measure in measures.items()
            if (unit := draft.settings.measures.get(measure)) is not None
        }
        draft = draft.with_columns(table, columns)
    return draft, ()


def without_superseded(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft without results that another result replaces, each listed."""
    if not any(draft.cells("samples", "supersedes")):
        return draft, ()
    rows = {row["sample"]: row for row in draft.rows("samples") if is_given(row["sample"])}
    problems: list[Problem] = []
    replaced: set[int] = set()
    for row in rows.values():
        old = row["supersedes"]
        if not is_given(old):
            continue
        target = rows.get(old)
        if _not_read(draft, old, target, row):
            continue
        if target is None or old == row["sample"] or target["of"] != row["of"]:
            problems.append(_dangling_supersedes(draft, row, target))
            continue
        replaced.add(target["line"])
        problems.append(
            draft.problem(
                "samples",
                target["line"],
                "sample",
                found=f"sample {old}, replaced by {row['sample']} in line {row['line']}",
                expected="one result in use",
                remedy=f"{old} is left out; nothing to do if that is meant",
                severity="warning",
            )
        )
    return draft.without_rows("samples", replaced), tuple(problems)


def _not_read(draft: Draft, old: str, target: Row | None, row: Row) -> bool:
    """Tell whether what a result replaces, or is of, stands in the file and could not be read."""
    if target is None:
        return "sample" not in draft.given["samples"] or draft.is_unsure("samples", old)
    return not (is_given(target["of"]) and is_given(row["of"]))


def _dangling_supersedes(draft: Draft, row: Row, target: Row | None) -> Problem:
    found = f"supersedes {row['supersedes']}, which is no sample of {draft.called('samples')}"
    if target is not None:
        found = f"supersedes {row['supersedes']}, a sample of {target['of']}, not of {row['of']}"
        if target is row or target["sample"] == row["sample"]:
            found = f"sample {row['sample']} supersedes itself"
    return draft.problem(
        "samples",
        row["line"],
        "supersedes",
        found=found,
        expected="the name of an earlier result of the same bale, pair or lot, in this file",
        remedy="correct the name, or leave the cell blank",
    )


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
