"""What a laboratory wrote for one result: its value, its limit, and its flag, kept apart.

Only marks that say themselves what they mean are known beforehand. What ``n.d.``, ``-``, ``0`` or
an empty cell stands for differs between laboratories and has to be declared.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, Literal, TypeAlias

from silagetrial.data.cells import LARGEST, CellFault
from silagetrial.data.laboratory.mapping import MEANINGS, Laboratory, LimitKind, Meaning, Quantity

__all__ = ["Flag", "Reading", "mark_word", "read_result"]

Flag: TypeAlias = Literal["measured", "below", "trace", "not determined"]

KNOWN: Final[Mapping[str, Meaning]] = {
    **dict.fromkeys(("n.n.", "<lod", "<ng"), "below detection"),
    **dict.fromkeys(("<loq", "<bg"), "below quantification"),
    **dict.fromkeys(("trace", "tr.", "spuren"), "trace"),
    "n.b.": "missing",
}
"""Marks that say what they mean: in German n.n. is not detected, n.b. not determined, NG the limit
of detection, BG that of quantification, Spuren a trace."""

_DASHES: Final = dict.fromkeys(map(ord, "‐‑‒–—−"), "-")


@dataclass(frozen=True)
class Reading:
    """One result as the laboratory gives it.

    Parameters
    ----------
    value : float or None
        In the unit of the result; None below a limit and where nothing was determined.
    limit : float or None
        The limit it is below, in the unit of limits.
    limit_kind : {"detection", "quantification", "not said"} or None
        Which limit that is.
    flag : {"measured", "below", "trace", "not determined"}
        A trace is detected and too little to be quantified.
    """

    value: float | None
    limit: float | None = None
    limit_kind: LimitKind | None = None
    flag: Flag = "measured"


def mark_word(text: str) -> str:
    """Return a mark as marks are compared: without case and spaces, any dash a hyphen."""
    return re.sub(r"\s", "", text).translate(_DASHES).casefold()


def read_result(text: str, *, laboratory: Laboratory, quantity: Quantity) -> Reading | CellFault:
    """Read one cell of a report.

    Parameters
    ----------
    text : str
        The cell.
    laboratory : Laboratory
        Its decimal mark and marks.
    quantity : Quantity
        What stands there, with its limits.
    """
    word = mark_word(text) or "blank"
    zero = _is_zero(text, laboratory.decimal)
    meaning = laboratory.marks.get(word, KNOWN.get(word))
    if meaning is None and zero:
        meaning = laboratory.marks.get("0")
    if meaning is not None:
        return _marked(text, meaning, quantity)
    if zero or word == "blank" or not re.search(r"\d", word):
        return _not_declared(text, word, zero=zero)
    is_limit = text.startswith("<")
    number = _number(text.removeprefix("<").strip(), laboratory.decimal)
    if isinstance(number, CellFault):
        return number
    if not is_limit:
        return Reading(number)
    if number <= 0:
        return CellFault(repr(text), "a limit above 0", "see the report, or ask the laboratory")
    return Reading(None, number, _kind_of(number, laboratory, quantity), "below")


def _kind_of(limit: float, laboratory: Laboratory, quantity: Quantity) -> LimitKind:
    if limit == quantity.detection_limit:
        return "detection"
    return "quantification" if limit == quantity.quantification_limit else laboratory.less_than


def _marked(text: str, meaning: Meaning, quantity: Quantity) -> Reading | CellFault:
    if meaning == "missing":
        return Reading(None, flag="not determined")
    if meaning == "zero":
        return Reading(0.0)
    kind: LimitKind = "detection" if meaning == "below detection" else "quantification"
    limit = quantity.detection_limit if kind == "detection" else quantity.quantification_limit
    if limit is None:
        return CellFault(
            f"{text!r}, {meaning}, and no limit",
            f"{kind}_limit = a number, in the section of {quantity.heading!r} in laboratories.toml",
            "write the limit of the laboratory; it stands in the report or its list of methods",
        )
    return Reading(None, limit, kind, "trace" if meaning == "trace" else "below")


def _not_declared(text: str, word: str, *, zero: bool) -> CellFault:
    mark = "0" if zero else "blank" if word == "blank" else text
    what = "an empty cell" if word == "blank" else repr(text)
    return CellFault(
        f"{what}, whose meaning is not declared",
        "a number, <limit, or a mark under [laboratory.marks]",
        f'ask the laboratory and write "{mark}" = and one of {", ".join(map(repr, MEANINGS))}',
    )


@lru_cache(maxsize=8)
def _pattern(decimal: str) -> re.Pattern[str]:
    mark = re.escape(decimal)
    return re.compile(rf"[+-]?(?:\d+(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d+)?")


def _is_zero(text: str, decimal: str) -> bool:
    return bool(_pattern(decimal).fullmatch(text)) and float(text.replace(decimal, ".")) == 0


def _number(text: str, decimal: str) -> float | CellFault:
    if _pattern(decimal).fullmatch(text):
        number = float(text.replace(decimal, "."))
        if abs(number) <= LARGEST:
            return number
        return CellFault(repr(text), "a number of a size that occurs", "correct the cell")
    other = "." if decimal == "," else ","
    if other in text:
        names = {".": "a point", ",": "a comma"}
        return CellFault(
            f"{text!r}, with {names[other]}",
            f"numbers with {names[decimal]} as the decimal mark, without marks for thousands",
            "correct the cell, or the decimal mark of the laboratory in laboratories.toml",
        )
    return CellFault(
        repr(text),
        "a number, <limit, or a mark under [laboratory.marks]",
        "write the number alone; the unit belongs in laboratories.toml",
    )
