"""Laboratory results and what was measured on the farm, put into the units used inside."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from silagetrial.data.draft import Draft
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

__all__ = ["converted", "measured"]


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
