"""What a laboratory writes in a cell: value, limit and flag apart; nothing is guessed."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data.cells import CellFault
from silagetrial.data.laboratory.mapping import Laboratory, Meaning, Quantity
from silagetrial.data.laboratory.readings import Reading, read_result


def quantity(*, detection: float | None = 0.3, quantification: float | None = 1.0) -> Quantity:
    return Quantity(
        "BS", "butyric_acid", "g/kg DM", "g/kg DM", detection, quantification, "g/kg DM"
    )


def laboratory(decimal: str = ".", **marks: Meaning) -> Laboratory:
    mark = "," if decimal == "," else "."
    return Laboratory("North", "sample rows", "Probe", mark, {}, marks=marks)


def read(text: str, decimal: str = ".", **marks: Meaning) -> Reading | CellFault:
    return read_result(text, laboratory=laboratory(decimal, **marks), quantity=quantity())


@pytest.mark.parametrize(
    ("text", "decimal", "reading"),
    [
        ("8.4", ".", Reading(8.4)),
        ("8,4", ",", Reading(8.4)),
        ("12", ",", Reading(12.0)),
        ("<0.3", ".", Reading(None, 0.3, "detection", "below")),
        ("< 0,3", ",", Reading(None, 0.3, "detection", "below")),
        ("<1.0", ".", Reading(None, 1.0, "quantification", "below")),
        ("<0.5", ".", Reading(None, 0.5, "not said", "below")),
        ("<LOD", ".", Reading(None, 0.3, "detection", "below")),
        ("< LOQ", ".", Reading(None, 1.0, "quantification", "below")),
        ("<BG", ",", Reading(None, 1.0, "quantification", "below")),
        ("<NG", ",", Reading(None, 0.3, "detection", "below")),
        ("n.n.", ",", Reading(None, 0.3, "detection", "below")),
        ("N. N.", ",", Reading(None, 0.3, "detection", "below")),
        ("n.b.", ",", Reading(None, flag="not determined")),
        ("trace", ".", Reading(None, 1.0, "quantification", "trace")),
        ("Spuren", ",", Reading(None, 1.0, "quantification", "trace")),
    ],
)
def test_marks_that_say_what_they_mean(text: str, decimal: str, reading: Reading) -> None:
    assert read(text, decimal) == reading


@pytest.mark.parametrize("text", ["n.d.", "n/d", "ND", "-", "\N{EN DASH}", "0", "0.00", "", "?"])
def test_a_mark_that_is_not_declared_is_a_problem(text: str) -> None:
    fault = read(text)
    assert isinstance(fault, CellFault)
    assert "whose meaning is not declared" in fault.found
    name = "0" if text.startswith("0") else text or "blank"
    assert f"write \"{name}\" = and one of 'below detection'" in fault.remedy


@pytest.mark.parametrize(
    ("text", "mark", "meaning", "reading"),
    [
        ("ND", "nd", "below detection", Reading(None, 0.3, "detection", "below")),
        ("n/d", "n/d", "missing", Reading(None, flag="not determined")),
        ("\N{EN DASH}", "-", "missing", Reading(None, flag="not determined")),
        ("0.00", "0", "below detection", Reading(None, 0.3, "detection", "below")),
        ("0.0", "0", "zero", Reading(0.0)),
        ("", "blank", "missing", Reading(None, flag="not determined")),
        ("n.n.", "n.n.", "below quantification", Reading(None, 1.0, "quantification", "below")),
        ("n.d.", "n.d.", "trace", Reading(None, 1.0, "quantification", "trace")),
    ],
)
def test_a_mark_means_what_is_declared(
    text: str, mark: str, meaning: Meaning, reading: Reading
) -> None:
    assert read(text, **{mark: meaning}) == reading


def test_one_zero_may_mean_another_thing_than_the_others() -> None:
    marks: dict[str, Meaning] = {"0": "missing", "0.00": "zero"}
    assert read("0.00", **marks) == Reading(0.0)
    assert read("0.0", **marks) == Reading(None, flag="not determined")


@pytest.mark.parametrize(
    ("text", "decimal", "found", "expected"),
    [
        ("1.234", ",", "'1.234', with a point", "a comma as the decimal mark"),
        ("0,84", ".", "'0,84', with a comma", "a point as the decimal mark"),
        ("1.234,5", ",", "'1.234,5', with a point", "without marks for thousands"),
        ("<0.3", ",", "'0.3', with a point", "a comma as the decimal mark"),
        ("8.4 g", ".", "'8.4 g'", "a number, <limit, or a mark"),
        (">300", ".", "'>300'", "a number, <limit, or a mark"),
        ("<-1", ".", "'<-1'", "a limit above 0"),
        ("1e400", ".", "'1e400'", "a number of a size that occurs"),
        ("1" * 40, ".", repr("1" * 40), "a number of a size that occurs"),
    ],
)
def test_what_cannot_be_read(text: str, decimal: str, found: str, expected: str) -> None:
    fault = read(text, decimal)
    assert isinstance(fault, CellFault)
    assert fault.found == found
    assert expected in fault.expected
    assert fault.remedy


@pytest.mark.parametrize(("text", "kind"), [("n.n.", "detection"), ("<LOQ", "quantification")])
def test_a_mark_needs_its_own_limit(text: str, kind: str) -> None:
    lacking = quantity(detection=None, quantification=None)
    fault = read_result(text, laboratory=laboratory(), quantity=lacking)
    assert isinstance(fault, CellFault)
    assert fault.found == f"{text!r}, below {kind}, and no limit"
    assert fault.expected.startswith(f"{kind}_limit = a number, in the section of 'BS'")


@given(st.floats(1e-6, 1e6), st.sampled_from([".", ","]), st.booleans())
def test_any_number_comes_back(number: float, decimal: str, limit: bool) -> None:
    text = f"{'< ' if limit else ''}{number!r}".replace(".", decimal)
    reading = read(text, decimal)
    assert isinstance(reading, Reading)
    assert (reading.limit if limit else reading.value) == number
    assert (reading.value if limit else reading.limit) is None


@given(st.text(max_size=12))
def test_any_text_is_read_or_refused_in_words(text: str) -> None:
    found = read(text.strip())
    if isinstance(found, CellFault):
        assert found.found
        assert found.expected
        assert found.remedy
    else:
        assert found.value is None or math.isfinite(found.value)
