"""From a folder to a Trial: read everything, put it in order, collect every problem."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from silagetrial.data.checks import in_order, run_checks
from silagetrial.data.draft import Draft
from silagetrial.data.files import decode, read_csv
from silagetrial.data.frames import TypedTable, empty_table, typed_table
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.read_settings import SETTINGS_FILE, parse_settings
from silagetrial.data.schema import OPTIONAL_TABLES, TABLES, file_name
from silagetrial.data.steps import converted, placed, without_superseded
from silagetrial.data.trial import Trial
from silagetrial.errors import DataProblems, Problem

__all__ = ["read_trial"]

_WORKBOOKS = (".xlsx", ".xls", ".ods")


def read_trial(path: str | Path) -> Trial:
    """Read and check a trial.

    Parameters
    ----------
    path : str or pathlib.Path
        The trial's folder: trial.toml, bales.csv, samples.csv, weighings.csv, and where they are
        kept events.csv and scales.csv.

    Returns
    -------
    Trial
        Also where there are errors: they stand in `Trial.problems`, together, so that all can be
        corrected at once.

    Raises
    ------
    DataProblems
        If there is no folder, no trial.toml or bales.csv in it, or if trial.toml is no TOML.
    """
    folder = Path(path)
    _refuse_nothing(folder)
    text = decode((folder / SETTINGS_FILE).read_bytes(), file=SETTINGS_FILE)
    if isinstance(text, Problem):
        raise DataProblems([text])
    settings, found = parse_settings(text)
    problems = [*found, *_stray_files(folder)]
    further = (*settings.analysis.factors, *settings.analysis.blocks)
    tables: dict[str, TypedTable] = {}
    unreadable: set[str] = set()
    for table in TABLES:
        read, met = _table(folder, table, further if table == "bales" else ())
        problems += met
        if read is None:
            unreadable.add(table)
        tables[table] = read or empty_table(table, further=further if table == "bales" else ())
    draft = Draft.begin(settings, text, tables, unreadable=frozenset(unreadable))
    draft, unit_problems = converted(draft)
    draft, replaced = without_superseded(draft)
    draft = placed(draft)
    problems += [*unit_problems, *replaced, *run_checks(draft)]
    return Trial(settings=settings, **draft.tables, problem_list=in_order(problems), source=folder)


def _refuse_nothing(folder: Path) -> None:
    if not folder.is_dir():
        what = "a file" if folder.exists() else "nothing"
        raise DataProblems(
            [
                Problem(
                    "error",
                    folder.name,
                    None,
                    None,
                    f"{what} at {folder}",
                    "a folder with trial.toml and bales.csv",
                    "give the path of the trial's folder",
                )
            ]
        )
    missing = [
        name for name in (SETTINGS_FILE, file_name("bales")) if not (folder / name).is_file()
    ]
    if missing:
        raise DataProblems([_missing_file(folder, name) for name in missing])


def _missing_file(folder: Path, name: str) -> Problem:
    known = {SETTINGS_FILE, *map(file_name, TABLES)}
    there = sorted(
        entry.name for entry in folder.iterdir() if entry.is_file() and entry.name not in known
    )
    return Problem(
        "error",
        name,
        None,
        None,
        "no such file in the trial's folder",
        f"the file {name}",
        did_you_mean(
            name,
            there,
            otherwise="add it; a file with its heading alone says that there are no entries yet",
        ),
    )


def _stray_files(folder: Path) -> Iterator[Problem]:
    known = [file_name(table) for table in TABLES]
    for entry in sorted(folder.iterdir()):
        if entry.name in known or entry.suffix.lower() not in (".csv", *_WORKBOOKS):
            continue
        workbook = entry.suffix.lower() in _WORKBOOKS
        yield Problem(
            "warning",
            entry.name,
            None,
            None,
            "a workbook" if workbook else "a table that is not known",
            f"files among {', '.join(known)}",
            "workbooks are not read yet: save each sheet as CSV"
            if workbook
            else did_you_mean(entry.name, known, otherwise="the file is not read"),
        )


def _table(
    folder: Path, table: str, further: tuple[str, ...]
) -> tuple[TypedTable | None, tuple[Problem, ...]]:
    """Return a table, empty where its file may be missing and is; None where it cannot be read."""
    path = folder / file_name(table)
    if not path.is_file():
        if table in OPTIONAL_TABLES:
            return empty_table(table, further=further), ()
        return None, (_missing_file(folder, path.name),)
    raw, problems = read_csv(path)
    if raw is None:
        return None, problems
    typed, cell_problems = typed_table(table, raw, further=further)
    return typed, (*problems, *cell_problems)
