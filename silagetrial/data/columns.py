"""From the cells of one column to its values: each different text is read once.

The decimal mark is the point, unless trial.toml declares the comma or the column itself proves it:
a comma after which not exactly three digits stand (``3,5``), or before which a zero stands alone
(``0,125``), cannot be a thousands mark. A column with both marks is refused, and so is one in which
every comma may be either.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from silagetrial.data.cells import LARGEST, YEARS, CellFault, Value, parse_cell
from silagetrial.data.schema import Column, Kind
from silagetrial.data.settings import Decimal

__all__ = ["BLANK", "MixedMarks", "ReadColumn", "has_comma", "has_point", "read_column"]

_UNSAFE_IN_NAME: Final = re.compile(r"[\s,;]")
_POINT: Final = re.compile(r"<?\s*[+-]?\d*\.\d+(?:[eE][+-]?\d+)?")
_COMMA: Final = re.compile(r"(<?\s*[+-]?\d*),(\d+(?:[eE][+-]?\d+)?)")
_MAY_BE_THOUSANDS: Final = re.compile(r"<?\s*[+-]?[1-9]\d{0,2},\d{3}")
BLANK: Final[Mapping[Kind, object]] = {
    **dict.fromkeys(("number", "count", "measured"), math.nan),
    "ids": (),
    "datetime": "NaT",
}
_PLAIN: Final[Mapping[Kind, re.Pattern[str]]] = {
    "count": re.compile(r"(?:[0-9]+\n)*+"),
    "number": re.compile(r"(?:[0-9]+(?:\.[0-9]+)?\n)*+"),
    "measured": re.compile(r"(?:[0-9]+(?:\.[0-9]+)?\n)*+"),
    "datetime": re.compile(r"(?:[0-9]{4}-[0-9]{2}-[0-9]{2}(?: [0-9]{2}:[0-9]{2})?\n)*+"),
}
"""Texts, each with a line end, that hold what they seem to at first sight."""

_NUMERIC: Final = ("number", "measured")


@dataclass(frozen=True)
class MixedMarks:
    """Cells of one column with a comma and cells with a point, by their numbers from 0."""

    commas: tuple[int, ...]
    points: tuple[int, ...]


@dataclass(frozen=True)
class ReadColumn:
    """What the cells of one column hold.

    Parameters
    ----------
    values : list
        A value a cell, a time as its text; where it is blank or cannot be read, NaN of numbers,
        ``NaT`` of times, an empty tuple of the kind ``ids``, else None.
    below : list of float
        Limits, of a measured column; NaN where there is none.
    faults : tuple of (int, CellFault)
        Number of each cell that cannot be read, from 0, and why.
    mixed : MixedMarks or None
        Where the column has both decimal marks; its commas are among the faults.
    """

    values: list[object]
    below: list[float]
    faults: tuple[tuple[int, CellFault], ...] = ()
    mixed: MixedMarks | None = None


def read_column(
    cells: Sequence[str],
    column: Column,
    *,
    decimal: Decimal | None = None,
    texts: Mapping[str, None] | None = None,
) -> ReadColumn:
    """Read the cells of one column.

    Parameters
    ----------
    cells : sequence of str
        In the order of the file, spaces around them removed.
    column : Column
        From the schema.
    decimal : {".", ","} or None
        The decimal mark that trial.toml declares; None: that of the column.
    texts : mapping of str to None
        The different cells, where they are known.
    """
    texts = dict.fromkeys(cells) if texts is None else texts
    if _as_they_stand(texts, column):
        if column.kind == "ids":
            return ReadColumn([(cell,) if cell else () for cell in cells], [])
        return ReadColumn([cell or None for cell in cells], [])
    # With a comma declared, a point is a fault.
    at_once = column.kind in _PLAIN and decimal != "," and not (column.required and "" in texts)
    if at_once and (held := _all_at_once(texts, column.kind)):
        no_limits = [math.nan] * len(cells) if column.kind == "measured" else []
        return ReadColumn(list(map(held.__getitem__, cells)), no_limits)
    return _one_by_one(cells, texts, column, decimal)


def _one_by_one(
    cells: Sequence[str], texts: Mapping[str, None], column: Column, decimal: Decimal | None
) -> ReadColumn:
    read = _read_texts(texts, column, decimal)
    value_of = {text: _held(text, item, column.kind) for text, item in read.items()}
    faulty = {text: item for text, item in read.items() if isinstance(item, CellFault)}
    faults = (
        tuple((k, faulty[cell]) for k, cell in enumerate(cells) if cell in faulty) if faulty else ()
    )
    below: list[float] = []
    if column.kind == "measured":
        limits = {
            text: math.nan if isinstance(item, CellFault) or item.below is None else item.below
            for text, item in read.items()
        }
        below = list(map(limits.__getitem__, cells))
    mixed = _mixed_marks(cells) if column.kind in _NUMERIC and decimal is None and faults else None
    return ReadColumn(list(map(value_of.__getitem__, cells)), below, faults, mixed)


def _mixed_marks(cells: Sequence[str]) -> MixedMarks | None:
    commas = tuple(k for k, cell in enumerate(cells) if has_comma(cell))
    points = tuple(k for k, cell in enumerate(cells) if has_point(cell))
    return MixedMarks(commas, points) if commas and points else None


def has_comma(text: str) -> bool:
    """Tell whether a text is a number, or a limit, with a comma as its one mark."""
    return "," in text and _COMMA.fullmatch(text) is not None


def has_point(text: str) -> bool:
    """Tell whether a text is a number, or a limit, with a point as its one mark."""
    return "." in text and _POINT.fullmatch(text) is not None


def _held(text: str, read: Value | CellFault, kind: Kind) -> object:
    if isinstance(read, CellFault) or read.value is None:
        return BLANK.get(kind)
    # numpy makes times of texts thirty times as quickly as of times.
    return text if kind == "datetime" else read.value


def _as_they_stand(texts: Collection[str], column: Column) -> bool:
    """Tell at once whether all cells are texts, or names, with nothing wrong in them."""
    if column.kind not in ("id", "ids", "text") or column.choices:
        return False
    if column.required and "" in texts:
        return False
    return column.kind == "text" or not _UNSAFE_IN_NAME.search("\0".join(texts))


def _all_at_once(texts: Collection[str], kind: Kind) -> dict[str, object]:
    """Return what each different text holds, where all are plain numbers or times; else nothing.

    What `parse_cell` says of each, many times as quickly.
    """
    filled = [text for text in texts if text]
    whole = "\n".join([*filled, ""])
    # A line end within a cell would part it in two.
    if not filled or whole.count("\n") > len(filled) or not _PLAIN[kind].fullmatch(whole):
        return {}
    held: dict[str, object]
    if kind == "datetime":
        try:
            times = np.array(filled, dtype="datetime64[Y]").astype(np.int64) + 1970
        except ValueError:
            return {}
        within = YEARS.start <= times.min() and times.max() < YEARS.stop
        held = dict(zip(filled, filled, strict=True))
    else:
        numbers = list(map(float, filled))
        within = max(numbers) <= LARGEST
        held = dict(zip(filled, numbers, strict=True))
    return {"": BLANK[kind], **held} if within else {}


def _read_texts(
    texts: Mapping[str, None], column: Column, decimal: Decimal | None
) -> dict[str, Value | CellFault]:
    """Return what each different text holds."""
    blank = {"": parse_cell("", column)} if "" in texts else {}
    filled = [text for text in texts if text]
    if column.kind in _NUMERIC:
        with_point, with_fault = _pointed(filled, decimal)
        return {
            **blank,
            **{
                text: with_fault[text] if text in with_fault else parse_cell(number, column)
                for text, number in with_point.items()
            },
        }
    return {**blank, **{text: parse_cell(text, column) for text in filled}}


def _pointed(
    texts: Iterable[str], decimal: Decimal | None
) -> tuple[dict[str, str], dict[str, CellFault]]:
    """Return each text with a decimal point, and the texts whose mark cannot be told."""
    as_written = {text: text for text in texts}
    commas = [text for text in as_written if has_comma(text)]
    points = [text for text in as_written if has_point(text)]
    if decimal == ",":
        return _with_point(as_written, commas), _each(points, _declared_comma)
    if decimal == "." or not commas:
        return as_written, {}
    if points:
        return as_written, _each(commas, lambda text: _mixed(text, points[0]))
    if all(_MAY_BE_THOUSANDS.fullmatch(text) for text in commas):
        return as_written, _each(commas, _either)
    return _with_point(as_written, commas), {}


def _with_point(as_written: Mapping[str, str], commas: Iterable[str]) -> dict[str, str]:
    return {**as_written, **{text: text.replace(",", ".", 1) for text in commas}}


def _each(texts: Iterable[str], fault: Callable[[str], CellFault]) -> dict[str, CellFault]:
    return {text: fault(text) for text in texts}


def _declared_comma(text: str) -> CellFault:
    return CellFault(
        f"{text!r}, a decimal or thousands point",
        "a number with a decimal comma, as [files] of trial.toml declares",
        "write 3,5, not 3.5, and 1234 whole; or correct decimal under [files]",
    )


def _mixed(text: str, other: str) -> CellFault:
    return CellFault(
        f"{text!r}, a decimal or thousands comma, and {other!r} in the same column",
        "one decimal mark in a column",
        "write 3.5, not 3,5, and 1234 whole, in every line of the column",
    )


def _either(text: str) -> CellFault:
    return CellFault(
        f"{text!r}, a decimal or thousands comma: the column does not tell which",
        "a number whose decimal mark can be told",
        'write 3.5, not 3,5, and 1234 whole; or declare decimal = "," under [files] of trial.toml',
    )
