"""Decimal marks: the value is kept, or the column refused with words; nothing is guessed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data import TABLES
from silagetrial.data.cells import CellFault, parse_cell
from silagetrial.data.columns import read_column
from silagetrial.data.files import RawTable
from silagetrial.data.frames import typed_table

ACID = next(column for column in TABLES["samples"] if column.name == "butyric_acid")
MASS = next(column for column in TABLES["weighings"] if column.name == "gross")
ONE_DECIMAL = st.integers(-9999, 9999).map(lambda k: f"{k / 10:.1f}")
ANY = st.text(st.characters(exclude_categories=["Cs"]), max_size=8).map(str.strip)


@given(st.lists(ONE_DECIMAL, min_size=1), st.sampled_from([None, ","]))
def test_a_column_of_decimal_commas_keeps_its_values(texts: list[str], decimal: str | None) -> None:
    commas = [text.replace(".", ",") for text in texts]
    read = read_column(commas, MASS, decimal=decimal)
    assert read.faults == ()
    assert read.values == [float(text) for text in texts]


@given(st.lists(st.sampled_from(["<0,3", "< 0,3", "0,84", "12", "1,5e-1", ""])))
def test_limits_with_a_comma(texts: list[str]) -> None:
    read = read_column(texts, ACID, decimal=",")
    assert read.faults == ()
    for text, value, below in zip(texts, read.values, read.below, strict=True):
        number = text.replace(",", ".").removeprefix("<").strip()
        held = below if text.startswith("<") else value
        assert math.isnan(held) if not number else held == float(number)


@given(st.lists(ANY, max_size=20), st.sampled_from(["number", "id", "datetime", "measured"]))
def test_a_cell_is_read_in_a_column_as_it_is_alone(texts: list[str], kind: str) -> None:
    """Without commas the column says no more than the cell does."""
    column = next(c for t in TABLES.values() for c in t if c.kind == kind and not c.required)
    plain = [text.replace(",", "") for text in texts]
    read = read_column(plain, column)
    faults = dict(read.faults)
    for k, text in enumerate(plain):
        alone = parse_cell(text, column)
        assert faults.get(k) == (alone if isinstance(alone, CellFault) else None)


@given(
    st.lists(
        st.sampled_from(["", "0", "12.5", "007", "1e3", "-1", "1000000000", "1000000001", "\u0663"])
        | st.sampled_from(
            ["2025-05-26", "2025-05-26 10:00", "2025-02-30", "1949-12-31", "2200-01-01"]
        )
        | st.sampled_from(["2025-05-26 24:00", "2025-05-26T10:00:59", "0000-01-01", "12\n13"]),
        min_size=1,
        max_size=6,
    ),
    st.sampled_from(["number", "count", "measured", "datetime"]),
)
def test_a_plain_column_is_read_at_once_as_cell_by_cell(texts: list[str], kind: str) -> None:
    column = next(c for t in TABLES.values() for c in t if c.kind == kind and not c.required)
    read = read_column(texts, column)
    faults = dict(read.faults)
    for k, text in enumerate(texts):
        alone = parse_cell(text, column)
        if isinstance(alone, CellFault):
            assert faults[k] == alone
            continue
        assert k not in faults
        held = (text or "NaT") if kind == "datetime" else alone.value
        blank = kind != "datetime" and not text
        assert math.isnan(read.values[k]) if blank else read.values[k] == held


def found(texts: list[str], decimal: str | None = None) -> list[str]:
    return [f.found for _, f in read_column(texts, MASS, decimal=decimal).faults]


def test_mixed_marks_are_refused() -> None:
    said = "'3,5', a decimal or thousands comma, and '4.5' in the same column"
    assert found(["3,5", "4.5", "12"]) == [said]


def test_two_marks_are_one_problem_of_the_column() -> None:
    texts = ["3,5"] * 75 + ["12"] * 5 + ["4.5"] * 4 + ["ND", "<0.3"]
    read = read_column(texts, MASS)
    assert read.mixed is not None
    assert read.mixed.commas == tuple(range(75))
    assert read.mixed.points == (80, 81, 82, 83, 85)
    rows = tuple((f"s{k:02}", text) for k, text in enumerate(texts))
    raw = RawTable("samples.csv", ("sample", "dm"), tuple(range(2, 88)), rows)
    typed, problems = typed_table("samples", raw)
    (mixed,) = [each for each in problems if "two decimal marks" in each.found]
    assert mixed.found == (
        "two decimal marks in one column: a point in 5 cells, as '4.5' (lines 82, 83, 84 and 2 "
        "more), and a comma in 75 cells, as '3,5' (lines 2, 3, 4 and 72 more)"
    )
    assert (mixed.line, mixed.column, mixed.expected) == (82, "dm", "one decimal mark in a column")
    assert [each.line for each in problems if each.column == "dm"] == [82, 86, 87]
    # Every comma stays unread.
    assert typed.frame["dm"].isna().sum() == 75 + 2
    assert len(typed.rejected) == 75 + 2
    assert read_column(["3,5", "4,5"], MASS).mixed is None
    assert read_column(["3.5", "4,5"], MASS, decimal=",").mixed is None


def test_a_comma_that_may_be_either_is_refused() -> None:
    said = ["'1,234', a decimal or thousands comma: the column does not tell which"]
    assert found(["1,234", "12"]) == said
    assert found(["1,234"], ",") == []
    assert found(["0,125"]) == []  # a thousands mark has no lone zero before it


@pytest.mark.parametrize("text", ["1,234.5", "1.234,5", "1,234,567"])
def test_two_marks_in_one_number_are_refused(text: str) -> None:
    for decimal in (None, ".", ","):
        assert len(found([text], decimal)) == 1


def test_a_point_where_the_comma_is_declared() -> None:
    (fault,) = found(["3.5", "4,5"], ",")
    assert fault == "'3.5', a decimal or thousands point"
    assert found(["3,5"], ".") == ["'3,5', a decimal or thousands comma"]


def test_of_a_word_no_decimal_mark_is_asked() -> None:
    """In a column of decimal commas the point would be wrong."""
    for column in (MASS, ACID):
        ((_, fault),) = read_column(["3,5", "wet"], column).faults
        assert (fault.found, fault.expected.split(", or")[0]) == ("'wet'", "a number")
