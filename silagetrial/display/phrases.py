"""Numbers and lists as they stand in sentences, captions and alt texts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final, Literal

from silagetrial.display.cells import significant
from silagetrial.display.language import noun, say

__all__ = [
    "FAR",
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
FAR: Final = 1000
"""Ratios beyond it, or below its inverse, are not spelt out."""


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
        return say("phrase.lower", percent=f"{100 * (1 - ratio):.0f}")
    if ratio >= 3:
        return say("phrase.times", times=number(ratio, digits=2))
    return say("phrase.higher", percent=f"{100 * (ratio - 1):.0f}")


def tenths(value: float) -> str:
    """Return a number with one decimal and a true minus sign."""
    return f"{value:.1f}".replace("-", MINUS)


def amount(value: float, unit: str) -> str:
    """Return a quantity with its unit, where it has one: ``1 percentage point``."""
    if unit == "percentage points" and value == 1:
        return "1 percentage point"
    return f"{quantity(value, unit)} {unit}".strip()


def span(low: float, high: float, unit: str = "") -> str:
    """Return an interval in words: ``0.40 to 0.86``; an end that is infinite is said to be none."""
    bottom, top = _end(low, unit), _end(high, unit)
    below = math.isfinite(low) and (bool(unit) or low > 0)
    if not math.isfinite(high):
        return say("phrase.open_above", low=bottom) if below else say("phrase.open_ended")
    if not math.isfinite(low):
        return say("phrase.open_below", high=top)
    return say("phrase.span", low=bottom, high=top)


def _end(value: float, unit: str) -> str:
    """An end of an interval; a ratio so far off that its digits say nothing is not spelt out."""
    if not unit and value < 1 / FAR:
        return say("phrase.less", size=f"{1 / FAR:g}")
    if not unit and value > FAR:
        return say("phrase.more", size=f"{FAR:g}")
    return quantity(value, unit)


def level_name(level: float) -> str:
    """Return a confidence level in words: ``95 %``."""
    return f"{100 * level:g} %"


def p_value(value: float) -> str:
    """Return ``p = 0.012``, ``p < 0.001`` or ``p > 0.999``."""
    if value > 0.9995:
        return "p > 0.999"
    return "p < 0.001" if value < 0.001 else f"p = {value:.3f}"


def count(number_of: int, of: str) -> str:
    """Return a count with its noun: ``1 pair``, ``3 pairs``.

    Parameters
    ----------
    number_of : int
    of : str
        A noun of ``english.toml``.
    """
    return say("phrase.count", number=number_of, noun=noun(of, number_of))


def short(text: str, *, longest: int = 28) -> str:
    """Return a name as it fits into a figure, cut where it is longer."""
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def block_word(bindings: Sequence[str]) -> str:
    """Return what bales made one after another are called: a pair, with more bindings a set."""
    return "pair" if len(bindings) < 3 else "set"


def joined(
    words: Sequence[str], *, last: Literal["and", "or", "comma", "semicolon"] = "and"
) -> str:
    """Join words as a sentence does: ``net, film and twine``.

    Parameters
    ----------
    words : sequence of str
    last : {"and", "or", "comma", "semicolon"}
        What stands before the last word; with a semicolon, between all.
    """
    *others, end = words or [""]
    said = ""
    for word in others:
        between = "phrase.semicolon" if last == "semicolon" else "phrase.comma"
        said = say(between, words=said, last=word) if said else word
    return say(_LAST[last], words=said, last=end) if said else end


_LAST: Final = {
    "and": "phrase.and",
    "or": "phrase.or",
    "comma": "phrase.comma",
    "semicolon": "phrase.semicolon",
}
