"""Numbers and lists as they stand in sentences."""

from __future__ import annotations

import pandas as pd
import pytest

from silagetrial.display import Table
from silagetrial.display.phrases import (
    amount,
    block_word,
    count,
    joined,
    level_name,
    number,
    p_value,
    quantity,
    short,
    span,
    tenths,
)


@pytest.mark.parametrize(
    ("value", "shown"),
    [
        (0.0004, "p < 0.001"),
        (0.001, "p = 0.001"),
        (0.0496, "p = 0.050"),
        (0.9994, "p = 0.999"),
        (0.9995, "p = 1.000"),
        (0.9996, "p > 0.999"),
    ],
)
def test_p_values_are_those_of_the_tables(value: float, shown: str) -> None:
    assert p_value(value) == shown
    cell = str(Table(pd.DataFrame({"p_value": [value]}))).splitlines()[-1].strip()
    assert shown.removeprefix("p ").removeprefix("= ") == cell


def test_numbers_carry_a_true_minus_sign() -> None:
    assert number(-2.4567) == "\u22122.46"
    assert quantity(-0.0453, "percentage points") == "\u22120.05"
    assert tenths(-1.76) == "\u22121.8"
    assert span(-2.456, 2.14, "percentage points") == "\u22122.46 to 2.14"


def test_ratios_keep_their_digits_where_two_decimals_would_lose_them() -> None:
    assert [quantity(value) for value in (0.0123, 0.588, 1.6, 23.45)] == [
        "0.0123",
        "0.59",
        "1.60",
        "23.4",
    ]


def test_an_interval_says_where_it_has_no_end() -> None:
    inf = float("inf")
    assert span(0.4, inf) == "0.40 or more, without end"
    assert span(-inf, 2.5, "percentage points") == "anything up to 2.50"
    assert span(-inf, inf, "percentage points") == span(0.0, inf) == "without ends"
    assert span(0.0, 2.5e27) == "less than 0.001 to more than 1000"
    assert span(-2000.0, 2000.0, "percentage points") == "\u22122000.00 to 2000.00"


def test_units_and_counts() -> None:
    assert amount(1.0, "percentage points") == "1 percentage point"
    assert amount(1.5, "percentage points") == "1.50 percentage points"
    assert amount(1.5, "") == "1.50"
    assert count(1, "pair") == "1 pair"
    assert count(2, "analysis") == "2 analyses"
    assert level_name(1 - 0.05) == "95 %"
    assert level_name(1 - 0.001) == "99.9 %"


def test_lists_and_names() -> None:
    assert joined(["net"]) == "net"
    assert joined(["net", "film", "twine"]) == "net, film and twine"
    assert joined([]) == ""
    assert joined(["a", "b"], last="or") == "a or b"
    assert joined(["a", "b", "c"], last="semicolon") == "a; b; c"
    assert joined(["a", "b", "c"], last="comma") == "a, b, c"
    assert short("x" * 28) == "x" * 28
    assert short("x" * 29) == "x" * 27 + "…"
    assert [block_word(["a", "b"]), block_word(["a", "b", "c"])] == ["pair", "set"]
