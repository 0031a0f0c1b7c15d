"""The demonstration trials and variants of them, read and analysed once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest
from hostile_results import AWKWARD
from report_variants import (
    all_below,
    batches_within_openings,
    copy_demo,
    four_pairs,
    hostile,
    no_acids,
    no_common_opening,
    no_day0,
    no_samples,
    no_weighings,
    none_named,
    one_opening,
    one_pair,
    three_bindings,
)

from silagetrial.analysis import Analysis, analyse
from silagetrial.data import read_trial
from silagetrial.report import Report, write_report

MAKERS: dict[str, Callable[[Path], Path]] = {
    "separate": lambda folder: copy_demo("three_farms", folder),
    "recored": lambda folder: copy_demo("cored_bales", folder),
    "three bindings": three_bindings,
    "one pair": one_pair,
    "one opening": one_opening,
    "all below": all_below,
    "hostile": hostile,
    "no day-0": no_day0,
    "no weighings": no_weighings,
    "no samples": no_samples,
    "no acids": no_acids,
    "no common opening": no_common_opening,
    "batches within openings": batches_within_openings,
    "four pairs": four_pairs,
    "none named": none_named,
}

WITH_REPORTS = "two laboratories"
"""A demonstration trial whose samples come out of laboratory reports."""

Analysed = Callable[[str], Analysis]
Written = Callable[[str], Report]


@pytest.fixture(scope="session")
def folder_of(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Trial folder of a variant, made once; not to be written to."""
    made: dict[str, Path] = {}

    def folder(name: str) -> Path:
        if name not in made:
            place = tmp_path_factory.mktemp("trial")
            others = name == WITH_REPORTS
            made[name] = (
                copy_demo("two_laboratories", place)
                if others
                else {**MAKERS, **AWKWARD}[name](place)
            )
        return made[name]

    return folder


@pytest.fixture(scope="session")
def analysed(folder_of: Callable[[str], Path]) -> Analysed:
    """Analysis of a variant, made once."""
    done: dict[str, Analysis] = {}

    def analysis(name: str) -> Analysis:
        if name not in done:
            done[name] = analyse(read_trial(folder_of(name)))
        return done[name]

    return analysis


@pytest.fixture(scope="session")
def written(folder_of: Callable[[str], Path], tmp_path_factory: pytest.TempPathFactory) -> Written:
    """Report of a variant, written once; not to be written to."""
    done: dict[str, Report] = {}

    def report(name: str) -> Report:
        if name not in done:
            out = tmp_path_factory.mktemp("out") / "report"
            done[name] = write_report(folder_of(name), out, date=dt.date(2026, 5, 31))
        return done[name]

    return report
