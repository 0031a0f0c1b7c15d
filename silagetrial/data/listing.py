"""Problems as paragraphs, and what the files may hold, as plain text of a given width."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Final

from silagetrial.data.laboratory.keys import (
    FREE_KEYS,
    LABORATORIES_FILE,
    LABORATORY_SECTIONS,
    REPORTS_FOLDER,
)
from silagetrial.data.laboratory.mapping import QUANTITIES
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import OPTIONAL_TABLES, TABLES, Column, Kind, file_name
from silagetrial.data.settings_keys import FREE_SECTION, SECTIONS, Key, expected
from silagetrial.data.units import UNITS
from silagetrial.errors import Problem, UsageError

__all__ = ["describe_columns", "list_problems", "section_lines", "wrapped"]

NARROWEST: Final = 40
"""Narrower terminals break lines by themselves."""

_KINDS: Final[dict[Kind, str]] = {
    "id": "name without spaces",
    "ids": "names without spaces, separated by spaces",
    "text": "text",
    "choice": "one word",
    "number": "number",
    "count": "whole number",
    "datetime": "date, or date and time: 2026-05-31 14:30",
    "measured": "number, or <0.3 for below a limit of 0.3",
}


def list_problems(problems: Iterable[Problem], *, width: int = 80) -> str:
    """Return problems as paragraphs, by file.

    Parameters
    ----------
    problems : iterable of Problem
        In the order to be shown; files come in the order of their first problem. Problems that
        differ in nothing but the line share a paragraph.
    width : int
        Characters a line, at least 40.
    """
    by_file: dict[str, dict[Problem, list[int]]] = {}
    for problem in problems:
        lines = by_file.setdefault(problem.file, {}).setdefault(replace(problem, line=None), [])
        lines += [] if problem.line is None else [problem.line]
    blocks = []
    for file, said in by_file.items():
        blocks.append(_clean(file))
        blocks += [_paragraph(problem, lines, width) for problem, lines in said.items()]
    return "\n\n".join(blocks)


def _paragraph(problem: Problem, lines: Sequence[int], width: int) -> str:
    place: list[str] = [problem.severity]
    if lines:
        *most, last = map(str, lines)
        place.append(f"lines {', '.join(most)} and {last}" if most else f"line {last}")
    if problem.column is not None:
        place.append(f"{problem.of_what} {problem.column}")
    parts = [
        ", ".join(place),
        f"found: {problem.found}",
        f"expected: {problem.expected}",
        f"what to do: {problem.remedy}",
    ]
    return "\n".join(
        wrapped(part, width, first="    " if k else "  ", then="      ")
        for k, part in enumerate(parts)
    )


def describe_columns(table: str | None = None, *, width: int = 80) -> str:
    """Return every table with its columns, and the keys of trial.toml and laboratories.toml.

    Parameters
    ----------
    table : str or None
        One table, ``trial.toml`` or ``laboratories.toml``; None: all of them.
    width : int
        Characters a line, at least 40.

    Raises
    ------
    UsageError
        For a table that is not known.
    """
    described = {file_name(name): _table(name, width) for name in TABLES}
    described[SETTINGS_FILE] = _settings(width)
    described[LABORATORIES_FILE] = _laboratories(width)
    if table is None:
        return "\n\n".join("\n".join(lines) for lines in described.values())
    chosen = next((n for n in (table, file_name(table), f"{table}.toml") if n in described), None)
    if chosen is None:
        names = (*TABLES, SETTINGS_FILE, LABORATORIES_FILE)
        raise UsageError(
            found=f"the table {table!r}",
            expected=f"one of {', '.join(names)}",
            remedy=did_you_mean(table, names, otherwise="name one of these, or none to see all"),
        )
    return "\n".join(described[chosen])


def _table(table: str, width: int) -> Iterator[str]:
    need = "may be left out" if table in OPTIONAL_TABLES else "required"
    yield f"{file_name(table)} ({need})"
    for column in TABLES[table]:
        yield ""
        yield wrapped(
            f"{column.name}: {_need(column)}; {_holds(column)}",
            width,
            first="  ",
            then="      ",
        )
        yield wrapped(column.description, width, first="      ", then="      ")


def _need(column: Column) -> str:
    if column.once_done:
        return "required, blank until done"
    return "required" if column.required else "optional"


def _holds(column: Column) -> str:
    parts = [_KINDS[column.kind]]
    if column.choices:
        parts[0] += f": {', '.join(column.choices)}"
    if column.unit == "[units]":
        units = " or ".join(UNITS[column.name])
        parts.append(f"unit as declared under [units] of {SETTINGS_FILE}: {units}")
    elif column.unit:
        parts.append(f"unit {column.unit}")
    return "; ".join(parts)


def _settings(width: int) -> Iterator[str]:
    yield f"{SETTINGS_FILE} (required)"
    yield from _keys(SECTIONS, ("openings",), width)
    yield ""
    yield f"  [{FREE_SECTION}]"
    yield wrapped(
        "any names = numbers or texts: what was the same for all bindings",
        width,
        first="    ",
        then="        ",
    )


def _laboratories(width: int) -> Iterator[str]:
    yield f"{LABORATORIES_FILE} (may be left out)"
    yield ""
    yield wrapped(f"for the reports in {REPORTS_FOLDER}", width, first="  ", then="  ")
    yield from _keys(LABORATORY_SECTIONS, tuple(LABORATORY_SECTIONS), width)
    for section, what in FREE_KEYS.items():
        yield ""
        yield f"  [{section}]"
        yield wrapped(what, width, first="    ", then="        ")
    yield ""
    yield wrapped(
        "units of a result: "
        + "; ".join(f"{name}: {', '.join(units) or 'none'}" for name, units in QUANTITIES.items())
        + ". TM and TS may stand for DM, FM and FS for fresh.",
        width,
        first="  ",
        then="    ",
    )


def _keys(
    sections: Mapping[str, Mapping[str, Key]], repeated: Sequence[str], width: int
) -> Iterator[str]:
    """Yield the keys of sections; those `repeated` may stand several times."""
    for section, keys in sections.items():
        heading = f"[[{section}]], once for each" if section in repeated else f"[{section}]"
        yield from section_lines(heading if section else "", keys, width)


def section_lines(heading: str, keys: Mapping[str, Key], width: int) -> Iterator[str]:
    """Yield the heading of a section, a blank line above it, and its keys; none: the file's top."""
    if heading:
        yield ""
        yield wrapped(heading, width, first="  ", then="      ")
    for name, key in keys.items():
        yield wrapped(f"{name} = {_takes(key)}", width, first="    ", then="        ")
        if key.description:
            yield wrapped(key.description, width, first="        ", then="        ")


def _takes(key: Key) -> str:
    return f"{expected(key)} ({'required' if key.required else 'optional'})"


def wrapped(text: str, width: int, *, first: str, then: str) -> str:
    """Return a text broken into lines of so many characters, its first one indented otherwise."""
    return textwrap.fill(
        _clean(text),
        max(width, NARROWEST),
        initial_indent=first,
        subsequent_indent=then,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _clean(text: str) -> str:
    """Return text from files as characters that a terminal shows and does not obey."""
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
