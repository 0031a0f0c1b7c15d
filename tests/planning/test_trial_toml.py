"""trial.toml written from settings is read as the same settings."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data.read_settings import parse_settings
from silagetrial.data.settings import (
    AnalysisPlan,
    DmCorrection,
    MeasurementSd,
    Opening,
    Settings,
)
from silagetrial.planning.trial_toml import settings_text

DEMOS = Path(__file__).parents[2] / "data_demo"
# What TOML can hold: every Unicode character but surrogates (TOML 1.0.0, "Strings").
TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1).filter(str.strip)
NUMBER = st.floats(allow_nan=False, allow_infinity=False) | st.integers(-(10**9), 10**9)
SETTINGS = st.builds(
    Settings,
    title=TEXT,
    question=TEXT,
    invented=st.booleans(),
    compare=st.lists(TEXT, min_size=1, max_size=3).map(tuple),
    reference=TEXT,
    design=st.sampled_from(["separate", "recored"]),
    held_equal=st.dictionaries(TEXT, TEXT | NUMBER | st.booleans(), max_size=3),
    openings=st.lists(
        st.builds(Opening, name=TEXT, days=NUMBER, window=st.tuples(NUMBER, NUMBER)),
        min_size=1,
        max_size=3,
    ).map(lambda found: tuple(sorted(found, key=lambda o: (o.days, o.name)))),
    units=st.fixed_dictionaries({}, optional={"dm": st.just("%"), "wsc": st.just("g/kg DM")}),
    dm_correction=st.builds(DmCorrection, form=st.sampled_from(["none", "full", "short"])),
    measurement_sd=st.builds(MeasurementSd, mass=st.none() | NUMBER, dm=st.none() | NUMBER),
    analysis=st.builds(
        AnalysisPlan,
        opening=st.none() | TEXT,
        contrast=st.lists(TEXT, max_size=2).map(tuple),
        responses=st.just(("pH",)),
        limits=st.dictionaries(st.sampled_from(["butyric_acid", "pH"]), NUMBER),
        curve=st.none() | st.just("spline"),
        knots=st.lists(NUMBER, max_size=2).map(tuple),
        serial=st.booleans(),
        residual_by=st.none() | st.just("binding:opening"),
        families=st.sampled_from(["reference", "all pairs"]),
        alpha=NUMBER,
        seed=st.integers(0, 10**9),
    ),
)


@given(SETTINGS)
def test_what_is_written_is_read_as_it_was(settings: Settings) -> None:
    read, problems = parse_settings(settings_text(settings))
    assert read == settings
    assert problems == ()


@pytest.mark.parametrize("name", ["three_farms", "cored_bales"])
def test_a_written_file_is_written_again_alike(name: str) -> None:
    settings, _ = parse_settings((DEMOS / name / "trial.toml").read_text(encoding="utf-8"))
    text = settings_text(settings)
    assert settings_text(parse_settings(text)[0]) == text


def test_every_key_has_a_line_of_its_own_and_text_is_no_toml() -> None:
    hostile = 'a"\n[bindings]\ninvented = true # \\ \x7f'
    settings = Settings(title=hostile, compare=("net",), reference="net")
    text = settings_text(settings)
    assert tomllib.loads(text)["title"] == hostile
    assert [line for line in text.splitlines() if line.startswith("[bindings")] == ["[bindings]"]
    assert text.startswith("# What the trial asks")
