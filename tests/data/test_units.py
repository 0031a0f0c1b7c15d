"""Conversions of laboratory units."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import constants

from silagetrial.data.schema import ANALYTES, COUNTS
from silagetrial.data.units import (
    MEASURES,
    UNITS,
    dm_to_g_per_kg,
    inside_unit,
    measured_in,
    molar_mass,
    needs,
    to_inside_unit,
)
from silagetrial.errors import UsageError


def test_one_content_in_three_units() -> None:
    # 0.84 % DM = 8.4 g/kg DM = 2.94 g/kg fresh at 350 g DM/kg (arithmetic).
    given_as = {"% DM": 0.84, "g/kg DM": 8.4, "g/kg fresh": 2.94}
    for unit, value in given_as.items():
        inside = to_inside_unit(value, column="butyric_acid", unit=unit, dm=350.0)
        assert inside == pytest.approx(8.4, rel=1e-14)


def test_moisture_free_share_of_dry_matter() -> None:
    assert dm_to_g_per_kg([35.0, np.nan], unit="%") == pytest.approx([350.0, np.nan], nan_ok=True)
    assert to_inside_unit(35.0, column="dm", unit="%", dm=np.nan) == 350.0


@given(st.floats(0, 500), st.floats(51, 949))
def test_fresh_basis_is_undone_by_its_dry_matter(content: float, dm: float) -> None:
    inside = to_inside_unit(content, column="ash", unit="g/kg fresh", dm=dm)
    assert inside * dm / 1000 == pytest.approx(content)


def test_fresh_basis_without_dry_matter_is_missing() -> None:
    values = to_inside_unit([1.0, 1.0], column="ash", unit="g/kg fresh", dm=[np.nan, 0.0])
    assert np.isnan(values).all()


def test_every_analyte_has_units() -> None:
    assert set(UNITS) == {"dm", *ANALYTES, *COUNTS}
    assert inside_unit("ammonia_n") == "% of total N"
    assert inside_unit("butyric_acid") == "g/kg DM"


def test_unknown_unit() -> None:
    with pytest.raises(UsageError) as caught:
        to_inside_unit(1.0, column="ash", unit="mg/kg", dm=350.0)
    assert str(caught.value) == (
        "Found: the unit 'mg/kg' for ash\n"
        "Expected: 'g/kg DM' or '% DM' or 'mg/kg DM' or 'g/kg fresh' or '% fresh' or "
        "'mg/kg fresh'\n"
        "Remedy: convert the values first, or correct the unit"
    )


def test_unknown_column() -> None:
    with pytest.raises(UsageError) as caught:
        to_inside_unit(1.0, column="starch", unit="% DM", dm=350.0)
    assert caught.value.found == "no unit is known for the column 'starch'"
    assert caught.value.expected.startswith("one of dm, lactic_acid")
    assert caught.value.remedy == "use the name of a laboratory result of samples.csv"


# NIST Chemistry WebBook, SRD 69, molecular weight (butanoic acid read again, the others from
# memory); nitrogen is half of N2, 28.0134.
WEBBOOK = {
    "lactic_acid": 90.0779,
    "acetic_acid": 60.0520,
    "propionic_acid": 74.0785,
    "butyric_acid": 88.1051,
    "iso_butyric_acid": 88.1051,
    "valeric_acid": 102.1317,
    "caproic_acid": 116.1583,
    "ethanol": 46.0684,
    "propanediol": 76.0944,
    "ammonia": 17.0305,
    "ammonia_n": 28.0134 / 2,
    "total_n": 28.0134 / 2,
}


@pytest.mark.parametrize(("name", "mass"), WEBBOOK.items())
def test_molar_masses(name: str, mass: float) -> None:
    # Abridged atomic weights have five figures.
    assert molar_mass(name) == pytest.approx(mass, rel=5e-5)


def test_amounts_of_substance() -> None:
    # 100 mmol of n-butyric acid are 8.81 g (88.1051 g/mol, NIST Chemistry WebBook).
    per_dm = to_inside_unit(100.0, column="butyric_acid", unit="mmol/kg DM", dm=np.nan)
    assert per_dm == pytest.approx(8.81051, rel=2e-5)
    fresh = to_inside_unit(35.0, column="butyric_acid", unit="mmol/kg fresh", dm=350.0)
    assert fresh == pytest.approx(8.81051, rel=2e-5)


@given(st.floats(0.1, 500), st.floats(51, 949), st.sampled_from(sorted(ANALYTES)))
def test_units_agree_with_each_other(content: float, dm: float, name: str) -> None:
    if name == "ammonia_n":
        return
    fresh = content * dm / 1000
    one = {
        "g/kg DM": content, "% DM": content / 10, "mg/kg DM": content * 1000,
        "g/kg fresh": fresh, "% fresh": fresh / 10, "mg/kg fresh": fresh * 1000,
    }  # fmt: skip
    for unit, value in one.items():
        assert to_inside_unit(value, column=name, unit=unit, dm=dm) == pytest.approx(content)


def test_ammonia_in_all_its_ways() -> None:
    # 25 g N/kg DM, of which 10 % is ammonia-N: 2.5 g N/kg DM = 0.25 % DM, as protein (N x 6.25)
    # 1.5625 % DM beside 15.625 % DM of crude protein, of which it is again 10 % (arithmetic).
    given_as = {
        "% of total N": 10.0, "% of CP": 10.0, "% DM as CP equivalent": 1.5625, "% DM": 0.25,
        "g/kg DM": 2.5, "g/kg fresh": 0.875, "mmol/kg DM": 2500 / 14.007,
    }  # fmt: skip
    for unit, value in given_as.items():
        inside = to_inside_unit(value, column="ammonia_n", unit=unit, dm=350.0, total_n=25.0)
        assert inside == pytest.approx(10.0), unit
    assert needs("ammonia_n", "g/kg fresh") == ("dm", "total_n")
    assert needs("ammonia_n", "% of CP") == ()
    assert np.isnan(to_inside_unit(2.5, column="ammonia_n", unit="g/kg DM", dm=350.0))


def test_share_of_total_acids() -> None:
    inside = to_inside_unit(
        12.0, column="butyric_acid", unit="% of total acids", dm=np.nan, total_acids=70.0
    )
    assert inside == pytest.approx(8.4)


def test_moisture_is_what_is_not_dry_matter() -> None:
    assert dm_to_g_per_kg([65.0, 100.0], unit="% moisture") == pytest.approx([350.0, 0.0])


def test_counts_are_logarithms() -> None:
    inside = to_inside_unit([1e5, 0.0], column="yeasts", unit="cfu/g fresh", dm=np.nan)
    assert inside == pytest.approx([5.0, np.nan], nan_ok=True)
    assert to_inside_unit(5.0, column="yeasts", unit="log10 cfu/g fresh", dm=np.nan) == 5.0


def test_farm_measures_against_scipy() -> None:
    # scipy.constants: exact international pound, inch and foot, mil, short ton of 2000 lb.
    assert MEASURES["mass"]["lb"] == pytest.approx(constants.lb, rel=1e-15)
    assert MEASURES["mass"]["short ton"] == pytest.approx(constants.short_ton, rel=1e-15)
    assert MEASURES["size"]["in"] == constants.inch
    assert MEASURES["size"]["ft"] == pytest.approx(constants.foot, rel=1e-15)
    assert MEASURES["depth"]["in"] == pytest.approx(100 * constants.inch, rel=1e-15)
    assert MEASURES["thickness"]["mil"] == pytest.approx(1e6 * constants.mil, rel=1e-15)
    fahrenheit = [-40.0, 32.0, 68.0, 212.0]
    expected = constants.convert_temperature(fahrenheit, "Fahrenheit", "Celsius")
    celsius = measured_in(fahrenheit, measure="temperature", unit="°F")
    assert celsius == pytest.approx(expected, rel=1e-15, abs=1e-13)
    assert measured_in([1000.0], measure="mass", unit="lb") == pytest.approx([453.59237])
