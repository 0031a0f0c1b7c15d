"""Every problem: raised by one edit of a valid trial, with its file, line, column and words."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import make_trial
from problem_case import Case, every
from problem_cases import CASES

from silagetrial.data import read_trial
from silagetrial.data.checks import CHECKS


def test_valid_trial_has_no_problems(tmp_path: Path) -> None:
    for design in ("separate", "recored"):
        folder = make_trial(tmp_path / design, design=design, pairs=2, sites=2)
        every("samples", "fresh_kg", "0.6")(folder)
        assert read_trial(folder).problem_list == ()


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{case.check}-{case.found[:25]}")
def test_problem(case: Case, tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    case.edit(folder)
    said = [
        item
        for item in read_trial(folder).problem_list
        if (item.severity, item.file, item.column) == (case.severity, case.file, case.column)
        and case.found in item.found
    ]
    assert said
    problem = said[0]
    assert case.remedy in problem.remedy
    assert problem.expected
    if case.line is not None:
        assert problem.line is not None
        lines = (folder / case.file).read_bytes().splitlines()
        assert case.line in lines[problem.line - 1].decode("latin-1")


def test_every_check_has_a_case() -> None:
    assert {check.__name__ for check in CHECKS} <= {case.check for case in CASES}


def test_checks_have_names_of_their_own() -> None:
    assert len({check.__name__ for check in CHECKS}) == len(CHECKS)


def test_all_problems_are_collected_errors_first(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    cases = [case for case in CASES if case.check in ("parse_cell", "not_negative", "mass_gain")]
    by_cell = {(case.file, case.column): case for case in cases}
    for case in by_cell.values():
        case.edit(folder)
    trial = read_trial(folder)
    places = {(item.file, item.column) for item in trial.problem_list}
    assert by_cell.keys() - {("weighings.csv", "gross")} <= places
    severities = [item.severity for item in trial.problem_list]
    assert severities == sorted(severities)
    assert len(trial.errors) + len(trial.warnings) == len(trial.problem_list)
