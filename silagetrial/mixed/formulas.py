"""Read formulas and random terms, and say in our own words what is wrong with them."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import lru_cache
from typing import TypeAlias

import formulaic
import numpy as np
import pandas as pd
from formulaic.errors import FormulaicError

from silagetrial.errors import UsageError

__all__ = [
    "Random",
    "Serial",
    "check_choice",
    "check_level",
    "inner_formula",
    "matrix",
    "parse",
    "read_random",
    "read_serial",
    "required",
]

Random: TypeAlias = Sequence[str | Mapping[str, str]]
"""Grouping columns (``"site"``, ``"site:binding"``), or ``{"bale": "1 + days"}``."""

Serial: TypeAlias = Mapping[str, str | Sequence[str]]
"""Unit to the column of times, or columns of a place, within it: ``{"bale": "days"}``."""


def check_choice(what: str, given: object, choices: Sequence[str | None]) -> None:
    """Refuse an option that is none of its choices."""
    if given not in choices:
        raise UsageError(
            found=f"{what}={given!r}",
            expected=f"{what} among " + ", ".join(map(repr, choices)),
            remedy="correct the option",
        )


def check_level(level: float) -> None:
    """Refuse a confidence level that is not a share."""
    if not 0.0 < level < 1.0:
        raise UsageError(
            found=f"level={level!r}",
            expected="a share between 0 and 1",
            remedy="0.95 is 95 %",
        )


@lru_cache(maxsize=64)
def parse(formula: str) -> formulaic.Formula:
    """Read a formula with a response; nobody may change what comes back, which is kept."""
    coded = re.search(r"\bC\(", formula)
    if coded is not None:
        raise UsageError(
            found=f"C(...) in the formula {formula!r}",
            expected="factors that are columns of text or categories",
            remedy="make the column text first: data.assign(days=data['days'].astype(str)); the "
            "order of levels goes into levels=",
        )
    try:
        parsed = formulaic.Formula(formula)
    except (FormulaicError, SyntaxError) as error:
        raise UsageError(
            found=f"the formula {formula!r} ({_plain(error)})",
            expected="a formula such as 'y ~ binding * opening'",
            remedy="correct the formula",
        ) from error
    if not hasattr(parsed, "lhs"):
        raise UsageError(
            found=f"the formula {formula!r} names no response",
            expected="a formula with a response, such as 'y ~ binding * opening'",
            remedy="put the response and ~ in front of the fixed part",
        )
    return parsed


def _plain(error: Exception) -> str:
    """First line of another library's message, without its terminal colours."""
    return re.sub(r"\x1b\[[0-9;]*m", "", str(error)).split("\n")[0]


def matrix(part: formulaic.Formula, rows: pd.DataFrame) -> formulaic.ModelMatrix:
    """Evaluate a part of a formula; what cannot be evaluated is a usage error."""
    try:
        with np.errstate(all="ignore"):  # values that are not finite are refused by name
            return part.get_model_matrix(rows, na_action="ignore")
    except (FormulaicError, SyntaxError, NameError, TypeError, ValueError) as error:
        raise UsageError(
            found=f"{part} cannot be evaluated ({_plain(error)})",
            expected="columns of the data and functions of them, such as log(days)",
            remedy="correct the formula",
        ) from error


def read_random(random: Random) -> list[tuple[str, str]]:
    """Return the grouping and the effects of each random term."""
    if isinstance(random, str | Mapping):
        raise UsageError(
            found=f"random={random!r}",
            expected="a list of terms, such as ['site', {'bale': '1 + days'}]",
            remedy="put the term into a list",
        )
    return [_random_term(item) for item in random]


def read_serial(serial: Serial | None) -> tuple[str, tuple[str, ...]] | None:
    """Return the unit of serial correlation and the columns of times or places within it."""
    if serial is None:
        return None
    if not isinstance(serial, Mapping) or len(serial) != 1:
        raise UsageError(
            found=f"serial={serial!r}",
            expected="one unit and the column of times within it, such as {'bale': 'days'}",
            remedy="correct the serial term",
        )
    unit, at = next(iter(serial.items()))
    return unit, (at,) if isinstance(at, str) else tuple(at)


def _random_term(item: str | Mapping[str, str]) -> tuple[str, str]:
    if isinstance(item, str):
        return item, "1"
    if len(item) != 1:
        raise UsageError(
            found=f"a random term with {len(item)} groupings: {dict(item)!r}",
            expected="one grouping a term, such as {'bale': '1 + days'}",
            remedy="give each grouping a term of its own",
        )
    return next(iter(item.items()))


def required(inner: str) -> list[str]:
    """Return the columns that the effects of a random term need."""
    return [] if inner == "1" else sorted(str(v) for v in inner_formula(inner).required_variables)


def inner_formula(inner: str) -> formulaic.Formula:
    """Read the effects of a random term."""
    try:
        return formulaic.Formula(inner)
    except (FormulaicError, SyntaxError) as error:
        raise UsageError(
            found=f"the random term {inner!r} ({_plain(error)})",
            expected="effects such as '1', '1 + days' or '0 + days'",
            remedy="correct the random term",
        ) from error
