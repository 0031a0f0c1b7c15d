"""Results made again are compared value by value: every change is named, rounding is none."""

from __future__ import annotations

import copy
import json
import math
from pathlib import Path
from typing import Any

import pytest
from conftest import Analysed
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.report.compared import ABSENT, RELATIVE, count_values, differences
from silagetrial.report.results import write

ROW: dict[str, Any] = {
    "term": "film - net",
    "estimate": 0.5,
    "std_error": 0.1,
    "statistic": 5.0,
    "p_value": 1e-4,
    "pairs": 9,
    "conf_low": 0.3,
    "remark": "",
}
CONTENT = {
    "title": "At 9 months 41 % lower (ratio 0.59, p = 0.007)",
    "answered": True,
    "plan": None,
    "responses": {"butyric_acid": {"differences": [ROW, {**ROW, "term": "twine - net"}]}},
}
FIRST = "responses.butyric_acid.differences[0]"


def changed(name: str, value: object) -> dict[str, Any]:
    """The content with one value of the first row replaced."""
    content = copy.deepcopy(CONTENT)
    content["responses"]["butyric_acid"]["differences"][0][name] = value
    return content


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**400), 10**400)
    | st.floats()
    | st.text(max_size=8),
    lambda inner: (
        st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=8), inner, max_size=4)
    ),
    max_leaves=12,
)


@given(JSON, st.booleans())
def test_any_content_is_the_same_as_itself_read_again(content: object, exact: bool) -> None:
    """Also NaN, infinity and numbers too large for a float, which an edited file may hold."""
    again = json.loads(json.dumps(content))
    assert differences(content, again, exact=True) == ()
    assert differences(content, again, exact=exact) == ()
    assert count_values(content) == count_values(again)


@given(JSON, JSON)
def test_any_two_contents_can_be_compared(kept: object, again: object) -> None:
    """Exactly the same or not: as their texts; every difference can be shown."""
    found = differences(kept, again, exact=True)
    assert (found == ()) == (json.dumps(kept, sort_keys=True) == json.dumps(again, sort_keys=True))
    for item in (*found, *differences(kept, again, exact=False)):
        assert str(item).isprintable()


@pytest.mark.parametrize(
    ("name", "value", "relative"),
    [
        ("estimate", math.nextafter(0.5, 1), 2.220446049250313e-16),
        ("pairs", 9.0, 0.0),
        ("pairs", 8, 1 / 9),
        ("conf_low", None, None),
        ("conf_low", math.nan, None),
        ("conf_low", "0.3", None),
        ("remark", "edited", None),
        ("p_value", -1e-4, 2.0),
    ],
)
def test_to_the_last_digit(name: str, value: object, relative: float | None) -> None:
    (found,) = differences(changed(name, value), CONTENT, exact=True)
    assert found.path == f"{FIRST}.{name}"
    assert found.kept is value
    assert found.again == ROW[name]
    assert found.relative == (None if relative is None else pytest.approx(relative))


@pytest.mark.parametrize(
    ("name", "value", "same"),
    [
        ("estimate", 0.5 * (1 + 0.9 * RELATIVE), True),
        ("estimate", 0.5 * (1 + 1.3 * RELATIVE), False),
        ("p_value", 1e-4 * (1 + 2 * RELATIVE), False),
        ("std_error", 0.1 * (1 - 2 * RELATIVE), False),
        ("pairs", 10, False),
        ("conf_low", None, False),
        ("conf_low", math.nan, False),
        ("conf_low", math.inf, False),
        ("conf_low", 10**400, False),
        ("conf_low", True, False),
        ("remark", "0.3 of 5", False),
    ],
)
def test_elsewhere_by_a_share_of_the_number(name: str, value: object, same: bool) -> None:
    assert (differences(changed(name, value), CONTENT, exact=False) == ()) == same


@pytest.mark.parametrize(
    ("row", "kept", "same"),
    [
        # An estimate near zero has no size of its own: its standard error is the scale.
        ({"estimate": 1e-17, "std_error": 0.1}, -2e-16, True),
        ({"estimate": 1e-9, "std_error": 0.1}, 9e-7, True),
        ({"estimate": 1e-9, "std_error": 0.1}, 2e-6, False),
        ({"estimate": 1e-9}, 9e-7, False),
        # A statistic is in units of its standard error.
        ({"statistic": 1e-16}, -3e-16, True),
        ({"statistic": 1e-16}, 2e-5, False),
        # Digits in common with another program count rounding, beyond five of them.
        ({"digits": 13.4}, 15.0, True),
        ({"digits": 13.4}, 4.6, False),
        ({"digits": 4.6}, 4.7, False),
    ],
)
def test_near_zero_by_what_the_number_is_read_on(
    row: dict[str, float], kept: float, same: bool
) -> None:
    name = next(iter(row))
    found = differences([{**row, name: kept}], [row], exact=False)
    assert (found == ()) == same


def test_near_zero_by_the_largest_of_the_column() -> None:
    matrix = [[2.0, 1e-14], [1e-14, 3.0]]
    assert differences([[2.0, -1e-13], [0.0, 3.0]], matrix, exact=False) == ()
    (found,) = differences([[2.0, 1e-9], [1e-14, 3.0]], matrix, exact=False)
    assert found.path == "[0][1]"
    column = [{"days": 30.0}, {"days": 1e-12}]
    assert differences([{"days": 30.0}, {"days": 0.0}], column, exact=False) == ()
    assert differences([{"days": 30.0}, {"days": 1e-8}], column, exact=False) != ()


@pytest.mark.parametrize(
    ("kept", "same"),
    [
        ("At 9 months 41 % lower (ratio 0.60, p = 0.007)", True),
        ("At 9 months 41 % lower (ratio 0.61, p = 0.007)", False),
        ("At 9 months 41 % lower (ratio 0.6, p = 0.007)", False),
        ("At 9 months 41 % higher (ratio 0.59, p = 0.007)", False),
        ("At 9 months 41 % lower (ratio 0.59, p = 0.007", False),
    ],
)
def test_a_number_in_a_text_may_be_rounded_the_other_way(kept: str, same: bool) -> None:
    again = str(CONTENT["title"])
    assert (differences(kept, again, exact=False) == ()) == same
    assert differences(kept, again, exact=True) != ()


@pytest.mark.parametrize(
    ("kept", "again"),
    [
        ("bale A01-net", "bale A02-net"),
        ("filed on 2024-12-06", "filed on 2024-12-07"),
        ("none of 17 results", "none of 18 results"),
        ("at 9 months", "at 8 months"),
    ],
)
def test_names_dates_and_counts_in_a_text_are_not_rounded(kept: str, again: str) -> None:
    assert differences(kept, again, exact=False) != ()


def test_what_is_gone_and_what_was_added_is_named() -> None:
    content = copy.deepcopy(CONTENT)
    del content["plan"]
    content["odd name"] = [1]
    content["responses"]["butyric_acid"]["differences"].pop()
    gone, row, added = (
        differences(content, CONTENT, exact=True)[-1:]
        + differences(content, CONTENT, exact=True)[:2]
    )
    assert gone.path == "plan"
    assert gone.kept is ABSENT
    assert str(gone) == "plan: kept (absent), now null"
    assert row.path == "responses.butyric_acid.differences[1]"
    assert added.path == '["odd name"]'
    assert str(added) == '["odd name"]: kept [1], now (absent)'


def test_what_is_shown_is_short_and_harmless() -> None:
    (found,) = differences({"title": "\x1b[2J" + "x" * 500}, {"title": "y"}, exact=True)
    assert str(found) == f'title: kept "\\u001b[2J{"x" * 50}..., now "y"'
    (hidden,) = differences({"title": "a\u202eb"}, {"title": "y"}, exact=True)
    assert "\u202e" not in str(hidden)


@pytest.mark.slow
def test_of_real_results_every_altered_number_is_caught(analysed: Analysed, tmp_path: Path) -> None:
    """One number in five, moved by a thousandth and of its error: named alone, by its own path."""
    write(analysed("separate"), tmp_path / "results.json")
    again = json.loads((tmp_path / "results.json").read_text(encoding="utf-8"))
    kept = copy.deepcopy(again)
    moved = list(_floats(kept))[::5]
    assert len(moved) > 100
    for holder, key, value in moved:
        error = holder.get("std_error", 0.0) if isinstance(holder, dict) else 0.0
        holder[key] = -5.0 if key == "digits" else value + 1e-3 * (abs(value) + error or 1.0)
        for exact in (True, False):
            (found,) = differences(kept, again, exact=exact)
            assert found.path.endswith(f"[{key}]" if isinstance(key, int) else str(key))
            assert (found.kept, found.again) == (holder[key], value)
        holder[key] = value


def _floats(content: Any) -> Any:
    """Every number with decimals: where it stands, under what, and itself."""
    items = content.items() if isinstance(content, dict) else enumerate(content)
    for key, value in items:
        if isinstance(value, dict | list):
            yield from _floats(value)
        elif isinstance(value, float):
            yield content, key, value
