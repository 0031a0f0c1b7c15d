"""The keys of trial.toml: the one place that says what the file may hold."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias, get_args

from silagetrial.data.settings import RESPONSES, Claim, CurveShape, Decimal, ResidualBy, Separator
from silagetrial.data.units import MEASURES, UNITS, columns_of

__all__ = [
    "FREE_SECTION",
    "NEEDED_SECTIONS",
    "SECTIONS",
    "SECTION_NAMES",
    "Key",
    "Raw",
    "expected",
    "fits",
]

KeyKind = Literal[
    "text",
    "texts",
    "truth",
    "number",
    "whole",
    "range",
    "days",
    "numbers",
    "figures",
    "names",
    "date",
    "values",
]
Raw: TypeAlias = Any  # what tomllib gives: `_FITS` decides before it is used


@dataclass(frozen=True)
class Key:
    """One key of trial.toml: what it holds, must it be there, its words, and what it means."""

    kind: KeyKind
    required: bool = False
    choices: tuple[str, ...] = ()
    description: str = ""


SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    "": {
        "title": Key("text", required=True, description="title of the report"),
        "question": Key("text", description="the question asked, in one sentence"),
        "invented": Key(
            "truth",
            description="the numbers are invented, as in a demonstration; the report says so",
        ),
    },
    "bindings": {
        "compare": Key(
            "texts", required=True, description="the bindings compared, in the order of display"
        ),
        "reference": Key(
            "text", required=True, description="the binding the others are compared with"
        ),
    },
    "design": {
        "bales": Key(
            "text",
            required=True,
            choices=("separate", "recored"),
            description="separate: a bale is opened once; recored: the same bale is cored at each "
            "opening",
        )
    },
    "openings": {
        "name": Key("text", required=True, description="name of the opening, as in bales.csv"),
        "days": Key("number", required=True, description="planned days from film wrapping"),
        "window": Key(
            "range",
            required=True,
            description="first and last day that still count as this opening",
        ),
    },
    "units": {name: Key("text", choices=choices) for name, choices in UNITS.items()},
    "measures": {
        name: Key(
            "text",
            choices=tuple(units),
            description=f"unit of {columns_of(name)}; default {next(iter(units))}",
        )
        for name, units in MEASURES.items()
    },
    "files": {
        "decimal": Key(
            "text",
            choices=get_args(Decimal),
            description="decimal mark of the tables; default: what each column shows",
        ),
        "separator": Key(
            "text",
            choices=get_args(Separator),
            description="what stands between the cells of CSV files; default: what the headings "
            "show",
        ),
    },
    "flat": {
        "file": Key(
            "text",
            required=True,
            description="one table for the whole trial, a row for each bale and opening, in place "
            "of the tables",
        ),
        "sheet": Key("text", description="its sheet, where it is a workbook; default the first"),
        "columns": Key(
            "names",
            required=True,
            description="heading = column: bales., day0. (crop at baling), wrapping. (weighing) or "
            'opening. and its name, as in "DM %" = "opening.dm"',
        ),
        "same": Key(
            "names",
            description="column = what is the same in every row, as in opening.dm_basis",
        ),
    },
    "dm_correction": {
        "form": Key(
            "text",
            choices=("none", "full", "short"),
            description="how oven dry matter of silage is corrected for volatiles; default none",
        ),
        "crop": Key(
            "text",
            choices=("grass", "legume", "mixed"),
            description="the crop the correction is for; default grass",
        ),
    },
    "measurement_sd": {
        "mass": Key("number", description="standard deviation of one weighing, kg"),
        "dm": Key("number", description="standard deviation of one dry matter result, g/kg"),
    },
    "analysis": {
        "primary": Key(
            "text", choices=RESPONSES, description="the one primary response; default butyric_acid"
        ),
        "opening": Key("text", description="the opening of the primary contrast; default the last"),
        "contrast": Key(
            "texts",
            description="the two bindings of the primary contrast, the one of interest first",
        ),
        "factors": Key("texts", description="further fixed factors: columns of bales.csv"),
        "blocks": Key("texts", description="further blocks: columns of bales.csv"),
        "covariates": Key(
            "texts", description="crop values at day 0 that responses are adjusted for"
        ),
        "responses": Key("texts", description="responses analysed beside butyric acid and DM loss"),
        "limits": Key(
            "numbers",
            choices=RESPONSES,
            description="level of a response that matters, in its unit inside the trial",
        ),
        "curve": Key(
            "text",
            choices=get_args(CurveShape),
            description="shape over storage, fitted beside the openings; default none",
        ),
        "knots": Key(
            "days", description="days at which a spline or broken line bends, fixed in advance"
        ),
        "slopes": Key(
            "texts", description="groupings whose curves differ at random: site, lot, pair, bale"
        ),
        "margins": Key(
            "numbers",
            choices=RESPONSES,
            description="largest difference that does not matter: a ratio; points for dm_loss",
        ),
        "claim": Key(
            "text",
            choices=get_args(Claim),
            description="what is claimed within the margins; default equivalence",
        ),
        "residual_by": Key(
            "text",
            choices=get_args(ResidualBy),
            description="groups with residual variances of their own",
        ),
        "serial": Key("truth", description="serial correlation between the cores of a bale"),
        "measurement_error": Key(
            "truth", description="beside serial correlation, a variance without it"
        ),
        "important": Key(
            "numbers",
            choices=RESPONSES,
            description="smallest difference that matters: a ratio; percentage points for dm_loss",
        ),
        "families": Key(
            "text",
            choices=("reference", "all pairs"),
            description="which differences between bindings are taken together; default reference",
        ),
        "alpha": Key("number", description="size of the tests; default 0.05"),
        "bootstrap": Key(
            "whole",
            description="data sets drawn for a bootstrap-t of the primary contrast, as 2000; "
            "default 0: none",
        ),
        "seed": Key("whole", description="seed of every simulation in the report"),
    },
}
"""Section to its keys; "" is the top of the file, openings a list of sections."""

FREE_SECTION: Final = "held_equal"
SECTION_NAMES: Final = (*(name for name in SECTIONS if name), FREE_SECTION)
NEEDED_SECTIONS: Final = ("bindings", "design", "openings")


def _is_number(value: Raw) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value)


def _is_numbers(value: Raw) -> bool:
    return isinstance(value, list) and all(_is_number(item) for item in value)


def _is_texts(value: Raw) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


_FITS: Final[Mapping[KeyKind, Callable[[Raw], bool]]] = {
    "text": lambda value: isinstance(value, str) and bool(value.strip()),
    "texts": _is_texts,
    "truth": lambda value: isinstance(value, bool),
    "number": _is_number,
    "whole": lambda value: isinstance(value, int) and not isinstance(value, bool) and value >= 0,
    "range": lambda value: (
        isinstance(value, list) and len(value) == 2 and all(_is_number(item) for item in value)
    ),
    "days": _is_numbers,
    "numbers": lambda value: (
        isinstance(value, dict) and all(_is_number(item) for item in value.values())
    ),
    "figures": lambda value: _is_number(value) or (_is_numbers(value) and bool(value)),
    "names": lambda value: (
        isinstance(value, dict)
        and all(isinstance(item, str) or _is_texts(item) for item in value.values())
    ),
    "values": lambda value: _is_numbers(value) and bool(value),
    "date": lambda value: isinstance(value, dt.date) and not isinstance(value, dt.datetime),
}

_IN_WORDS: Final[Mapping[KeyKind, str]] = {
    "text": 'a text, as in "..."',
    "texts": 'a list of texts, as in ["...", "..."]',
    "truth": "true or false",
    "number": "a number",
    "whole": "a whole number from 0",
    "range": "two numbers, as in [50, 75]",
    "days": "a list of days, as in [60, 150]",
    "numbers": "names with numbers, as in {dm_loss = 1.0}",
    "figures": "a number, or a list of numbers, one for each opening",
    "names": "names with texts, as in {Bale = 'bales.bale'}",
    "values": "a list of numbers, as in [6, 12]",
    "date": "a date without quotation marks, as in 2027-05-20",
}


def fits(spec: Key, value: Raw) -> bool:
    """Tell whether a value is what the key holds, its words among those allowed."""
    return _FITS[spec.kind](value) and _allowed(spec, value)


def _allowed(spec: Key, value: Raw) -> bool:
    if not spec.choices:
        return True
    return all(item in spec.choices for item in (value if isinstance(value, dict) else [value]))


def expected(spec: Key) -> str:
    """Return in words what the key holds."""
    if not spec.choices:
        return _IN_WORDS[spec.kind]
    words = " or ".join(repr(choice) for choice in spec.choices)
    return f"{_IN_WORDS[spec.kind]}, with names among {words}" if spec.kind == "numbers" else words
