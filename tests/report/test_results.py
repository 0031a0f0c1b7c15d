"""results.json: every estimate, and variances with their covariance."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from conftest import MAKERS, Analysed

from silagetrial.report.results import write

VOCABULARY = [
    "term",
    "estimate",
    "std_error",
    "df",
    "statistic",
    "p_value",
    "conf_low",
    "conf_high",
    "unit",
    "scale",
]

UNTESTED = {"statistic", "p_value"}


def results(analysed: Analysed, name: str, folder: Path) -> dict[str, Any]:
    write(analysed(name), folder / "results.json")
    content = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    assert isinstance(content, dict)
    return content


def test_every_estimate_is_there_in_the_one_vocabulary(analysed: Analysed, tmp_path: Path) -> None:
    content = results(analysed, "separate", tmp_path)
    for name, response in content["responses"].items():
        result = analysed("separate")[name]
        for part in ("means", "differences", "average", "growth"):
            rows = response[part]
            frame = getattr(result, part).frame
            assert len(rows) == len(frame) > 0
            # A mean is tested against nothing: it has no statistic and no p.
            expected_columns = set(VOCABULARY) - (UNTESTED if part == "means" else set())
            assert expected_columns <= set(rows[0])
            for row, (_, expected) in zip(rows, frame.iterrows(), strict=True):
                assert row["estimate"] == expected["estimate"]
                assert row["std_error"] == expected["std_error"]
    assert content["answered"] is True
    assert len(content["summary"]) == 4


def test_variances_come_with_their_covariance(analysed: Analysed, tmp_path: Path) -> None:
    content = results(analysed, "recored", tmp_path)
    for name, response in content["responses"].items():
        fit = analysed("recored")[name].fit
        assert fit is not None
        variances = response["variances"]
        assert variances["terms"] == ["pair", "bale", "residual"]
        covariance = np.array(variances["covariance"])
        np.testing.assert_array_equal(covariance, fit.theta_covariance)
        errors = [row["std_error"] for row in variances["estimates"]]
        np.testing.assert_allclose(np.sqrt(np.diag(covariance)), errors)


@pytest.mark.slow
@pytest.mark.parametrize("name", list(MAKERS))
def test_any_analysis_can_be_written_twice_the_same(
    analysed: Analysed, tmp_path: Path, name: str
) -> None:
    first = results(analysed, name, tmp_path)
    text = (tmp_path / "results.json").read_bytes()
    assert results(analysed, name, tmp_path) == first
    assert (tmp_path / "results.json").read_bytes() == text
    assert b"NaN" not in text
    assert b"Infinity" not in text


def test_a_refusal_is_data_too(analysed: Analysed, tmp_path: Path) -> None:
    content = results(analysed, "one pair", tmp_path)
    assert content["answered"] is False
    refusal = content["responses"]["butyric_acid"]["refusal"]
    assert set(refusal) == {"found", "expected", "remedy"}
    assert content["responses"]["butyric_acid"]["differences"] == []
    assert content["responses"]["butyric_acid"]["variances"] is None
    assert content["responses"]["butyric_acid"]["found"]


def test_dm_loss_by_the_other_corrections_is_there(analysed: Analysed, tmp_path: Path) -> None:
    content = results(analysed, "separate", tmp_path)["responses"]
    assert content["butyric_acid"]["other_forms"] == {}
    others = content["dm_loss"]["other_forms"]
    assert set(others) == {"none", "short"}
    for form, other in others.items():
        expected = analysed("separate")["dm_loss"].other_forms[form]
        assert other["refusal"] is None
        found = [row["estimate"] for row in other["differences"]]
        assert found == list(expected.differences.frame["estimate"])
        assert len(other["means"]) == 8
