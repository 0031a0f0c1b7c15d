"""What the blind key says of samples: where each is from, and which are controls."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Final

import numpy as np
import pandas as pd

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.errors import Problem

__all__ = ["set_aside", "unblinded", "without_reference"]

_FILLED: Final = ("of", "kind", "batch")


def unblinded(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft with samples filled in from the blind key.

    Blank cells of ``of``, ``kind`` and ``batch`` are filled, and the derived columns ``role`` and
    ``of_sample`` added; a duplicate without a time was taken when its sample was. What stands in
    both tables and differs is a problem, and samples keep what they say. A result that replaces
    another is looked up under the name of that one where it has no entry of its own.
    """
    key = {row["sample"]: row for row in reversed(draft.rows("blind_key"))}
    if not key:
        index = draft.tables["samples"].index
        role = pd.Series("sample", index=index, dtype="str")
        nobody = pd.Series(None, index=index, dtype="str")
        return draft.with_columns("samples", {"role": role, "of_sample": nobody}), ()
    partners, problems = _partners(draft, key)
    filled = []
    taken = {row["sample"]: row["taken_on"] for row in draft.rows("samples")}
    for row in draft.rows("samples"):
        entry = key.get(row["sample"]) or key.get(row["supersedes"]) or {}
        problems += _contradictions(draft, row, entry)
        values = {name: _first(row[name], entry.get(name)) for name in _FILLED}
        values["role"] = entry.get("role") if is_given(entry.get("role")) else "sample"
        values["of_sample"] = partners.get(entry.get("sample", ""))
        values["taken_on"] = _first(row["taken_on"], taken.get(values["of_sample"]))
        filled.append(values)
    index = draft.tables["samples"].index
    columns: dict[str, pd.Series[Any]] = {}
    for name in (*_FILLED, "role", "of_sample", "taken_on"):
        cells = [values[name] for values in filled]
        if name == "taken_on":
            columns[name] = pd.Series(np.array(cells, dtype="datetime64[us]"), index=index)
        else:
            columns[name] = pd.Series(cells, index=index, dtype="str")
    return draft.with_columns("samples", columns), tuple(problems)


def _first(cell: object, other: object) -> object:
    if is_given(cell):
        return cell
    return other if is_given(other) else None


def _contradictions(draft: Draft, row: Row, entry: Row) -> Iterator[Problem]:
    for name in _FILLED:
        here, there = row[name], entry.get(name)
        if is_given(here) and is_given(there) and here != there:
            yield draft.problem(
                "samples",
                row["line"],
                name,
                found=f"sample {row['sample']}: {name} {here!r} here, {there!r} in line "
                f"{entry['line']} of {draft.called('blind_key')}",
                expected="the same in both, or a blank cell here",
                remedy="see which is right and correct the other; if two samples were exchanged, "
                "the same fault stands at the other one",
            )


def _partners(draft: Draft, key: Mapping[str, Row]) -> tuple[dict[str, str | None], list[Problem]]:
    """Return the sample that each duplicate is a part of."""
    same: dict[tuple[str, ...], list[str]] = {}
    for row in key.values():
        if row["role"] == "sample":
            same.setdefault(_origin(row), []).append(row["sample"])
    partners: dict[str, str | None] = {}
    problems = []
    for row in key.values():
        if row["role"] != "duplicate":
            continue
        named, alike = row["of_sample"], same.get(_origin(row), [])
        if is_given(named):
            fits = named in alike
        else:
            fits = len(alike) == 1
            named = alike[0] if fits else None
        partners[row["sample"]] = named if fits else None
        if not fits:
            problems.append(_no_partner(draft, row, alike))
    return partners, problems


def _origin(row: Row) -> tuple[str, ...]:
    cells = (row["of"], row["kind"], row["opening"])
    return tuple(str(cell) if is_given(cell) else "" for cell in cells)


def _no_partner(draft: Draft, row: Row, alike: list[str]) -> Problem:
    named = f", of_sample {row['of_sample']!r}" if is_given(row["of_sample"]) else ""
    there = f"there are {', '.join(alike)}" if alike else "there is none"
    return draft.problem(
        "blind_key",
        row["line"],
        "of_sample",
        found=f"duplicate {row['sample']} of {row['of']}{named}; of role sample, from the same "
        f"bale, kind and opening, {there}",
        expected="the sample that the duplicate is a part of",
        remedy="write its name under of_sample",
    )


def without_reference(draft: Draft) -> tuple[Draft, pd.DataFrame]:
    """Return the draft without the results of reference samples, and these."""
    samples = draft.tables["samples"]
    is_reference = samples["role"] == "reference"
    reference = samples[is_reference]
    return draft.without_rows("samples", reference.index.tolist()), reference


def set_aside(samples: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return the samples to analyse, and the duplicates that are not analysed.

    Duplicates stay among the samples, to be averaged with them, where every sample of a kind has
    equally many; else a bale with a duplicate would weigh more than its partner without, or need
    a variance of its own from a handful of duplicates. They are then set aside, and tell the
    laboratory's precision.
    """
    is_duplicate = samples["role"] == "duplicate"
    if not is_duplicate.any():
        return samples, samples[is_duplicate]
    aside = pd.Series(data=False, index=samples.index)
    for _, kind in samples.groupby("kind"):
        twins = kind[kind["role"] == "duplicate"]
        counts = kind.loc[kind["role"] == "sample", "sample"].map(twins["of_sample"].value_counts())
        if twins["of_sample"].isna().any() or counts.fillna(0).nunique() != 1:
            aside[twins.index] = True
    aside &= is_duplicate
    return samples[~aside], samples[aside]
