"""How one laboratory writes its reports, and which reports of it a trial has."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

from silagetrial.data.schema import ANALYTES, COUNTS
from silagetrial.data.units import CONTENT_UNITS, MOLAR_UNITS, OF_TOTAL_ACIDS, UNITS

__all__ = [
    "MEANINGS",
    "QUANTITIES",
    "TARGETS",
    "Laboratory",
    "LimitKind",
    "Meaning",
    "Quantity",
    "Report",
    "Shape",
    "one_space",
    "target_of",
    "unit_word",
]

Shape: TypeAlias = Literal["sample rows", "analyte rows", "result rows"]
Analysis: TypeAlias = Literal["first", "repeat", "replicates"]
LimitKind: TypeAlias = Literal["detection", "quantification", "not said"]
Meaning: TypeAlias = Literal["below detection", "below quantification", "trace", "missing", "zero"]

MEANINGS: Final[tuple[Meaning, ...]] = (
    "below detection",
    "below quantification",
    "trace",
    "missing",
    "zero",
)

TARGETS: Final[Mapping[str, str]] = {
    "crude_protein": "total_n",
    "ammonia": "ammonia_n",
    "butyric_acids": "butyric_acid",
}
"""What a report may give in place of a column of samples: crude protein (6.25 N), ammonia as NH3,
n- and iso-butyric acid together."""

_ACIDS: Final = tuple(name for name in ANALYTES if name.endswith("_acid"))

QUANTITIES: Final[Mapping[str, tuple[str, ...]]] = {
    "dm": UNITS["dm"],
    "pH": (),
    **{name: UNITS[name] + ((OF_TOTAL_ACIDS,) if name in _ACIDS else ()) for name in ANALYTES},
    "butyric_acids": (*UNITS["butyric_acid"], OF_TOTAL_ACIDS),
    "total_acids": CONTENT_UNITS,
    "crude_protein": CONTENT_UNITS,
    "ammonia": (*CONTENT_UNITS, *MOLAR_UNITS),
    **{name: UNITS[name] for name in COUNTS},
}
"""What a heading of a report may be, to the units it may be in; pH has none."""


@dataclass(frozen=True)
class Quantity:
    """What stands under one heading of a report.

    Parameters
    ----------
    heading : str
        As the laboratory writes it, spaces single.
    quantity : str
        Of `QUANTITIES`.
    unit : str
        Of the values; "" for pH.
    printed_unit : str
        The unit as the report prints it, where it prints one.
    detection_limit, quantification_limit : float or None
        What the laboratory gives for results that name none.
    limit_unit : str
        Unit of all limits, those printed with a ``<`` included; differs from `unit` where limits
        are stated on fresh matter.
    method : str or None
        Method of this result; None: as of the laboratory.
    """

    heading: str
    quantity: str
    unit: str
    printed_unit: str
    detection_limit: float | None
    quantification_limit: float | None
    limit_unit: str
    method: str | None = None


@dataclass(frozen=True, eq=False)
class Laboratory:
    """How a laboratory writes its reports; the keys of ``[[laboratory]]`` say what each means."""

    name: str
    shape: Shape
    sample: str
    decimal: Literal[".", ","]
    results: Mapping[str, Quantity]
    analyte: str | None = None
    value: str | None = None
    unit: str | None = None
    unit_line: bool = False
    separator: str = ","
    encoding: str = "utf-8"
    sheet: str | None = None
    heading_line: int = 1
    method: str | None = None
    dm_basis: str | None = None
    total_n: str | None = None
    less_than: LimitKind = "not said"
    not_read: frozenset[str] = frozenset()
    marks: Mapping[str, Meaning] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Report:
    """One report of a laboratory, a file in the folder of reports.

    Parameters
    ----------
    number : int
        Which section [[report]] this is, from 0.
    file : str
        Name of the file.
    laboratory : Laboratory
    name : str
        The number that the laboratory gave the report.
    batch : str or None
        Batch of its samples.
    issued_on : datetime.date or None
    analysis : {"first", "repeat", "replicates"}
        First analyses; the same samples analysed again; or samples that stand on several lines,
        one for each analysis.
    supersedes : str or None
        Name of the report that this one corrects.
    typed : tuple of str
        For a PDF: the two files into which it was typed.
    """

    number: int
    file: str
    laboratory: Laboratory
    name: str
    batch: str | None = None
    issued_on: dt.date | None = None
    analysis: Analysis = "first"
    supersedes: str | None = None
    typed: tuple[str, ...] = ()


def target_of(quantity: str) -> str:
    """Return the column of samples that a quantity ends in."""
    return TARGETS.get(quantity, quantity)


def one_space(text: str) -> str:
    """Return a text with single spaces, as headings are compared."""
    return " ".join(text.split())


_ON: Final[Mapping[str, str]] = {
    "tm": "DM",
    "ts": "DM",
    "dm": "DM",
    "fm": "fresh",
    "fs": "fresh",
    "fresh": "fresh",
}
"""Dry and fresh matter in German (TM, TS, FM, FS) and English."""


def unit_word(text: str) -> str:
    """Return a unit in the words of this package: ``g/kg TM`` is ``g/kg DM``.

    Only the word for the basis is exchanged; a unit without one is left without one.
    """
    text = re.sub(r" ?/ ?", "/", one_space(text))
    amount, _, on = text.rpartition(" ")
    known = _ON.get(re.sub(r"\W", "", on).lower())
    return text if known is None or not amount else f"{amount} {known}"
