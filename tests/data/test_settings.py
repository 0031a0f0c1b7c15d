"""trial.toml: every key read, defaults where a key is left out."""

from __future__ import annotations

import pytest

from silagetrial.data import AnalysisPlan, DmCorrection, MeasurementSd, Opening
from silagetrial.data.read_settings import parse_settings
from silagetrial.data.toml_text import line_of

FULL = """\
title = "Spring grass"
question = "Film or net?"
invented = true

[bindings]
compare = ["net", "film"]
reference = "net"

[design]
bales = "recored"

[held_equal]
film_layers = 6
note = "same total plastic"

[[openings]]
name = "8 months"
days = 240
window = [220, 270]

[[openings]]
name = "2 months"
days = 60
window = [50, 75.5]

[units]
dm = "%"
butyric_acid = "g/kg fresh"
ammonia_n = "% of total N"

[dm_correction]
form = "short"
crop = "grass"

[measurement_sd]
mass = 1
dm = 5.0

[analysis]
primary = "dm_loss"
opening = "8 months"
contrast = ["film", "net"]
factors = ["additive"]
blocks = ["field"]
covariates = ["day0_dm"]
responses = ["pH"]
limits = {butyric_acid = 5}
curve = "spline"
knots = [100, 150.5]
slopes = ["bale"]
important = {butyric_acid = 1.5, dm_loss = 1}
families = "all pairs"
alpha = 0.1
seed = 7
"""


def test_every_key_is_read() -> None:
    settings, problems = parse_settings(FULL)
    assert problems == ()
    assert (settings.title, settings.question, settings.invented) == (
        "Spring grass",
        "Film or net?",
        True,
    )
    assert (settings.compare, settings.reference) == (("net", "film"), "net")
    assert settings.design == "recored"
    assert settings.held_equal == {"film_layers": 6, "note": "same total plastic"}
    assert settings.openings == (
        Opening("2 months", 60.0, (50.0, 75.5)),
        Opening("8 months", 240.0, (220.0, 270.0)),
    )
    assert settings.units == {
        "dm": "%",
        "butyric_acid": "g/kg fresh",
        "ammonia_n": "% of total N",
    }
    assert settings.dm_correction == DmCorrection("short", "grass")
    assert settings.measurement_sd == MeasurementSd(mass=1, dm=5.0)
    assert settings.analysis == AnalysisPlan(
        primary="dm_loss",
        opening="8 months",
        contrast=("film", "net"),
        factors=("additive",),
        blocks=("field",),
        covariates=("day0_dm",),
        responses=("pH",),
        limits={"butyric_acid": 5},
        curve="spline",
        knots=(100, 150.5),
        slopes=("bale",),
        important={"butyric_acid": 1.5, "dm_loss": 1},
        families="all pairs",
        alpha=0.1,
        seed=7,
    )


def test_optional_sections_may_be_left_out() -> None:
    text = FULL.split("[units]")[0]
    settings, problems = parse_settings(text)
    assert problems == ()
    assert settings.units == {}
    assert settings.dm_correction == DmCorrection("none", "grass")
    assert settings.measurement_sd == MeasurementSd(None, None)
    assert settings.analysis == AnalysisPlan()


def test_an_empty_file_names_all_that_is_needed() -> None:
    settings, problems = parse_settings("")
    assert settings.compare == ()
    assert [problem.column for problem in problems] == [
        "title",
        "bindings.compare",
        "bindings.reference",
        "design.bales",
        "openings",
    ]


def test_opening_by_name_and_its_window() -> None:
    settings, _ = parse_settings(FULL)
    opening = settings.opening("2 months")
    assert opening is not None
    assert [opening.covers(days) for days in (49.9, 50, 75.5, 75.6)] == [False, True, True, False]
    assert settings.opening("3 months") is None


@pytest.mark.parametrize(
    ("section", "key", "number", "line"),
    [
        ("", "title", 0, 1),
        ("bindings", None, 0, 5),
        ("bindings", "reference", 0, 7),
        ("openings", "days", 0, 18),
        ("openings", "days", 1, 23),
        ("openings", None, 1, 21),
        ("units", "dm", 0, 27),
        ("measurement_sd", "dm", 0, 37),
        ("units", "ash", 0, None),
        ("prices", None, 0, None),
        ("openings", "days", 2, None),
    ],
)
def test_line_of_a_key(section: str, key: str | None, number: int, line: int | None) -> None:
    assert line_of(FULL, section, key, number=number) == line
