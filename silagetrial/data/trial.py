"""One trial, read and checked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from silagetrial.data.settings import Settings
from silagetrial.display.table import Table
from silagetrial.errors import Problem

__all__ = ["Trial"]


@dataclass(frozen=True, eq=False, repr=False)
class Trial:
    """One trial: what was asked, what was made, what was measured, and what is wrong with it.

    Parameters
    ----------
    settings : Settings
        trial.toml; `settings.units` keeps the units of the files.
    bales, samples, weighings, events, scales : pandas.DataFrame
        The tables of `schema.TABLES` with all their columns, in the order of the name in the first
        column; the index ``line`` is the line of the file. Laboratory results are in g/kg DM
        (ammonia-N in % of total N), dry matter in g/kg fresh. A measured column x has a companion
        ``x_below``: the limit where the laboratory found less, x being missing there. The columns
        of `steps.DERIVED` are added to samples and weighings: days in storage, the opening each
        row belongs to, net mass. Results that another result replaces are not in samples.
    problem_list : tuple of Problem
        All problems found, errors first.
    source : pathlib.Path or None
        The folder read.

    Attributes
    ----------
    problems : Table
        The problems as a table.
    errors, warnings : tuple of Problem
        The problems by severity; a trial with errors is not to be analysed.
    summary : Table
        What there is, counted.
    """

    settings: Settings
    bales: pd.DataFrame
    samples: pd.DataFrame
    weighings: pd.DataFrame
    events: pd.DataFrame
    scales: pd.DataFrame
    problem_list: tuple[Problem, ...]
    source: Path | None

    @property
    def errors(self) -> tuple[Problem, ...]:
        """Problems that stop an analysis."""
        return tuple(item for item in self.problem_list if item.severity == "error")

    @property
    def warnings(self) -> tuple[Problem, ...]:
        """Problems that an analysis carries into its report."""
        return tuple(item for item in self.problem_list if item.severity == "warning")

    @property
    def problems(self) -> Table:
        """All problems, one a row: severity, file, line, column, found, expected, remedy."""
        names = ("severity", "file", "line", "column", "found", "expected", "remedy")
        columns = {
            name: pd.Series([getattr(item, name) for item in self.problem_list], dtype="object")
            for name in names
        }
        frame = pd.DataFrame(columns)
        frame["line"] = frame["line"].astype("Int64")
        errors, warnings = len(self.errors), len(self.warnings)
        return Table(
            frame, title=f"Problems: {_count(errors, 'error')}, {_count(warnings, 'warning')}"
        )

    @cached_property
    def summary(self) -> Table:
        """What the trial holds, one line each."""
        settings, bales = self.settings, self.bales
        by_binding = bales["binding"].value_counts()
        lost = self.events.loc[self.events["what"] == "lost", "bale"].nunique()
        kinds = self.samples["kind"].value_counts()
        design = "each bale opened once"
        if settings.design == "recored":
            design = "the same bales cored at each opening"
        rows = {
            "question": settings.question,
            "numbers": "invented" if settings.invented else "as measured",
            "bindings": ", ".join(
                f"{name} ({by_binding.get(name, 0)} bales)" for name in settings.compare
            ),
            "design": design,
            "openings": ", ".join(
                opening.name
                if opening.name == f"{opening.days:g} days"
                else f"{opening.name} ({opening.days:g} days)"
                for opening in settings.openings
            ),
            "bales": f"{len(bales)} in {bales['pair'].nunique()} pairs on "
            f"{_count(bales['site'].nunique(), 'site')}, {lost} lost",
            "samples": ", ".join(
                f"{kinds.get(kind, 0)} {words}"
                for kind, words in (
                    ("day0", "at baling"),
                    ("core", "cores"),
                    ("opening", "at opening"),
                )
            ),
            "weighings": str(len(self.weighings)),
            "problems": f"{_count(len(self.errors), 'error')}, "
            f"{_count(len(self.warnings), 'warning')}",
        }
        shown = {key: value for key, value in rows.items() if value}
        frame = pd.DataFrame({"what": list(shown), "value": list(shown.values())}, dtype="str")
        return Table(frame, title=settings.title)

    def __str__(self) -> str:
        """Return the summary as plain text."""
        return str(self.summary)

    def __repr__(self) -> str:
        """Return the summary as plain text, for the terminal."""
        return str(self)

    def _repr_html_(self) -> str:
        return self.summary.to_html()


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
