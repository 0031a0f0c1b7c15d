"""Results as JSON: every digit, and null for what is not there."""

from __future__ import annotations

import json
import math
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from silagetrial.display import Table
from silagetrial.report.record import plain, write_json


def test_floats_keep_every_digit_and_the_order_stays(tmp_path: Path) -> None:
    numbers = [0.1 + 0.2, 1 / 3, 5e-324, np.float64(math.pi), -0.0]
    write_json(tmp_path / "r.json", {"z": numbers, "a": np.array([[1.5, 2.5]]), "m": np.int64(3)})
    text = (tmp_path / "r.json").read_text(encoding="utf-8")
    back = json.loads(text)
    assert back["z"] == [float(number) for number in numbers]
    assert back["a"] == [[1.5, 2.5]]
    assert back["m"] == 3
    assert list(back) == ["z", "a", "m"]


def test_what_is_missing_is_null(tmp_path: Path) -> None:
    missing = [math.nan, math.inf, -math.inf, None, pd.NA, pd.NaT, np.float64("nan")]
    write_json(tmp_path / "r.json", {"values": missing})
    assert json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))["values"] == [None] * 7


def test_a_table_becomes_rows_in_its_column_order() -> None:
    frame = pd.DataFrame(
        {"term": ["film / net", "é"], "df": [11.0, math.nan], "below": [True, False]}
    )
    rows = plain(Table(frame))
    assert rows == [
        {"term": "film / net", "df": 11.0, "below": True},
        {"term": "é", "df": None, "below": False},
    ]
    assert isinstance(rows, list)
    assert list(rows[0]) == ["term", "df", "below"]
    assert rows[0]["below"] is True


def test_dates_are_iso_text() -> None:
    assert plain({"on": date(2026, 5, 31), "at": pd.Timestamp("2026-05-31 14:30")}) == {
        "on": "2026-05-31",
        "at": "2026-05-31T14:30:00",
    }


def test_a_value_json_cannot_hold_is_never_written_as_something_else(tmp_path: Path) -> None:
    with pytest.raises(TypeError, match="complex"):
        write_json(tmp_path / "r.json", {"value": 1j})
    assert not (tmp_path / "r.json").exists()
