"""From a folder to a Trial: read everything, put it in order, collect every problem."""

from __future__ import annotations

import datetime as dt
import gc
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Final

import pandas as pd

from silagetrial.data.blind import set_aside, unblinded, without_reference
from silagetrial.data.checks import in_order, run_checks
from silagetrial.data.checks_today import none_later
from silagetrial.data.convert import converted, measured
from silagetrial.data.draft import Draft
from silagetrial.data.due import due_table, with_due
from silagetrial.data.files import decode
from silagetrial.data.frames import TypedTable, empty_table
from silagetrial.data.inside import refuse_outside
from silagetrial.data.laboratory.join import with_reports
from silagetrial.data.laboratory.results import LaboratoryResults, read_reports
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.placed import placed
from silagetrial.data.placeholders import without_placeholders
from silagetrial.data.read_settings import SETTINGS_FILE, read_sections, settings_reader
from silagetrial.data.schema import TABLES
from silagetrial.data.settings import Settings
from silagetrial.data.sources import find_sources, refuse_nothing
from silagetrial.data.supersede import without_superseded
from silagetrial.data.trial import Trial
from silagetrial.data.workbook import find_workbook
from silagetrial.errors import DataProblems, Problem

__all__ = ["read_trial"]

KEPT: Final = ("scales", "blind_key")
"""Tables that keep every row: a scale is there before its check, a key before its sample."""


def read_trial(path: str | Path, *, today: dt.date | None = None) -> Trial:
    """Read and check a trial.

    Parameters
    ----------
    path : str or pathlib.Path
        The trial's folder: trial.toml and the tables bales, samples, weighings, and where they are
        kept events, scales and blind_key; each as a CSV file, or as a sheet of one workbook
        (.xlsx, .xls, .ods), or all of them in one flat table that trial.toml describes
        under ``[flat]``.
    today : datetime.date, optional
        Warn of dates that are later than this day. None: no date is compared with a day, so that
        the same files give the same trial on any day.

    Returns
    -------
    Trial
        Also where there are errors: they stand in `Trial.problems`, together, so that all can be
        corrected at once.

    Raises
    ------
    DataProblems
        If there is no folder, no trial.toml or table bales in it, or if trial.toml is no TOML.
    """
    folder = Path(path)
    with _without_collector():
        return _read(folder, today)


@contextmanager
def _without_collector() -> Iterator[None]:
    """Let the garbage collector rest: it would go through all rows again and again, all in use."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


def _read(folder: Path, today: dt.date | None) -> Trial:
    _refuse_no_folder(folder)
    refuse_outside(folder)
    settings, text, found = _settings(folder)
    sources, met = find_sources(folder, settings)
    problems = [*found, *met]
    further = (*settings.analysis.factors, *settings.analysis.blocks)
    tables: dict[str, TypedTable] = {}
    unreadable: set[str] = set()
    for table in TABLES:
        columns = further if table == "bales" else ()
        read, met = sources.table(table, further=columns)
        problems += met
        if read is None:
            unreadable.add(table)
        tables[table] = read or empty_table(table, further=columns)
    draft = Draft.begin(settings, text, tables, unreadable=frozenset(unreadable))
    reports, met = read_reports(folder)
    files = (SETTINGS_FILE, *sources.files, *reports.files)
    trial = _trial(draft, reports, [*problems, *met], folder=folder, files=files, today=today)
    return replace(trial, problem_list=in_order(sources.as_told(trial.problem_list)))


def _settings(folder: Path) -> tuple[Settings, str, tuple[Problem, ...]]:
    """Read trial.toml, its text as it was meant; where it is not there, say what else is not."""
    path = folder / SETTINGS_FILE
    if not path.is_file():
        refuse_nothing(folder, *find_workbook(folder))
    text = decode(path.read_bytes(), file=SETTINGS_FILE)
    if isinstance(text, Problem):
        raise DataProblems([text])
    reader = settings_reader(text)
    settings = read_sections(reader)
    return settings, reader.text, tuple(reader.problems)


def _trial(
    draft: Draft,
    reports: LaboratoryResults,
    problems: Iterable[Problem],
    *,
    folder: Path,
    files: tuple[str, ...],
    today: dt.date | None,
) -> Trial:
    """Put what was read in order, check it, and part it into what is done, due and a control."""
    found = [*problems]
    for step in (without_placeholders, unblinded, measured, converted):
        draft, met = step(draft)
        found += met
    draft, results, met = with_reports(draft, reports)
    found += met
    draft = placed(draft)
    for step in (with_due, without_superseded):
        draft, met = step(draft)
        found += met
    draft, reference = without_reference(draft)
    found += run_checks(draft)
    if today is not None:
        found += none_later(draft, today=today)
    due = due_table(draft)
    tables = {
        table: draft.tables[table] if table in KEPT else draft.done(table) for table in TABLES
    }
    tables["samples"], duplicates = set_aside(tables["samples"])
    return Trial(
        settings=draft.settings,
        **tables,
        problem_list=in_order(found),
        source=folder,
        files=files,
        due=due,
        controls=pd.concat([duplicates, reference]),
        laboratory_results=results,
    )


def _refuse_no_folder(folder: Path) -> None:
    if folder.is_dir():
        return
    what, remedy = "nothing", "give the path of the trial's folder"
    if folder.exists():
        what, remedy = "a file", f"give the folder it lies in: {folder.parent}"
    elif folder.parent.is_dir():
        beside = (item.name for item in folder.parent.iterdir() if item.is_dir())
        remedy = did_you_mean(folder.name, beside, otherwise=remedy)
    found, expected = f"{what} at {folder}", "a folder with trial.toml and bales.csv"
    raise DataProblems([Problem("error", folder.name, None, None, found, expected, remedy)])
