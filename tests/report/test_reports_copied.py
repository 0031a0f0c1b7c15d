"""A report folder holds the laboratory reports it was made from, byte by byte."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest
from conftest import WITH_REPORTS, Written

from silagetrial.data import read_trial

TRIAL = Path(__file__).parents[2] / "data_demo" / "two_laboratories"


@pytest.mark.slow
def test_laboratory_reports_travel_with_the_report(written: Written) -> None:
    report = written(WITH_REPORTS).path
    manifest = json.loads((report / "manifest.json").read_text(encoding="utf-8"))
    for name in read_trial(TRIAL).files:
        content = (TRIAL / name).read_bytes()
        assert (report / "data" / name).read_bytes() == content
        assert hashlib.sha256(content).hexdigest() in json.dumps(manifest)
    again = read_trial(report / "data")
    assert len(again.laboratory_results) == len(read_trial(TRIAL).laboratory_results) > 0
