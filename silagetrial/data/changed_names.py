"""Names that a spreadsheet has changed: made days or numbers, their leading zeros lost."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Final

from silagetrial.data.files import RawTable
from silagetrial.data.nearest import name_key
from silagetrial.errors import Problem, Severity

__all__ = ["any_match", "changed_names"]

_NAMES: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("bale", "pair"),
    "samples": ("sample", "supersedes"),
    "sample_parts": ("sample", "bale"),
    "weighings": ("weighing", "bales"),
    "events": ("bale",),
    "blind_key": ("sample", "of_sample"),
}
"""Columns of names in which a date is none; lots are often named by their day."""

_MONTH: Final = r"(?:jan|feb|m[aä]r|mar|apr|ma[iy]|jun|jul|aug|sep|sept|o[ck]t|nov|de[cz])[a-z]*\.?"
_DATE: Final = re.compile(
    rf"\d{{4}}-\d{{2}}-\d{{2}}(?:[ T].*)?|\d{{1,2}}[-. /]+{_MONTH}(?:[-. /]+\d{{2,4}})?"
    rf"|{_MONTH}[-. /]+\d{{1,4}}",
    re.IGNORECASE,
)
_EXPONENT: Final = re.compile(r"\d(?:[.,]\d+)?E[+-]\d{1,3}", re.IGNORECASE)
_ROUND: Final = re.compile(r"[1-9]0{3,}")
_CHANGED: Final = re.compile(
    "|".join(pattern.pattern for pattern in (_DATE, _EXPONENT, _ROUND)), re.IGNORECASE
)
_NAME_LIKE_EXPONENT: Final = re.compile(r"\d+E\d+", re.IGNORECASE)


def changed_names(table: str, raw: RawTable) -> Iterator[Problem]:
    """Yield each name that looks as if a spreadsheet had made something else of it.

    Parameters
    ----------
    table : str
        Name of the table, a key of ``TABLES``.
    raw : RawTable
        Its cells.
    """
    for name in _NAMES.get(table, ()):
        if name in raw.heading:
            cells = raw.columns[raw.heading.index(name)]
            yield from _changed(raw, name, cells)
            if name == _NAMES[table][0] and table == "bales":
                yield from _names_alike(raw, name, cells)


def _changed(raw: RawTable, column: str, cells: Sequence[str]) -> Iterator[Problem]:
    """Find names that a spreadsheet has made a day or a number."""
    if not any_match(_CHANGED, cells):
        return
    like_exponent = any(_NAME_LIKE_EXPONENT.fullmatch(cell) for cell in cells)
    for line, cell in zip(raw.lines, cells, strict=True):
        if not cell:
            continue
        if _DATE.fullmatch(cell):
            what = "a day: spreadsheets make one of names such as 3-4"
        elif _EXPONENT.fullmatch(cell):
            what = "a number with an exponent: spreadsheets make one of names such as 1E5"
        elif like_exponent and _ROUND.fullmatch(cell):
            what = f"a round number beside names such as {_first_like(cells)}: made of one of them?"
        else:
            continue
        yield _problem(
            raw,
            line,
            column,
            f"{cell!r}, {what}",
            "the name as on the tag",
            "set the format of the column to text, then type the name again",
        )


def any_match(pattern: re.Pattern[str], cells: Sequence[str]) -> bool:
    """Tell at once whether any of many cells may match: far quicker than one by one."""
    lines = re.compile(rf"^(?:{pattern.pattern})$", pattern.flags | re.MULTILINE)
    return lines.search("\n".join(cells)) is not None


def _first_like(cells: Sequence[str]) -> str:
    return next(cell for cell in cells if _NAME_LIKE_EXPONENT.fullmatch(cell))


def _names_alike(raw: RawTable, column: str, cells: Sequence[str]) -> Iterator[Problem]:
    """Find names that differ in leading zeros, case or separators alone."""
    first: dict[tuple[str, ...], str] = {}
    for line, cell in zip(raw.lines, cells, strict=True):
        key = name_key(cell)
        other = first.setdefault(key, cell)
        if key and other != cell:
            yield _problem(
                raw,
                line,
                column,
                f"{cell!r} beside {other!r}: leading zeros lost, or two bales?",
                "names that differ in more than zeros, capitals and hyphens",
                "set the format of the column to text and type the name as on the tag; nothing "
                "to do if these are two bales",
                "warning",
            )


def _problem(
    raw: RawTable,
    line: int,
    column: str,
    found: str,
    expected: str,
    remedy: str,
    severity: Severity = "error",
) -> Problem:
    return Problem(severity, raw.file, line, column, found, expected, remedy)
