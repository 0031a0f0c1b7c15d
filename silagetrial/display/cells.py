"""How one value is shown in a table: numbers by the name of their column or by their error."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from datetime import datetime
from numbers import Real
from typing import Final

import numpy as np
import pandas as pd

__all__ = [
    "MISSING",
    "RESULT_STARTS",
    "cell_text",
    "decimals",
    "is_missing",
    "is_number",
    "printable",
    "rule_by_error",
    "rule_by_name",
    "rule_by_spec",
    "significant",
]

MISSING: Final = "\N{EN DASH}"
"""Shown for NaN, None and NaT: not there, which is never the same as zero."""

_RESULT: Final = frozenset({"estimate", "std_error", "statistic", "half_width"})
RESULT_STARTS: Final = ("conf_", "sim_")
"""How the names of limits of intervals begin."""

_MOST: Final = 6
"""Most decimals shown; a standard error below them is one of rounding alone."""


def rule_by_name(name: str, present: Sequence[object]) -> Callable[[float], str]:
    """Choose how the numbers of a column are shown, by the column's name."""
    if name.startswith("p_"):
        return _p_text
    if name == "df" or name.endswith("_df"):
        return _df_text
    if name == "days" or name.endswith("_days"):
        return rule_by_spec(".0f")
    if name in _RESULT or name.startswith(RESULT_STARTS):
        return lambda value: significant(value, digits=3)
    if all(isinstance(value, Real) and float(value).is_integer() for value in present):
        return rule_by_spec(".0f")
    return lambda value: significant(value, digits=4)


def cell_text(value: object, show: Callable[[float], str]) -> str:
    """Return a value as text: numbers by a rule, times as dates, what is missing as a dash."""
    if is_missing(value):
        return MISSING
    if _is_truth(value):
        return "yes" if value else "no"
    if isinstance(value, Real):
        number = float(value)
        return show(number) if math.isfinite(number) else ("∞" if number > 0 else "-∞")
    if isinstance(value, datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return value.strftime("%Y-%m-%d") if midnight else value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, tuple | list):
        return ", ".join(cell_text(item, show) for item in value)
    return printable(str(value))


def significant(value: float, *, digits: int) -> str:
    """Return a number with the stated significant digits, never in thousands rounded away.

    Below 0.0001 in size the text is scientific; the digits before the decimal point are always
    all shown.
    """
    if value == 0:
        return "0"
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    if exponent < -4:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(digits - 1 - exponent, 0)}f}"


def decimals(std_error: float) -> int:
    """Return with how many decimals a standard error has two significant digits, 0 at least.

    Estimates are told with the decimals of their standard error: further digits are noise.

    Parameters
    ----------
    std_error : float
        Above 0.
    """
    # By way of the rounded text: 0.0996 is 0.10, with two decimals and not three.
    return max(1 - int(f"{std_error:.1e}".split("e")[1]), 0)


def rule_by_error(error: object, *, otherwise: Callable[[float], str]) -> Callable[[float], str]:
    """Show with the decimals of a standard error, or as without one where there is none."""
    if isinstance(error, Real) and 0 < float(error) < math.inf:
        places = decimals(float(error))
        # What rounds to zero has no sign ("z", PEP 682).
        return rule_by_spec(f"z.{places}f") if places <= _MOST else otherwise
    return otherwise


def _p_text(value: float) -> str:
    if value > 0.9995:
        return "> 0.999"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _df_text(value: float) -> str:
    # A computed df carries rounding error in its last bits; 11.0000000002 is 11.
    return f"{value:.0f}" if abs(value - round(value)) < 1e-6 else f"{value:.1f}"


def rule_by_spec(spec: str) -> Callable[[float], str]:
    """Show by a format specification of Python."""
    return lambda value: format(value, spec)


def is_missing(value: object) -> bool:
    """Tell whether there is no value."""
    return value is None or value is pd.NA or value is pd.NaT or value != value


def _is_truth(value: object) -> bool:
    return isinstance(value, bool | np.bool_)


def is_number(value: object) -> bool:
    """Tell whether a value is a number; yes and no are none."""
    return isinstance(value, Real) and not _is_truth(value)


def printable(text: str) -> str:
    """Replace control characters, which could move a terminal's cursor or hide text."""
    return "".join(
        char if char.isprintable() or char == "\n" else "\N{REPLACEMENT CHARACTER}" for char in text
    )
