"""Checks of names and entries: each thing named once, and entered once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

from silagetrial.data.draft import Draft, Row, by_line, is_given
from silagetrial.data.placed import DERIVED
from silagetrial.errors import Problem

__all__ = [
    "ambiguous_names",
    "duplicate_names",
    "duplicate_rows",
    "looked_up",
]

_NAMED = {
    "bales": "bale",
    "samples": "sample",
    "weighings": "weighing",
    "blind_key": "sample",
}
_LOOKED_UP_BY: Final = {
    "bales": ("samples", "sample_parts", "weighings", "events"),
    "samples": ("bales",),
    "weighings": ("bales",),
    "events": ("bales",),
    "scales": ("weighings",),
}


def looked_up(draft: Draft) -> Iterator[Problem]:
    """Say once which checks wait for a table that cannot be read."""
    for table, others in _LOOKED_UP_BY.items():
        waiting = [other for other in others if len(draft.tables[other])]
        if waiting and not draft.can_look_up(table):
            *most, last = waiting
            listed = f"{', '.join(most)} and {last}" if most else last
            name = draft.called(table)
            yield draft.problem(
                table,
                None,
                None,
                found=f"{listed} not checked against {name} until it is readable",
                expected="a table that can be read, under the headings that are known",
                remedy=f"correct {name} first, then check again: more may come up",
                severity="warning",
            )


def duplicate_names(draft: Draft) -> Iterator[Problem]:
    """Check that each bale, sample and weighing has a name of its own."""
    for table, column in _NAMED.items():
        given = [name for name in draft.cells(table, column) if name is not None]
        if len({*given}) == len(given):
            continue
        frame = draft.tables[table]
        again = frame.index[frame[column].duplicated(keep=False) & frame[column].notna()].tolist()
        first: dict[str, int] = {}
        for row in sorted(draft.rows_at(table, again), key=by_line):
            name = row[column]
            if name in first:
                yield draft.problem(
                    table,
                    row["line"],
                    column,
                    found=f"{column} {name!r} again, first in line {first[name]}",
                    expected=f"each {column} in one line",
                    remedy="rename one of the two, or remove the line",
                )
            first.setdefault(name, row["line"])


def ambiguous_names(draft: Draft) -> Iterator[Problem]:
    """Check that no bale, pair or lot shares its name with another of these."""
    kinds: dict[str, str] = {}
    for column in ("bale", "pair", "lot"):
        seen: set[str] = set()
        for k, name in enumerate(draft.cells("bales", column)):
            if name is None or name in seen:
                continue
            seen.add(name)
            if name in kinds:
                row = draft.rows("bales")[k]
                yield draft.problem(
                    "bales",
                    row["line"],
                    column,
                    found=f"{name!r}, the name of a {kinds[name]} and of a {column}",
                    expected="different names for bales, pairs and lots",
                    remedy="rename one of them, so that a sample's origin is clear",
                )
            kinds.setdefault(name, column)


def duplicate_rows(draft: Draft) -> Iterator[Problem]:
    """Check that no sample, weighing or event is entered twice under another name."""
    for table, is_filled in _CAN_REPEAT.items():
        apart = {_NAMED.get(table, ""), "note", "supersedes", *DERIVED.get(table, {})}
        frame = draft.tables[table]
        columns = [name for name in frame.columns if name not in apart]
        # Rows that are alike in these are few; only they are compared in full.
        alike = frame.index[frame.duplicated(_ALIKE[table], keep=False)].tolist()
        first: dict[tuple[str, ...], int] = {}
        for row in sorted(draft.rows_at(table, alike), key=by_line):
            content = tuple(str(row[column]) for column in columns)
            if is_filled(row) and content in first:
                yield draft.problem(
                    table,
                    row["line"],
                    None,
                    found=f"the same entries as in line {first[content]}",
                    expected="each sample, weighing and event entered once",
                    remedy="remove one of the two lines",
                )
            first.setdefault(content, row["line"])


_ALIKE: Final = {
    "samples": ["of", "taken_on", "dm", "pH"],
    "weighings": ["bales", "weighed_at", "gross"],
    "events": ["bale", "what", "at"],
}
_CAN_REPEAT: dict[str, Callable[[Row], bool]] = {
    # Two samples without results yet, taken alike, are no repetition.
    # Nor are a sample and its duplicate, which may well agree to the last digit.
    "samples": lambda row: (
        (is_given(row["dm"]) or is_given(row["pH"])) and row["role"] != "duplicate"
    ),
    "weighings": lambda row: is_given(row["gross"]),
    "events": lambda row: is_given(row["bale"]) and is_given(row["at"]),
}
