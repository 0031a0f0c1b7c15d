"""Rows that are planned and not done yet: no fault, nothing to analyse, and what is to be done."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Final

import pandas as pd

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.frames import Rejected
from silagetrial.data.schema import ANALYTES, COUNTS, PLANNABLE_EVENTS, SPARE, TABLES
from silagetrial.display.table import Table
from silagetrial.errors import Problem

__all__ = ["due_table", "planned_openings", "with_due"]

_DONE: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("baled_at", "film_wrapped_at"),
    "samples": ("taken_on", "fresh_kg", "binding_seen", "dm", "pH", *ANALYTES, *COUNTS),
    "weighings": ("weighed_at", "gross"),
    "events": ("at", "cause"),
    "scales": ("check_reading",),
    "mould": ("seen_at", "surface_share", "discarded_kg"),
    "temperatures": ("measured_at", "temperature"),
    "aerobic": ("opened_at", "hours", "ended"),
}
"""Columns of which one that is filled says that something of the row was done."""


def with_due(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft with the lines not done yet named, and what other lines lack.

    A bale is not made yet where it has no time of baling and of wrapping, and no sample, weighing
    or event of its own that was done.
    """
    untouched = {table: _untouched(draft, table) for table in _DONE}
    due = {
        table: frozenset(
            row["line"]
            for row in draft.rows_at(table, untouched[table])
            if table not in _IS_DUE or _IS_DUE[table](row)
        )
        for table in _DONE
        if table != "bales"
    }
    measured = _measured(draft, due)
    due["bales"] = frozenset(
        row["line"]
        for row in draft.rows_at("bales", untouched["bales"])
        if row["bale"] not in measured
    )
    draft = replace(draft, due=due)
    problems: list[Problem] = []
    read = dict(draft.read)
    for table in TABLES:
        blank = [
            (row, column.name)
            for column in TABLES[table]
            if column.once_done and column.name in draft.given[table]
            for row in _blank_in(draft, table, column.name)
            if _is_lacking(draft, table, row, column.name)
        ]
        problems += [_blank_cell(draft, table, row, name, measured) for row, name in blank]
        marks = tuple(Rejected(row["line"], name, ("",)) for row, name in blank)
        read[table] = replace(read[table], rejected=(*read[table].rejected, *marks))
    return replace(draft, read=read), tuple(problems)


def _untouched(draft: Draft, table: str) -> frozenset[int]:
    """Return the lines of a table on which nothing was done, what cannot be read included."""
    frame = draft.tables[table]
    names = [name for done in _DONE[table] for name in (done, f"{done}_below") if name in frame]
    lines = frame.index[frame[names].isna().all(axis=1)].tolist()
    return frozenset(
        line
        for line in lines
        if not any(draft.is_rejected(table, line, name) for name in _DONE[table])
    )


def _scale_is_due(row: Row) -> bool:
    # A scale that is described needs no known mass; one with a mass set down for it does.
    described = is_given(row["kind"]) or is_given(row["step"])
    return is_given(row["check_mass"]) or not described


_IS_DUE: Final[Mapping[str, Callable[[Row], bool]]] = {
    "events": lambda row: row["what"] in PLANNABLE_EVENTS,
    "scales": _scale_is_due,
}
"""Of rows on which nothing was done, which are still to come; all of them in other tables."""


def _measured(draft: Draft, due: Mapping[str, frozenset[int]]) -> dict[str, str]:
    """Return the bales without a time of which something was done, each with what."""
    times = draft.tables["bales"][[*_DONE["bales"]]]
    without = {*draft.tables["bales"].loc[times.isna().any(axis=1), "bale"].dropna()}
    found: dict[str, str] = {}
    if not without:
        return found
    for row in draft.rows("samples"):
        if row["line"] not in due["samples"] and row["of"] in without:
            found.setdefault(row["of"], f"sample {row['sample']}")
    for row in draft.rows("weighings"):
        if row["line"] not in due["weighings"]:
            for bale in without.intersection(row["bales"]):
                found.setdefault(bale, f"weighing {row['weighing']}")
    for row in draft.rows("events"):
        if row["line"] not in due["events"] and row["bale"] in without:
            found.setdefault(row["bale"], f"event {row['what']}")
    return found


def _blank_in(draft: Draft, table: str, column: str) -> list[Row]:
    frame = draft.tables[table]
    return draft.rows_at(table, frame.index[frame[column].isna()].tolist())


def _is_lacking(draft: Draft, table: str, row: Row, column: str) -> bool:
    """Tell whether a cell is blank that should be filled by now."""
    if draft.is_rejected(table, row["line"], column):
        return False
    if table == "samples" and column == "of" and row["sample"] in draft.parts:
        return False
    if table == "samples" and row["role"] == "reference":
        return False
    if table == "samples" and column in ("of", "kind") and draft.rows("blind_key"):
        return True  # a key that lacks a planned sample is better mended at once
    return row["line"] not in draft.due.get(table, ())


def _blank_cell(
    draft: Draft, table: str, row: Row, name: str, measured: Mapping[str, str]
) -> Problem:
    column = next(column for column in TABLES[table] if column.name == name)
    found, remedy = "a blank cell", "fill in the cell"
    if table == "bales" and row["bale"] in measured:
        found += f", though bale {row['bale']} was made: there is {measured[row['bale']]}"
    if table == "samples" and name in ("of", "kind"):
        if draft.rows("blind_key"):
            found += f", and {draft.called('blind_key')} does not say it of {row['sample']}"
            remedy += f", or correct the sample's name or {draft.called('blind_key')}"
        else:
            remedy += ", or add blind_key.csv where samples are blind"
    return draft.problem(
        table,
        row["line"],
        name,
        found=found,
        expected=f"a value: {column.description}",
        remedy=remedy,
    )


def planned_openings(draft: Draft) -> dict[tuple[str, int], str | None]:
    """Return the opening each sample and weighing not done yet is planned for, by table and line.

    None at baling and wrapping. A weighing that does not name its opening is the one at wrapping
    until its bale has been weighed.
    """
    if not (draft.due["weighings"] or draft.due["samples"]):
        return {}
    key = {row["sample"]: row["opening"] for row in draft.rows("blind_key")}
    weighed = {
        bale
        for row in draft.rows("weighings")
        if row["line"] not in draft.due["weighings"]
        for bale in row["bales"]
    }
    planned: dict[tuple[str, int], str | None] = {}
    for row in draft.due_rows("weighings"):
        bale = row["bales"][0] if row["bales"] else ""
        later = _opening_of_bale(draft.bales.get(bale)) if bale in weighed else None
        named = row["planned_opening"]
        planned["weighings", row["line"]] = str(named) if is_given(named) else later
    for row in draft.due_rows("samples"):
        named = key.get(row["sample"])
        if row["kind"] == "day0":
            named = None
        elif not is_given(named):
            named = _opening_of_bale(draft.bales.get(_bales_due(draft, row)[0]))
        planned["samples", row["line"]] = named
    return planned


def _bales_due(draft: Draft, row: Row) -> list[str]:
    """Return the bales a sample is to be taken of; a composite's are of one opening."""
    return [part["bale"] for part in draft.parts.get(row["sample"], ())] or [row["of"]]


def _opening_of_bale(bale: Row | None) -> str | None:
    if bale is None or not is_given(bale["planned_opening"]) or bale["planned_opening"] == SPARE:
        return None
    return str(bale["planned_opening"])


def due_table(draft: Draft) -> Table:
    """Return what is planned and not done yet: table, name, bale, what, opening, days.

    ``days`` are the planned days in storage, 0 at baling and wrapping, missing where they are not
    planned.
    """
    openings = planned_openings(draft)
    rows = [
        (table, *_due_row(draft, table, row, openings.get((table, row["line"]))))
        for table in ("bales", "weighings", "samples", "events", "scales", *_SEEN)
        for row in draft.due_rows(table)
    ]
    frame = pd.DataFrame(rows, columns=["table", "name", "bale", "what", "opening", "days"])
    frame["days"] = frame["days"].astype("float64")
    return Table(frame, title="Planned and not done yet")


def _due_row(
    draft: Draft, table: str, row: Row, opening: str | None
) -> tuple[str | None, str | None, str, str | None, float | None]:
    """Return name, bale, what, opening and days in storage of one row."""
    if table == "bales":
        return row["bale"], row["bale"], "bale to be made", None, 0.0
    if table == "scales":
        mass = f"{row['check_mass']:g} kg" if is_given(row["check_mass"]) else "a known mass"
        return row["scale"], None, f"reading of the scale with {mass} on it", None, None
    if table == "events":
        return None, row["bale"], str(row["what"]), None, None
    if table in _SEEN:
        return None, row["bale"], _SEEN[table], None, None
    planned = draft.settings.opening(opening)
    days = None if planned is None else planned.days
    if table == "weighings":
        what = "weighing at wrapping" if opening is None else "weighing at opening"
        at_start = opening is None
        return row["weighing"], " ".join(row["bales"]), what, opening, 0.0 if at_start else days
    kind = "reference" if row["role"] == "reference" else row["kind"]
    names = [name for name in _bales_due(draft, row) if is_given(name)]
    of = " ".join(names) or None
    return (
        row["sample"],
        of,
        _SAMPLE_WORDS.get(kind, "sample"),
        opening,
        (0.0 if kind == "day0" else days),
    )


_SEEN: Final = {
    "mould": "look for mould",
    "temperatures": "reading of the temperature",
    "aerobic": "test of hours at the air",
}
_SAMPLE_WORDS: Final = {
    "day0": "sample of the crop at baling",
    "core": "core",
    "opening": "sample at opening",
    "reference": "reference sample",
}
