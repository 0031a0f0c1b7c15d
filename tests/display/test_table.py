"""Tables as text, HTML and CSV: the rule by name, alignment, and escaping."""

from __future__ import annotations

from html.parser import HTMLParser

import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.display import MISSING, Table
from silagetrial.display.cells import decimals, significant

HOSTILE = '<script>alert("x")</script>&\'"'


class Reader(HTMLParser):
    """Collects tags with their attributes, and the text of cells."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.cells: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag in ("td", "th", "caption", "p"):
            self.cells.append("")

    def handle_data(self, data: str) -> None:
        if self.cells:
            self.cells[-1] += data


def column(name: str, values: list[object], **options: dict[str, str]) -> list[str]:
    """Return the cells of a table of one column, as text without padding."""
    table = Table(pd.DataFrame({name: pd.Series(values)}), **options)
    return [line.strip() for line in str(table).splitlines()[2:]]


@pytest.mark.parametrize(
    ("name", "values", "shown"),
    [
        ("p_value", [0.0004, 0.0456, 0.9999], ["< 0.001", "0.046", "> 0.999"]),
        ("p_adjusted", [0.001], ["0.001"]),
        ("df", [11.00000000002, 23.456], ["11", "23.5"]),
        ("den_df", [4.0], ["4"]),
        ("df", [np.inf], ["∞"]),
        ("estimate", [0.012345, 123.456, -1.5], ["0.0123", "123", "-1.50"]),
        ("std_error", [1234.5], ["1234"]),
        ("conf_low", [-np.inf, 0.0], ["-∞", "0"]),
        ("sim_high", [2.0], ["2.00"]),
        ("days", [60.2], ["60"]),
        ("planned_days", [59.6], ["60"]),
        ("gross", [602.5, 1.0], ["602.5", "1.000"]),
        ("gross", [602.0, 1.0], ["602", "1"]),
        ("variance", [1.23456e-7], ["1.235e-07"]),
        ("kept", [True, False], ["yes", "no"]),
        ("kept", [np.bool_(True), None], ["yes", MISSING]),
        ("estimate", [np.nan, 1.0], [MISSING, "1.00"]),
        ("site", [None, "Elm Farm"], [MISSING, "Elm Farm"]),
        (
            "at",
            [pd.Timestamp("2025-05-26"), pd.Timestamp("2025-05-26 10:30"), pd.NaT],
            ["2025-05-26", "2025-05-26 10:30", MISSING],
        ),
        ("bales", [(), ("A", "B")], ["", "A, B"]),
    ],
)
def test_rule_by_name(name: str, values: list[object], shown: list[str]) -> None:
    assert column(name, values) == shown


def test_formats_and_labels_override() -> None:
    frame = pd.DataFrame({"p_value": [0.0004]})
    table = Table(frame, formats={"p_value": ".5f"}, labels={"p_value": "P (two-sided)"})
    assert str(table).splitlines()[0] == "P (two-sided)"
    assert str(table).splitlines()[2].strip() == "0.00040"


def test_decimal_points_stand_below_each_other() -> None:
    table = Table(pd.DataFrame({"estimate": [0.0123, 12.3, 123.0, np.nan, -4.56]}))
    rows = str(table).splitlines()[2:]
    with_point = [row for row in rows if "." in row]
    assert len({row.index(".") for row in with_point}) == 1
    units = {len(row.rstrip()) - 1 for row in rows if "." not in row}
    assert units == {with_point[0].index(".") - 1}


def test_numbers_are_rounded_by_their_standard_error() -> None:
    # Two significant digits of the error and the same decimals for the estimate: Guide to the
    # expression of uncertainty in measurement, JCGM 100:2008, 7.2.6, whose example (quoted from
    # memory) is 10.05762 ohm with an uncertainty of 27 milliohm, to be told as 10.058 ohm.
    frame = pd.DataFrame(
        {
            "estimate": [10.05762, 0.587, 1234.5, -0.0004],
            "std_error": [0.027, 0.0996, 38.0, 0.15],
            "conf_low": [10.0, 0.4021, 1150.0, -np.inf],
            "p_value": [0.04, 0.2, 0.0001, 0.5],
            "paired": [1.0, 2.0, 3.0, 4.0],
            "paired_error": [0.1, 0.01, np.nan, 0.0],
        }
    )
    table = Table(frame, shown=("estimate", "std_error", "conf_low", "paired", "p_value"),
                  errors={"paired": "paired_error"})  # fmt: skip
    rows = [line.split() for line in str(table).splitlines()[2:]]
    assert [row[:4] for row in rows] == [
        ["10.058", "0.027", "10.000", "1.00"],
        ["0.59", "0.10", "0.40", "2.000"],
        ["1234", "38", "1150", "3"],
        ["0.00", "0.15", "-∞", "4"],
    ]
    assert table.to_csv().splitlines()[0] == ",".join(frame.columns)
    assert Table(frame, formats={"estimate": ".1f"}, shown=("estimate",)).to_html().count("10.1")


@given(st.floats(min_value=1e-5, max_value=9.4))
def test_a_standard_error_keeps_two_significant_digits(error: float) -> None:
    text = f"{error:.{decimals(error)}f}"
    assert len(text.replace(".", "").lstrip("0")) == 2
    assert abs(float(text) - error) <= 0.05 * error * (1 + 1e-9)


def test_title_above_and_notes_below() -> None:
    table = Table(pd.DataFrame({"a": [1]}), title="Above", notes=("Below", "Last"))
    lines = str(table).splitlines()
    assert (lines[0], lines[-2:]) == ("Above", ["Below", "Last"])
    assert repr(table) == str(table)
    assert len(table) == 1


def test_long_text_is_wrapped_in_its_column() -> None:
    table = Table(pd.DataFrame({"reason": ["word " * 30], "n": [7]}))
    lines = str(table).splitlines()
    assert max(len(line) for line in lines) < 60
    assert sum(line.count("word") for line in lines) == 30
    assert lines[2].endswith("7")


def test_control_characters_do_not_reach_the_terminal() -> None:
    table = Table(pd.DataFrame({"site": ["\x1b[31mred\r"]}), title="\x1b]0;t\x07")
    assert "\x1b" not in str(table)
    assert "\x07" not in str(table)
    assert "\r" not in str(table)


def test_html_is_semantic() -> None:
    frame = pd.DataFrame({"term": ["film / net"], "estimate": [-0.5]})
    reader = Reader(Table(frame, title="Ratios", notes=("One note.",)).to_html())
    headings = [attrs for tag, attrs in reader.tags if tag == "th"]
    assert [attrs["scope"] for attrs in headings] == ["col", "col", "row"]
    assert [attrs.get("class") for attrs in headings] == [None, "num", "short"]
    assert ("table", {"class": "st-table"}) in reader.tags
    assert [cell.strip() for cell in reader.cells] == [
        "Ratios",
        "term",
        "estimate",
        "film / net",
        "\u22120.500",
        "One note.",
    ]


def test_every_text_is_escaped() -> None:
    table = Table(
        pd.DataFrame({HOSTILE: [HOSTILE], "b": ["x"]}),
        title=HOSTILE,
        notes=(HOSTILE,),
        labels={"b": HOSTILE},
    )
    html = table._repr_html_()
    assert "<script" not in html
    reader = Reader(html)
    assert {tag for tag, _ in reader.tags} <= {
        "div",
        "table",
        "caption",
        "thead",
        "tbody",
        "tr",
        "th",
        "td",
        "p",
    }
    # A "_" of a name is shown as a space; there is none in the hostile text.
    assert [cell.strip() for cell in reader.cells].count(HOSTILE) == 5


@given(st.text(), st.text())
def test_no_text_becomes_markup(name: str, value: str) -> None:
    reader = Reader(Table(pd.DataFrame({name: [value]}), title=value, notes=(name,)).to_html())
    tags = [tag for tag, _ in reader.tags if tag not in ("caption", "p")]
    heading = "th" if name.replace("_", " ").strip(" \n") else "td"
    cell = "th" if value.strip(" \n") else "td"
    assert tags == ["div", "div", "table", "thead", "tr", heading, "tbody", "tr", cell]


@given(st.lists(st.floats(allow_nan=False, allow_infinity=False), min_size=1))
def test_csv_keeps_full_precision(values: list[float]) -> None:
    text = Table(pd.DataFrame({"estimate": values})).to_csv()
    back = [float(line) for line in text.splitlines()[1:]]
    assert back == values


def test_csv_text_cannot_be_a_formula() -> None:
    frame = pd.DataFrame({"=name": ["=1+1", "@x", "plain"], "n": [-1.5, 2.0, np.nan]})
    assert Table(frame).to_csv() == "'=name,n\n'=1+1,-1.5\n'@x,2.0\nplain,\n"
    assert frame.iloc[0, 0] == "=1+1"


def test_numbers_in_the_frame_are_not_rounded() -> None:
    frame = pd.DataFrame({"estimate": [1 / 3]})
    table = Table(frame)
    table.to_html()
    assert str(table).splitlines()[2].strip() == "0.333"
    assert table.frame["estimate"].iloc[0] == 1 / 3


@given(
    st.floats(min_value=1e-4, max_value=9.9e5),
    st.integers(min_value=1, max_value=6),
    st.sampled_from([1, -1]),
)
def test_significant_digits(size: float, digits: int, sign: int) -> None:
    text = significant(sign * size, digits=digits)
    decimals = len(text.partition(".")[2])
    # Rounded once: within half of the last place shown (plus the rounding of binary numbers).
    assert abs(float(text) - sign * size) <= 0.5 * 10.0**-decimals * (1 + 1e-9)
    shown = text.lstrip("-").replace(".", "").lstrip("0")
    assert len(shown) == digits or (decimals == 0 and len(shown) > digits)


def test_empty_table_shows_its_heading() -> None:
    table = Table(pd.DataFrame({"bale": [], "reason": []}), title="Left out")
    assert str(table).splitlines() == ["Left out", "bale  reason", "----  ------"]
    assert table.to_csv() == "bale,reason\n"
    assert len(table) == 0


def test_short_texts_stay_on_one_line_and_wide_tables_scroll_by_themselves() -> None:
    frame = pd.DataFrame({"opening": ["9 months", "when the last bale was opened"], "n": [1, 2]})
    soup = BeautifulSoup(Table(frame, title="A <b>").to_html(), "html.parser")
    cells = soup.select("tbody :is(th, td)")
    assert [cell.get("class") for cell in cells] == [["short"], ["num"], None, ["num"]]
    assert [frame["aria-label"] for frame in soup.select(".st-scroll:has(> table)")] == ["A <b>"]
    untitled = BeautifulSoup(Table(frame).to_html(), "html.parser")
    assert [frame["aria-label"] for frame in untitled.select(".st-scroll")] == ["Table"]
