"""Conversions of laboratory units."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data.schema import ANALYTES
from silagetrial.data.units import UNITS, dm_to_g_per_kg, inside_unit, to_inside_unit
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
    assert set(UNITS) == {"dm", *ANALYTES}
    assert inside_unit("ammonia_n") == "% of total N"
    assert inside_unit("butyric_acid") == "g/kg DM"


def test_unknown_unit() -> None:
    with pytest.raises(UsageError) as caught:
        to_inside_unit(1.0, column="ash", unit="mg/kg", dm=350.0)
    assert str(caught.value) == (
        "Found: the unit 'mg/kg' for ash\n"
        "Expected: 'g/kg DM' or '% DM' or 'g/kg fresh'\n"
        "Remedy: convert the values first, or correct the unit"
    )


def test_unknown_column() -> None:
    with pytest.raises(UsageError) as caught:
        to_inside_unit(1.0, column="starch", unit="% DM", dm=350.0)
    assert caught.value.found == "no unit is known for the column 'starch'"
    assert caught.value.expected.startswith("one of dm, lactic_acid")
    assert caught.value.remedy == "use the name of a laboratory result of samples.csv"
