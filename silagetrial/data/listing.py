"""Problems as paragraphs, and what the files may hold, as plain text of a given width."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace
from typing import Final

from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import OPTIONAL_TABLES, TABLES, Column, Kind, file_name
from silagetrial.data.settings_keys import FREE_SECTION, SECTIONS, Key, expected
from silagetrial.data.units import UNITS
from silagetrial.errors import Problem, UsageError

__all__ = ["describe_columns", "list_problems"]

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
        setting = problem.file == SETTINGS_FILE
        place.append(problem.column if setting else f"column {problem.column}")
    parts = [
        ", ".join(place),
        f"found: {problem.found}",
        f"expected: {problem.expected}",
        f"what to do: {problem.remedy}",
    ]
    return "\n".join(
        _wrapped(part, width, first="    " if k else "  ", then="      ")
        for k, part in enumerate(parts)
    )


def describe_columns(table: str | None = None, *, width: int = 80) -> str:
    """Return every table with its columns, and the keys of trial.toml.

    Parameters
    ----------
    table : str or None
        One table, or ``trial.toml``; None: all of them.
    width : int
        Characters a line, at least 40.

    Raises
    ------
    UsageError
        For a table that is not known.
    """
    described = {file_name(name): _table(name, width) for name in TABLES}
    described[SETTINGS_FILE] = _settings(width)
    if table is None:
        return "\n\n".join("\n".join(lines) for lines in described.values())
    chosen = table if table in described else file_name(table)
    if chosen not in described:
        raise UsageError(
            found=f"the table {table!r}",
            expected=f"one of {', '.join(TABLES)}, {SETTINGS_FILE}",
            remedy="name one of these, or none to see all",
        )
    return "\n".join(described[chosen])


def _table(table: str, width: int) -> Iterator[str]:
    need = "may be left out" if table in OPTIONAL_TABLES else "required"
    yield f"{file_name(table)} ({need})"
    for column in TABLES[table]:
        yield ""
        yield _wrapped(
            f"{column.name}: {'required' if column.required else 'optional'}; {_holds(column)}",
            width,
            first="  ",
            then="      ",
        )
        yield _wrapped(column.description, width, first="      ", then="      ")


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
    for section, keys in SECTIONS.items():
        if section:
            yield ""
            yield f"  [[{section}]], once for each" if section == "openings" else f"  [{section}]"
        for name, key in keys.items():
            yield _wrapped(f"{name} = {_takes(key)}", width, first="    ", then="        ")
            if key.description:
                yield _wrapped(key.description, width, first="        ", then="        ")
    yield ""
    yield f"  [{FREE_SECTION}]"
    yield _wrapped(
        "any names = numbers or texts: what was the same for all bindings",
        width,
        first="    ",
        then="        ",
    )


def _takes(key: Key) -> str:
    return f"{expected(key)} ({'required' if key.required else 'optional'})"


def _wrapped(text: str, width: int, *, first: str, then: str) -> str:
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
