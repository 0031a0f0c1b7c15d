"""What a catalogue of problems is made of: edits of a valid trial folder, and the answer to each.

The folder is ``make_trial(folder, pairs=2, sites=2)`` of tests/builders.py, which has no problems.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from builders import read_cells, write_cells

Edit = Callable[[Path], object]


@dataclass(frozen=True)
class Case:
    """One edit and one problem it must give.

    `check` is the name of the check or reading step; `line` a text that stands in the line of the
    file which the problem must name; `found` and `remedy` are read in full or in part.
    """

    check: str
    edit: Edit
    severity: str
    file: str
    column: str | None
    line: str | None
    found: str
    remedy: str


def cell(table: str, name: str, column: str, value: str) -> Edit:
    """Put a value in the row that begins with `name`; a new column is added for all rows."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        for row in rows:
            row.setdefault(column, "")
            if next(iter(row.values())) == name:
                row[column] = value
        write_cells(folder / f"{table}.csv", rows)

    return edit


def every(table: str, column: str, value: str) -> Edit:
    """Put a value in all rows."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        write_cells(folder / f"{table}.csv", [{**row, column: value} for row in rows])

    return edit


def no_column(table: str, column: str) -> Edit:
    """Remove a column."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        kept = [{name: row[name] for name in row if name != column} for row in rows]
        write_cells(folder / f"{table}.csv", kept)

    return edit


def without(table: str, name: str) -> Edit:
    """Remove the row that begins with `name`."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        write_cells(
            folder / f"{table}.csv", [row for row in rows if next(iter(row.values())) != name]
        )

    return edit


def without_ending(table: str, ending: str) -> Edit:
    """Remove the rows whose name ends so."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        kept = [row for row in rows if not next(iter(row.values())).endswith(ending)]
        write_cells(folder / f"{table}.csv", kept)

    return edit


def again(table: str, name: str, new: str) -> Edit:
    """Enter the row that begins with `name` once more, under the name `new`."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        key = next(iter(rows[0]))
        copy = next(row for row in rows if row[key] == name)
        write_cells(folder / f"{table}.csv", [*rows, {**copy, key: new}])

    return edit


def parts(*rows: tuple[str, str]) -> Edit:
    """Write sample_parts.csv: sample and bale of each part."""

    def edit(folder: Path) -> None:
        cells = [{"sample": sample, "bale": bale} for sample, bale in rows]
        write_cells(folder / "sample_parts.csv", cells)

    return edit


def event(bale: str, at: str, what: str) -> Edit:
    """Write events.csv with one event."""

    def edit(folder: Path) -> None:
        write_cells(folder / "events.csv", [{"bale": bale, "at": at, "what": what}])

    return edit


def toml(old: str, new: str) -> Edit:
    """Replace text of trial.toml, which must be there."""

    def edit(folder: Path) -> None:
        path = folder / "trial.toml"
        text = path.read_text(encoding="utf-8")
        assert old in text
        path.write_text(text.replace(old, new, 1), encoding="utf-8")

    return edit


def both(*edits: Edit) -> Edit:
    """Make several edits."""

    def edit(folder: Path) -> None:
        for one in edits:
            one(folder)

    return edit


NET, FILM = "A01-net", "A01-film"
SAMPLE = "A01-net-60"
WRAPPED, OPENED = "A01-net-w0", "A01-net-w60"
RECORED = toml('bales = "separate"', 'bales = "recored"')
LATE = "2025-09-30"


def error(
    check: str, edit: Edit, file: str, column: str | None, line: str | None, found: str, remedy: str
) -> Case:
    """Return a case whose answer is an error."""
    return Case(check, edit, "error", file, column, line, found, remedy)


def warning(
    check: str, edit: Edit, file: str, column: str | None, line: str | None, found: str, remedy: str
) -> Case:
    """Return a case whose answer is a warning."""
    return Case(check, edit, "warning", file, column, line, found, remedy)


def by_binding(table: str, column: str) -> Edit:
    """Number the rows of each site anew, all of one binding before all of the next."""

    def edit(folder: Path) -> None:
        rows = read_cells(folder / f"{table}.csv")
        seen: dict[str, int] = {}
        for row in sorted(rows, key=lambda row: row["binding"]):
            seen[row["site"]] = seen.get(row["site"], 0) + 1
            row[column] = str(seen[row["site"]])
        write_cells(folder / f"{table}.csv", rows)

    return edit
