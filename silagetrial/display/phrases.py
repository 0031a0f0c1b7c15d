"""Numbers and lists as they stand in sentences, captions and alt texts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from silagetrial.display.table import significant

__all__ = [
    "MINUS",
    "amount",
    "block_word",
    "count",
    "joined",
    "level_name",
    "number",
    "p_value",
    "quantity",
    "ratio_words",
    "short",
    "span",
    "tenths",
]

MINUS: Final = "\N{MINUS SIGN}"


def number(value: float, *, digits: int = 3) -> str:
    """Return a number with so many significant digits and a true minus sign."""
    return significant(value, digits=digits).replace("-", MINUS)


def quantity(value: float, unit: str = "") -> str:
    """Return a comparison's size: percentage points with two decimals, ratios with two or three.

    Parameters
    ----------
    value : float
    unit : str
        ``percentage points``, or empty for a ratio.
    """
    if unit:
        return f"{value:.2f}".replace("-", MINUS)
    return f"{value:.2f}" if 0.1 <= value < 10 else number(value)


def ratio_words(ratio: float) -> str:
    """Say a ratio as people do: ``41 % lower``, ``60 % higher``, ``3.2 times as high``."""
    if ratio < 1:
        return f"{100 * (1 - ratio):.0f} % lower"
    if ratio >= 3:
        return f"{number(ratio, digits=2)} times as high"
    return f"{100 * (ratio - 1):.0f} % higher"


def tenths(value: float) -> str:
    """Return a number with one decimal and a true minus sign."""
    return f"{value:.1f}".replace("-", MINUS)


def amount(value: float, unit: str) -> str:
    """Return a quantity with its unit, where it has one: ``1 percentage point``."""
    if unit == "percentage points" and value == 1:
        return "1 percentage point"
    return f"{quantity(value, unit)} {unit}".strip()


def span(low: float, high: float, unit: str = "") -> str:
    """Return an interval in words: ``0.40 to 0.86``."""
    return f"{quantity(low, unit)} to {quantity(high, unit)}"


def level_name(level: float) -> str:
    """Return a confidence level in words: ``95 %``."""
    return f"{100 * level:g} %"


def p_value(value: float) -> str:
    """Return ``p = 0.012``, ``p < 0.001`` or ``p > 0.999``."""
    if value > 0.9995:
        return "p > 0.999"
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"


def count(number_of: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun: ``1 pair``, ``3 pairs``."""
    return f"{number_of} {noun if number_of == 1 else plural or noun + 's'}"


def short(text: str, *, longest: int = 28) -> str:
    """Return a name as it fits into a figure, cut where it is longer."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def block_word(bindings: Sequence[str]) -> str:
    """Return what bales made one after another are called: a pair, with more bindings a set."""
    return "pair" if len(bindings) < 3 else "set"


def joined(words: Sequence[str], *, last: str = "and") -> str:
    """Join words as a sentence does: ``net, film and twine``."""
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} {last} {words[-1]}"
