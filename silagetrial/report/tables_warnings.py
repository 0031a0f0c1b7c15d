"""What the check of the files warned of, one line for each thing that happened."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import pandas as pd

from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.errors import Problem

__all__ = ["warnings"]

_DAYS: Final = re.compile(r"\b(\d+) days in storage")
"""The bales of a pair are sampled and weighed on days that may differ by one or two."""


@dataclass(frozen=True)
class _Told:
    """A warning taken apart: the bale it names, the rest of it, and the days in it."""

    bale: str
    rest: str
    days: tuple[int, ...]
    problem: Problem


def warnings(trial: Trial) -> Table | Prose:
    """Show what the check of the files warned of; a pair at one opening is one line."""
    pair_of = dict(zip(trial.bales["bale"], trial.bales["pair"].astype(object), strict=True))
    groups: dict[tuple[object, ...], list[_Told]] = {}
    for problem in trial.warnings:
        told = _told(problem, pair_of)
        pair = pair_of.get(told.bale)
        block = pair if isinstance(pair, str) else told.bale
        groups.setdefault((block, told.rest, problem.remedy), []).append(told)
    if not groups:
        return Prose((say("table.warnings_nothing"),))
    frame = pd.DataFrame(
        [(_places(same), _found(same), same[0].problem.remedy) for same in groups.values()],
        columns=["place", "found", "remedy"],
    )
    return Table(frame, title=say("table.warnings"), name="warnings")


def _told(problem: Problem, bales: Mapping[str, object]) -> _Told:
    text = problem.found
    named = [name for name in bales if re.match(rf"bale {re.escape(name)}(?![\w-])", text)]
    bale = max(named, key=len, default="")
    rest = text.removeprefix(f"bale {bale}") if bale else text
    days = tuple(int(number) for number in _DAYS.findall(rest))
    return _Told(bale, _DAYS.sub("{} days in storage", rest), days, problem)


def _found(same: Sequence[_Told]) -> str:
    """What was found, of all bales it was found of."""
    first = same[0]
    if not first.bale:
        return first.problem.found
    bales = list(dict.fromkeys(told.bale for told in same))
    rest = first.rest
    for numbers in zip(*(told.days for told in same), strict=True):
        low, high = min(numbers), max(numbers)
        text = str(low) if low == high else f"{low} to {high}"
        rest = rest.replace("{} days in storage", f"{text} days in storage", 1)
    return f"bale{'s' if len(bales) > 1 else ''} {joined(bales)}{rest}"


def _places(same: Iterable[_Told]) -> str:
    """Files, lines and columns, the lines of one column together."""
    lines: dict[tuple[str, str | None], list[int]] = {}
    for told in same:
        at = lines.setdefault((told.problem.file, told.problem.column), [])
        if told.problem.line is not None:
            at.append(told.problem.line)
    return "; ".join(
        ", ".join(part for part in (file, _line_words(at), _column_words(column, at)) if part)
        for (file, column), at in lines.items()
    )


def _line_words(lines: Sequence[int]) -> str:
    if not lines:
        return ""
    return f"line{'s' if len(lines) > 1 else ''} {joined([str(line) for line in lines])}"


def _column_words(column: str | None, lines: Sequence[int]) -> str:
    if column is None:
        return ""
    return f"column {column}" if lines else column
