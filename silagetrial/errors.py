"""Everything that can go wrong, said in one way: what was found, what was expected, what to do.

The kinds are few because a user can do only a few different things about an error: correct the
call, correct the data, or accept that the design gives no answer. Each kind carries the exit code
of the command line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar, Literal

__all__ = [
    "DataProblems",
    "NoAnswer",
    "NotReproduced",
    "Problem",
    "Severity",
    "SilageTrialError",
    "UsageError",
]

Severity = Literal["error", "warning"]

LISTED_PROBLEMS = 20
"""How many problems the message of `DataProblems` lists before it only counts."""


class SilageTrialError(Exception):
    """Base of all errors raised on purpose by this package.

    Parameters
    ----------
    found : str
        What was found.
    expected : str
        What was expected in its place.
    remedy : str
        What the user can do about it.
    """

    exit_code: ClassVar[int] = 1

    def __init__(self, *, found: str, expected: str, remedy: str) -> None:
        self.found = found
        self.expected = expected
        self.remedy = remedy
        super().__init__(f"Found: {found}\nExpected: {expected}\nRemedy: {remedy}")

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by the keyword arguments, so that errors cross from worker processes."""
        return _rebuild, (type(self), self.found, self.expected, self.remedy)


def _rebuild(
    kind: type[SilageTrialError], found: str, expected: str, remedy: str
) -> SilageTrialError:
    return kind(found=found, expected=expected, remedy=remedy)


class UsageError(SilageTrialError):
    """A wrong argument, formula or option in a call."""

    exit_code: ClassVar[int] = 2


class NoAnswer(SilageTrialError):  # noqa: N818 - a result with a reason, not a fault
    """The design supports no answer to this question; `found` says what is missing."""

    exit_code: ClassVar[int] = 4


class NotReproduced(SilageTrialError):  # noqa: N818 - a result with a reason, not a fault
    """A report, run again, is not what its folder holds; `found` says what differs."""

    exit_code: ClassVar[int] = 5


@dataclass(frozen=True)
class Problem:
    """One thing wrong, or worth knowing, in the files of a trial.

    Parameters
    ----------
    severity : {"error", "warning"}
        An error stops the analysis; a warning is carried into the report.
    file : str
        Name of the file inside the trial folder.
    line : int or None
        Line of the file, counted from 1 with the heading as line 1, as an editor or spreadsheet
        counts; None when the whole file is meant.
    column : str or None
        Name of the column or setting; None when the whole line is meant.
    found, expected, remedy : str
        As in every error of the package.
    """

    severity: Severity
    file: str
    line: int | None
    column: str | None
    found: str
    expected: str
    remedy: str

    @property
    def place(self) -> str:
        """File, line and column or key in words: ``samples.csv, line 4, column dm``."""
        parts = [self.file]
        if self.line is not None:
            parts.append(f"line {self.line}")
        if self.column is not None:
            parts.append(f"{self.of_what} {self.column}" if self.line is not None else self.column)
        return ", ".join(parts)

    @property
    def of_what(self) -> str:
        """What `column` names: a ``column`` of a table, or a ``key`` of a TOML file."""
        return "key" if self.file.endswith(".toml") else "column"

    def __str__(self) -> str:
        """One line: the place, then found, expected and remedy."""
        return (
            f"{self.severity} in {self.place}: found {self.found}; "
            f"expected {self.expected}; {self.remedy}"
        )


class DataProblems(SilageTrialError):  # noqa: N818 - named for what it carries
    """The files of a trial cannot be used as they are.

    Parameters
    ----------
    problems : sequence of Problem
        All problems found, at least one; the message lists the first twenty and counts the rest.
    """

    exit_code: ClassVar[int] = 3

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        count = len(self.problems)
        lines = [f"  {number}. {item}" for number, item in enumerate(self.problems, start=1)]
        if count > LISTED_PROBLEMS:
            lines = [*lines[:LISTED_PROBLEMS], f"  ... and {count - LISTED_PROBLEMS} more"]
        noun = "problem" if count == 1 else "problems"
        # Of a folder that is none of a trial no line can be corrected: its problem says what to do.
        lined = any(item.line is not None for item in self.problems)
        super().__init__(
            found="\n".join([f"{count} {noun} in the files of the trial", *lines]),
            expected="trial files without errors",
            remedy=f"{'correct the lines' if lined else 'do what is'} named above and read the "
            "trial again",
        )

    def __reduce__(self) -> tuple[object, ...]:
        """Pickle by the problems."""
        return type(self), (self.problems,)
