"""Results in the units used inside a trial, each with what its conversion takes of the sample."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias

import numpy as np

from silagetrial.data.laboratory.mapping import target_of
from silagetrial.data.laboratory.results import Result
from silagetrial.data.laboratory.settle import Key
from silagetrial.data.units import (
    NITROGEN_TO_PROTEIN,
    content_per_kg_dm,
    molar_mass,
    needs,
    to_inside_unit,
)
from silagetrial.errors import Problem

__all__ = ["Content", "Known", "contents_of"]

Known: TypeAlias = Callable[[str, str], float]
"""Sample code and column to what samples hold already, in the unit used inside; NaN: nothing."""

_FIRST: Final = ("dm", "total_acids", "total_n", "iso_butyric_acid")
"""What other results are converted with, in this order."""

_WORDS: Final = {"dm": "dry matter", "total_n": "total N", "total_acids": "total acids"}


@dataclass(frozen=True, eq=False)
class Content:
    """A result in the unit used inside.

    Parameters
    ----------
    result : Result
    value, limit : float
        NaN where there is none.
    """

    result: Result
    value: float
    limit: float


def contents_of(
    in_use: Mapping[Key, Sequence[Result]], known: Known
) -> tuple[Mapping[Key, tuple[Content, ...]], tuple[Problem, ...]]:
    """Convert all results in use.

    Parameters
    ----------
    in_use : mapping of Key to sequence of Result
    known : Known
        What the table samples holds of a sample, for what no report gives.

    Returns
    -------
    mapping of Key to tuple of Content, tuple of Problem
        A result that cannot be converted is a problem and left out.
    """
    work = _Conversion(known)
    for key in sorted(in_use, key=lambda key: _FIRST.index(key[1]) if key[1] in _FIRST else 9):
        work.done[key] = tuple(
            content for result in in_use[key] if (content := work.content(result)) is not None
        )
    return work.done, tuple(work.problems)


@dataclass
class _Conversion:
    known: Known
    done: dict[Key, tuple[Content, ...]] = field(default_factory=dict)
    problems: list[Problem] = field(default_factory=list)

    def content(self, result: Result) -> Content | None:
        """Return a result converted; None, with a problem, where that cannot be done."""
        reading, quantity = result.reading, result.quantity
        if reading.flag == "not determined":
            return Content(result, np.nan, np.nan)
        if reading.limit is not None:
            limit = self._inside(result, reading.limit, quantity.limit_unit)
            return None if limit is None else Content(result, np.nan, limit)
        value = self._inside(result, float(reading.value or 0.0), quantity.unit)
        if value is not None and quantity.quantity == "butyric_acids":
            value = self._without_iso(result, value)
        return None if value is None else Content(result, value, np.nan)

    def _inside(self, result: Result, given: float, unit: str) -> float | None:
        name = result.quantity.quantity
        if name == "pH":
            return given
        column = target_of(name)
        of = dict.fromkeys(_WORDS, np.nan) | {
            what: self._of_sample(result, what) for what in needs(column, unit)
        }
        missing = [what for what in needs(column, unit) if not of[what] > 0]
        if missing:
            self._lacks(result, unit, missing[0])
            return None
        if name == "total_acids" or name == "crude_protein":
            content = float(content_per_kg_dm(given, column=column, unit=unit, dm=of["dm"]))
            return content / NITROGEN_TO_PROTEIN if name == "crude_protein" else content
        if name == "ammonia":
            # As nitrogen in the same unit; an amount of substance is the same for both.
            moles = unit.startswith("mmol")
            given *= 1.0 if moles else molar_mass("ammonia_n") / molar_mass("ammonia")
        inside = float(to_inside_unit(given, column=column, unit=unit, **of))
        if not np.isfinite(inside):
            self.problems.append(
                result.problem(
                    found=f"sample {result.sample}: {result.text!r}, which has no logarithm",
                    expected="a count above 0, or a mark that says what it means",
                    remedy='write under [laboratory.marks] what a count of "0" stands for',
                )
            )
            return None
        return inside

    def _of_sample(self, result: Result, what: str) -> float:
        """Return another result of the sample: of the same analysis before any other."""
        there = self.done.get((result.sample, what), ())
        same = [item for item in there if item.result.report is result.report]
        alike = [item for item in same if item.result.nth == result.nth]
        for item in (*alike, *same, *there):
            if np.isfinite(item.value):
                return item.value
        return self.known(result.sample, what)

    def _without_iso(self, result: Result, value: float) -> float | None:
        """Take iso-butyric acid, where it was measured, from the sum with n-butyric acid."""
        there = self.done.get((result.sample, "iso_butyric_acid"), ())
        iso = [
            item.value
            for item in there
            if item.result.report is result.report
            and item.result.nth == result.nth
            and np.isfinite(item.value)
        ]
        if iso and iso[0] > value:
            self.problems.append(
                result.problem(
                    found=f"sample {result.sample}: {value:g} g/kg DM of n- and iso-butyric acid "
                    f"together, {iso[0]:g} of iso-butyric acid alone",
                    expected="a sum not below one of its parts",
                    remedy="see the report; if the heading holds n-butyric acid alone, it is "
                    "butyric_acid",
                )
            )
            return None
        return value - iso[0] if iso else value

    def _lacks(self, result: Result, unit: str, what: str) -> None:
        self.problems.append(
            result.problem(
                found=f"sample {result.sample}: a result in {unit} without the {_WORDS[what]} of "
                "the sample",
                expected=f"the {_WORDS[what]} in a report, or in samples",
                remedy="add it; the result cannot be converted without it",
            )
        )
