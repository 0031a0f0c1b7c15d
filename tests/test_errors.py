"""The kinds of errors: what they say and how they travel."""

from __future__ import annotations

import pickle

import pytest

from silagetrial.errors import (
    DataProblems,
    NoAnswer,
    NotReproduced,
    Problem,
    SilageTrialError,
    UsageError,
)

PROBLEM = Problem("error", "bales.csv", 4, "pair", "'P 1'", "no spaces", "write P-1")


@pytest.mark.parametrize(
    ("kind", "exit_code"),
    [(SilageTrialError, 1), (UsageError, 2), (NoAnswer, 4), (NotReproduced, 5)],
)
def test_message_says_found_expected_remedy(kind: type[SilageTrialError], exit_code: int) -> None:
    error = kind(found="one pair", expected="two pairs", remedy="make another pair")
    assert str(error) == "Found: one pair\nExpected: two pairs\nRemedy: make another pair"
    assert (error.found, error.expected, error.remedy) == (
        "one pair",
        "two pairs",
        "make another pair",
    )
    assert error.exit_code == exit_code
    assert isinstance(error, SilageTrialError)


def test_data_problems_list_every_problem() -> None:
    error = DataProblems([PROBLEM])
    assert error.exit_code == 3
    assert error.problems == (PROBLEM,)
    assert str(error) == (
        "Found: 1 problem in the files of the trial\n"
        "  1. error in bales.csv, line 4, column pair: found 'P 1'; expected no spaces; write P-1\n"
        "Expected: trial files without errors\n"
        "Remedy: correct the lines named above and read the trial again"
    )


def test_a_problem_without_a_line_names_no_lines() -> None:
    folder = Problem("error", "x", None, None, "nothing at x", "a folder", "give its path")
    assert str(DataProblems([folder])).endswith(
        "Remedy: do what is named above and read the trial again"
    )


def test_data_problems_count_beyond_twenty() -> None:
    lines = str(DataProblems([PROBLEM] * 23)).splitlines()
    assert lines[0] == "Found: 23 problems in the files of the trial"
    assert sum("line 4" in line for line in lines) == 20
    assert lines[21] == "  ... and 3 more"


@pytest.mark.parametrize(
    ("line", "column", "place"),
    [
        (4, "pair", "bales.csv, line 4, column pair"),
        (4, None, "bales.csv, line 4"),
        (None, "units.dm", "bales.csv, units.dm"),
        (None, None, "bales.csv"),
    ],
)
def test_place_of_a_problem(line: int | None, column: str | None, place: str) -> None:
    assert Problem("warning", "bales.csv", line, column, "f", "e", "r").place == place


@pytest.mark.parametrize(
    "error",
    [UsageError(found="a", expected="b", remedy="c"), DataProblems([PROBLEM, PROBLEM])],
)
def test_errors_cross_processes(error: SilageTrialError) -> None:
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert back.__dict__ == error.__dict__
