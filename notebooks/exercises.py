"""Say whether the answer to an exercise is right, and why."""

from __future__ import annotations

from collections.abc import Mapping
from numbers import Real
from types import EllipsisType

__all__ = ["check"]

Answer = float | str | EllipsisType


def check(
    answer: Answer,
    *,
    right: float | str,
    why: str,
    tolerance: float = 0.0,
    hints: Mapping[float | str, str] | None = None,
    otherwise: str = "Read the paragraph above once more.",
) -> None:
    """Print whether an answer is right, and why.

    Parameters
    ----------
    answer : float, str or ...
        What the reader filled in; three dots where nothing is filled in yet.
    right : float or str
        The right answer.
    why : str
        Said beside a right answer.
    tolerance : float
        How far a number may lie from the right one.
    hints : mapping, optional
        Wrong answers that somebody may well give, and what to say to each; a number within
        `tolerance` is taken for the one named.
    otherwise : str
        Said to any other wrong answer.
    """
    if isinstance(answer, EllipsisType):
        print("Not done yet: put your answer in the place of the three dots and run both cells.")
    elif not isinstance(answer, str if isinstance(right, str) else Real):
        kind = "a text in quotation marks" if isinstance(right, str) else "a number"
        print(f"Not yet: {answer!r} was found, {kind} is asked for.")
    elif _same(answer, right, tolerance):
        print(f"Right: {why}")
    else:
        said = (words for wrong, words in (hints or {}).items() if _same(answer, wrong, tolerance))
        print(f"Not yet: {next(said, otherwise)}")


def _same(answer: float | str, other: float | str, tolerance: float) -> bool:
    """Whether two answers are the same text, or numbers as near as is asked for."""
    if isinstance(answer, str) or isinstance(other, str):
        return str(answer).strip().lower() == str(other).lower()
    return abs(answer - other) <= tolerance + 1e-9
