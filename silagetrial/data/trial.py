"""One trial, read and checked."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import pandas as pd

from silagetrial.data.groups import group_masses
from silagetrial.data.precision import laboratory_sd, weighing_sd
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
    bales, samples, sample_parts, weighings, events, scales, blind_key, mould, temperatures, \
aerobic : pandas.DataFrame
        The tables of `schema.TABLES` with all their columns, in the order of the name in the first
        column; the index ``line`` is the line of the file. Laboratory results are in g/kg DM
        (ammonia-N in % of total N), dry matter in g/kg fresh. A measured column x has a companion
        ``x_below``: the limit where the laboratory found less, x being missing there. The columns
        of `placed.DERIVED` are added to samples and weighings: days in storage, the opening each
        row belongs to, net mass. Results that another result replaces are not in samples, nor are
        rows in any table that are planned and not done yet.
    problem_list : tuple of Problem
        All problems found, errors first.
    source : pathlib.Path or None
        The folder read.
    files : tuple of str
        Names of the files read, trial.toml first.
    due : Table
        What is planned and not done yet: table, name, bale, what, opening, planned days in storage.
    controls : pandas.DataFrame
        Results of reference samples, and of blind duplicates that do not enter the analysis:
        columns as samples, ``role`` says which. Duplicates stay in samples, to be averaged, where
        every sample of a kind has equally many.
    laboratory_results : pandas.DataFrame
        Every result of every laboratory report, with value, limit, flag and file apart; columns of
        `laboratory.told.RESULT_COLUMNS`. What is in use stands in samples and controls as well.

    Attributes
    ----------
    problems : Table
        The problems as a table.
    errors, warnings : tuple of Problem
        The problems by severity; a trial with errors is not to be analysed.
    summary : Table
        What there is, counted.
    laboratory_sd : Table
        Standard deviation between blind duplicates, reference samples, and repeat analyses.
    group_masses : Table
        Masses of bales weighed together.
    weighing_sd : Table
        Standard deviation between repeat weighings, by scale.
    """

    settings: Settings
    bales: pd.DataFrame
    samples: pd.DataFrame
    sample_parts: pd.DataFrame
    weighings: pd.DataFrame
    events: pd.DataFrame
    scales: pd.DataFrame
    blind_key: pd.DataFrame
    mould: pd.DataFrame
    temperatures: pd.DataFrame
    aerobic: pd.DataFrame
    problem_list: tuple[Problem, ...]
    source: Path | None
    files: tuple[str, ...]
    due: Table
    controls: pd.DataFrame
    laboratory_results: pd.DataFrame

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
            "laboratory reports": self._reports_counted(),
            "weighings": str(len(self.weighings)),
            "not done yet": self._due_counted(),
            "problems": f"{_count(len(self.errors), 'error')}, "
            f"{_count(len(self.warnings), 'warning')}",
        }
        shown = {key: value for key, value in rows.items() if value}
        frame = pd.DataFrame({"what": list(shown), "value": list(shown.values())}, dtype="str")
        return Table(frame, title=settings.title)

    def _reports_counted(self) -> str:
        told = self.laboratory_results
        if not len(told):
            return ""
        laboratories = told["laboratory"].nunique()
        of = "1 laboratory" if laboratories == 1 else f"{laboratories} laboratories"
        return f"{told['report'].nunique()} of {of}, {_count(len(told), 'result')}"

    def _due_counted(self) -> str:
        counts = self.due.frame["table"].value_counts(sort=False)
        return ", ".join(
            f"{count} {table if count != 1 else str(table).removesuffix('s')}"
            for table, count in counts.items()
        )

    @cached_property
    def laboratory_sd(self) -> Table:
        """Standard deviations of results of one material, measured more than once."""
        samples = pd.concat([self.samples, self.controls])
        return laboratory_sd(samples, self.laboratory_results)

    @cached_property
    def group_masses(self) -> Table:
        """What bales weighed together lost: one value of each group, never divided."""
        return group_masses(self.weighings, self.bales)

    @cached_property
    def weighing_sd(self) -> Table:
        """Standard deviation between repeat weighings of one bale, by scale."""
        return weighing_sd(self.weighings)

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
