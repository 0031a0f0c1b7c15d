"""The steps that put a draft in order, each from a draft to a new one.

Laboratory units become the ones used inside (`converted`), replaced results leave
(`without_superseded`), and what follows from the times and masses is added (`placed`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.data.draft import Draft, Row, is_given, storage_days
from silagetrial.data.nearest import nearest
from silagetrial.data.settings import Opening
from silagetrial.data.units import UNITS, dm_to_g_per_kg, to_inside_unit
from silagetrial.errors import Problem

__all__ = ["DERIVED", "converted", "placed", "without_superseded"]

DERIVED: Final[Mapping[str, Mapping[str, str]]] = {
    "samples": {
        "days": "days in storage, from film wrapping; of samples of one bale only",
        "opening": "opening the sample belongs to; none for day 0",
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
    samples = draft.tables["samples"].copy()
    units = draft.settings.units
    dm = samples["dm"].to_numpy(dtype=np.float64)
    dm = dm_to_g_per_kg(dm, unit=units["dm"]) if "dm" in units else np.full_like(dm, np.nan)
    for name in UNITS:
        parts = [name, f"{name}_below"] if f"{name}_below" in samples.columns else [name]
        filled = samples[parts].notna().any(axis=1).to_numpy()
        if name not in units:
            if filled.any():
                unconverted.append(name)
            samples[parts] = np.nan
            continue
        if units[name] == "g/kg fresh" and "dm" in units:
            problems += [
                _no_dry_matter(draft, name, int(line))
                for line in samples.index[filled & np.isnan(dm)]
                if not draft.is_rejected("samples", int(line), "dm")
            ]
        for part in parts:
            values = samples[part].to_numpy(dtype=np.float64)
            samples[part] = to_inside_unit(values, column=name, unit=units[name], dm=dm)
    problems += _no_units(draft, unconverted)
    draft = replace(draft, unconverted=frozenset(unconverted))
    return draft.with_table("samples", samples), tuple(problems)


def _no_units(draft: Draft, names: list[str]) -> list[Problem]:
    """Return the problems with results of no unit, those with a unit that was refused left out."""
    section = draft.raw_settings.get("units")
    if section is None and any(nearest(key, ("units",)) for key in draft.raw_settings):
        return []  # said of the heading
    if names and section is None:
        return [
            draft.setting_problem(
                "",
                "units",
                found=f"no section [units], with results in the columns {', '.join(names)} of "
                "samples.csv",
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
        found=f"results in the column {name} of samples.csv, whose unit is not declared",
        expected=f"{name} = " + " or ".join(repr(unit) for unit in UNITS[name]),
        remedy="add the line under [units]; the laboratory report names the unit",
    )


def _no_dry_matter(draft: Draft, name: str, line: int) -> Problem:
    return draft.problem(
        "samples",
        line,
        name,
        found="a result on fresh matter without the dry matter of the sample",
        expected="a value in the column dm of the same line",
        remedy="add the dry matter; the result cannot be put on dry matter without it",
    )


def without_superseded(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft without results that another result replaces, each listed."""
    samples = draft.tables["samples"]
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
    kept = samples.loc[~samples.index.isin(sorted(replaced))]
    return draft.with_table("samples", kept), tuple(problems)


def _not_read(draft: Draft, old: str, target: Row | None, row: Row) -> bool:
    """Tell whether what a result replaces, or is of, stands in the file and could not be read."""
    if target is None:
        return "sample" not in draft.given["samples"] or draft.is_unsure("samples", old)
    return not (is_given(target["of"]) and is_given(row["of"]))


def _dangling_supersedes(draft: Draft, row: Row, target: Row | None) -> Problem:
    found = f"supersedes {row['supersedes']}, which is no sample of samples.csv"
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
    samples = draft.tables["samples"].copy()
    days, openings = [], []
    for row in draft.rows("samples"):
        bale = draft.bales.get(row["of"])
        stored = float("nan") if bale is None else _days_of(row["taken_on"], bale)
        days.append(stored)
        silage = bale is not None and row["kind"] in ("core", "opening")
        openings.append(_opening_of(draft, bale, stored) if silage and bale is not None else None)
    samples["days"] = pd.Series(days, index=samples.index, dtype="float64")
    samples["opening"] = pd.Series(openings, index=samples.index, dtype="str")
    return draft.with_table("samples", samples)


def _placed_weighings(draft: Draft) -> Draft:
    weighings = draft.tables["weighings"].copy()
    rows = draft.rows("weighings")
    names = [row["bales"][0] if len(row["bales"]) == 1 else None for row in rows]
    bales = [draft.bales.get(name) if name is not None else None for name in names]
    days = [
        float("nan") if bale is None else _days_of(row["weighed_at"], bale)
        for row, bale in zip(rows, bales, strict=True)
    ]
    earliest: dict[str, float] = {}
    for name, stored in zip(names, days, strict=True):
        if name is not None and np.isfinite(stored):
            earliest[name] = min(stored, earliest.get(name, stored))
    openings = [
        None
        if bale is None or _is_first(draft, bale, stored, earliest)
        else _opening_of(draft, bale, stored)
        for bale, stored in zip(bales, days, strict=True)
    ]
    index = weighings.index
    weighings["bale"] = pd.Series(names, index=index, dtype="str")
    weighings["net"] = weighings["gross"] - weighings["tare"].fillna(0.0)
    for flag in ("wet", "soil", "film_on"):
        weighings[flag] = pd.Series([flag in row["flags"] for row in rows], index=index, dtype=bool)
    weighings["days"] = pd.Series(days, index=index, dtype="float64")
    weighings["opening"] = pd.Series(openings, index=index, dtype="str")
    return draft.with_table("weighings", weighings)


def _days_of(when: object, bale: Row) -> float:
    return storage_days(when, bale["film_wrapped_at"])


def _candidates(draft: Draft, bale: Row) -> tuple[Opening, ...]:
    """Return the openings a bale's results may belong to: the planned one, else all.

    None where the planned one is not known: the nearest would be a guess.
    """
    if draft.settings.design == "separate" and is_given(bale["planned_opening"]):
        planned = draft.settings.opening(bale["planned_opening"])
        return () if planned is None else (planned,)
    return draft.settings.openings


def _opening_of(draft: Draft, bale: Row, days: float) -> str | None:
    """Return the name of the opening whose window is nearest to the days in storage."""
    candidates = _candidates(draft, bale)
    if not candidates or not np.isfinite(days):
        return None
    return min(candidates, key=lambda opening: (_outside(opening, days), opening.days)).name


def _outside(opening: Opening, days: float) -> float:
    return max(opening.window[0] - days, days - opening.window[1], 0.0)


def _is_first(draft: Draft, bale: Row, days: float, earliest: Mapping[str, float]) -> bool:
    """Tell whether a weighing is the one at wrapping: the day of the earliest, and an early one.

    Early is the first half of the time to the first window. Without that, a bale that was never
    weighed at wrapping would pass off its weighing at opening as the first.
    """
    windows = [opening.window[0] for opening in _candidates(draft, bale)]
    half_way = min(windows, default=float("inf")) / 2.0
    return days < earliest.get(bale["bale"], days) + 1.0 and days <= half_way
