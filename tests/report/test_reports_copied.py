"""A report folder holds the laboratory reports it was made from, byte by byte."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from pathlib import Path

import pytest

from silagetrial.data import read_trial
from silagetrial.report import write_report

TRIAL = Path(__file__).parents[2] / "data_demo" / "two_laboratories"


@pytest.mark.slow
def test_laboratory_reports_travel_with_the_report(tmp_path: Path) -> None:
    write_report(TRIAL, tmp_path / "report", date=dt.date(2026, 5, 31))
    manifest = json.loads((tmp_path / "report" / "manifest.json").read_text(encoding="utf-8"))
    for name in read_trial(TRIAL).files:
        content = (TRIAL / name).read_bytes()
        assert (tmp_path / "report" / "data" / name).read_bytes() == content
        assert hashlib.sha256(content).hexdigest() in json.dumps(manifest)
    again = read_trial(tmp_path / "report" / "data")
    assert len(again.laboratory_results) == len(read_trial(TRIAL).laboratory_results) > 0
