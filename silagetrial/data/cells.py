"""From the text of a cell to a value, or to the problem with it. Nothing is guessed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from silagetrial.data.schema import Column, Kind

__all__ = ["LARGEST", "YEARS", "CellFault", "Value", "parse_cell"]

NUMBER: Final = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d+)?")
_DATETIME: Final = re.compile(r"\d{4}-\d{2}-\d{2}(?:[ T]\d{2}:\d{2}(?::\d{2})?)?")
_DECIMAL_COMMA: Final = re.compile(r"<?\s*[+-]?\d+,\d+")
LARGEST: Final = 1e9
"""No number of a trial is larger; the conversions can then never overflow."""

YEARS: Final = range(1950, 2200)
"""Years a date may have: others are slips of a digit."""

_BELOW_WORDS: Final = frozenset({"nd", "n.d.", "n.d", "n/d", "n.n.", "n.n", "nn", "bdl", "<lod"})
_MISSING_WORDS: Final = frozenset(
    {"na", "n/a", "nan", "none", "null", "n.b.", "n.b", "nb", "-", "--", "\N{EN DASH}", "?", "."}
)


@dataclass(frozen=True)
class Value:
    """A cell that was read.

    Parameters
    ----------
    value : float, str, datetime, tuple of str or None
        What the cell holds; None for a blank cell and for a result below a limit.
    below : float or None
        The limit, for a result given as ``<limit``.
    """

    value: float | str | datetime | tuple[str, ...] | None
    below: float | None = None


@dataclass(frozen=True)
class CellFault:
    """A cell that could not be read: what stands there, what should, and what to do."""

    found: str
    expected: str
    remedy: str


def parse_cell(text: str, column: Column) -> Value | CellFault:
    """Read one cell, spaces around it already removed, blank cells included.

    Parameters
    ----------
    text : str
        The cell.
    column : Column
        Its column; only kind, choices and `required` are used.
    """
    if not text:
        if column.required:
            return CellFault("a blank cell", f"a value: {column.description}", "fill in the cell")
        return Value(() if column.kind == "ids" else None)
    if column.kind == "ids":
        return _parse_ids(text, column.choices)
    if column.kind == "choice":
        return _choice_fault(text, column.choices) or Value(text)
    return _PARSERS[column.kind](text)


def _parse_id(text: str) -> Value | CellFault:
    if re.search(r"[\s,;]", text):
        return CellFault(
            repr(text),
            "a name without spaces, commas or semicolons",
            "write it with - or _ in place of them, the same way in every file",
        )
    return Value(text)


def _parse_ids(text: str, choices: tuple[str, ...]) -> Value | CellFault:
    words = tuple(text.split())
    for word in words:
        fault = _choice_fault(word, choices)
        if fault is not None:
            return fault
        if re.search(r"[,;]", word):
            return CellFault(
                repr(text), "names separated by spaces", "put a space in place of , and ;"
            )
    return Value(words)


def _choice_fault(text: str, choices: tuple[str, ...]) -> CellFault | None:
    if not choices or text in choices:
        return None
    return CellFault(repr(text), " or ".join(choices), "use one of these words, spelt so")


def _parse_number(text: str) -> Value | CellFault:
    if NUMBER.fullmatch(text):
        return _too_large(text) or Value(float(text))
    return _not_a_number(text, expected="a number")


def _too_large(text: str) -> CellFault | None:
    if abs(float(text)) <= LARGEST:
        return None
    return CellFault(repr(text), "a number of a size that occurs", "correct the cell")


def _not_a_number(text: str, *, expected: str) -> CellFault:
    if _DECIMAL_COMMA.fullmatch(text):
        return CellFault(
            f"{text!r}, a decimal or thousands comma",
            expected,
            "write 3.5, not 3,5, and 1234 whole",
        )
    if text.lower() in _BELOW_WORDS:
        return CellFault(
            f"{text!r}, not detected",
            expected,
            "write < and the limit, for example <0.3, where "
            "the column holds laboratory results; the limit stands in the laboratory report",
        )
    if text.lower() in _MISSING_WORDS:
        return CellFault(f"{text!r}, not determined", expected, "leave the cell blank")
    return CellFault(
        repr(text),
        expected,
        "write the number alone, in the unit of its column: that of trial.toml, else the one that "
        "silagetrial columns names",
    )


def _parse_count(text: str) -> Value | CellFault:
    if re.fullmatch(r"\d+", text):
        return _too_large(text) or Value(float(text))
    return _not_a_number(text, expected="a whole number from 0")


def _parse_measured(text: str) -> Value | CellFault:
    expected = "a number, or <limit for a result below a limit"
    number = text.removeprefix("<").strip()
    if not NUMBER.fullmatch(number):
        return _not_a_number(text, expected=expected)
    large = _too_large(number)
    if large is not None or not text.startswith("<"):
        return large or Value(float(number))
    if float(number) <= 0:
        return CellFault(repr(text), "a limit above 0", "write the limit of the laboratory report")
    return Value(None, below=float(number))


def _parse_datetime(text: str) -> Value | CellFault:
    expected = "a date as 2026-05-31, or a date and time as 2026-05-31 14:30"
    if not _DATETIME.fullmatch(text):
        return CellFault(repr(text), expected, "write year-month-day, then the time if it is known")
    try:
        when = datetime.fromisoformat(text)
    except ValueError:
        return CellFault(f"{text!r}, which is no day or time", expected, "correct the date")
    if when.year not in YEARS:
        return CellFault(f"the year {when.year}", expected, "correct the year")
    return Value(when)


_PARSERS: Final[Mapping[Kind, Callable[[str], Value | CellFault]]] = {
    "id": _parse_id,
    "text": Value,
    "number": _parse_number,
    "count": _parse_count,
    "datetime": _parse_datetime,
    "measured": _parse_measured,
}
