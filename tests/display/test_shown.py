"""Objects show themselves in a few plain lines, in a terminal as in a notebook."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

import silagetrial as st
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table

PLAN = Path(__file__).parents[2] / "data_demo" / "plan_two_farms" / "plan.toml"


class Example(ShownInParts):
    def _parts(self) -> tuple[str, Table]:
        return "<b>first</b>\nsecond \x1b[31m", Table(pd.DataFrame({"pairs": [3]}), title="Sizes")


def test_text_and_html_are_the_same_parts() -> None:
    assert repr(Example()) == str(Example())
    assert str(Example()).split("\n\n")[0].splitlines()[0] == "<b>first</b>"
    assert "\x1b" not in str(Example())
    assert str(Example()).endswith("Sizes\npairs\n-----\n    3")
    html = Example()._repr_html_()
    assert "<p>&lt;b&gt;first&lt;/b&gt;</p>\n<p>second " in html
    assert "\x1b" not in html
    assert html.count("<table") == 1


@pytest.fixture(scope="module")
def shown() -> dict[str, Any]:
    """An object of each kind, by the name of its class."""
    plan = st.read_plan(PLAN)
    data = pd.DataFrame(
        {
            "pair": ["1", "1", "2", "2", "3", "3", "4"],
            "binding": ["film", "net"] * 3 + ["film"],
            "loss": [3.1, 4.0, 5.2, 5.9, 2.2, 3.4, None],
        }
    )
    found = st.budget(plan, most_pairs=2)
    objects = [
        plan, plan.assumptions["butyric_acid"], st.power(plan), st.pairs_needed(plan, most=12),
        st.detectable_difference(plan), found, found.planned, st.size_of_trial(plan),
        st.fit_mixed(data, "loss ~ binding", random=["pair"]),
    ]  # fmt: skip
    return {type(each).__name__: each for each in objects}


WANTED = {
    "Plan": (
        "Bindings: net, film; reference: net",
        "Openings: 2 months (60 days), 5 months (150 days), 8 months (240 days)",
        "Assumed of butyric_acid: effect: 0.8, 0.7, 0.6; level: 3; limit: 0.2",
        "Farrowby       12            1  2027-05-20  Long Acre, Mill Piece",
    ),
    "Assumption": ("spread: site 0.4, pair 0.3, bale 0.5", "source: invented"),
    "PowerResult": ("to show a ratio of 0.6 (film - net at 8 months) with 21 pairs on 2 farms",),
    "PairsNeeded": ("Pairs on each site and power",),
    "Detectable": (
        "film - net at 8 months: smallest ratio shown with a power of 0.800: 2.4",
        "pairs of each site: 12, 9; degrees of freedom: 16.",
    ),
    "Budget": ("Plans compared", "the plan"),
    "Option": ("2 farms, pairs on each: 10, openings: 2 months, 5 months", "cost 9,035, power 0.3"),
    "SizeAnswer": ("Power 0.350",),
    "Fit": (
        "Mixed model by REML: loss ~ binding\n",
        "Random terms: pair (3 levels)\n",
        "Rows: 6, 1 left out; coefficients: 2\n",
        "Restricted log-likelihood: -",
        "; converged after ",
        "Held at zero: none",
        "residual  variance",
    ),
}


@pytest.mark.parametrize("name", WANTED)
def test_public_objects_show_themselves(name: str, shown: dict[str, Any]) -> None:
    text = repr(shown[name])
    assert text == str(shown[name])
    for words in WANTED[name]:
        assert words in text
    assert len(text.splitlines()) <= 30
    # No field is dumped.
    assert f"{name}(" not in text
    assert "array(" not in text
    html = shown[name]._repr_html_()
    assert html.startswith(("<p>", "<div"))
    assert "array(" not in html


def test_a_plan_that_assumes_nothing_says_so() -> None:
    assumed: Callable[[], Any] = type(st.read_plan(PLAN).assumptions["dm_loss"])
    assert repr(assumed()) == "nothing is assumed"
