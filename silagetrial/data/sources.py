"""Where the tables of a trial stand: CSV files, sheets of a workbook, or one flat table."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final, TypeAlias

from silagetrial.data.files import RawTable, read_csv
from silagetrial.data.flat import as_told, parted
from silagetrial.data.frames import TypedTable, empty_table, typed_table
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.open_workbook import DAMAGED, WORKBOOKS, not_readable, sheet_names
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import OPTIONAL_TABLES, TABLES, file_name
from silagetrial.data.settings import Files, Flat, Settings
from silagetrial.data.tricks import without_tricks
from silagetrial.data.which_folder import which_folder
from silagetrial.data.workbook import Workbook, find_workbook, read_sheets
from silagetrial.errors import DataProblems, Problem

__all__ = ["Sources", "find_sources", "refuse_nothing"]

Found: TypeAlias = "tuple[Problem, ...]"

_HOW_TO_ADD: Final = "add it: `silagetrial start NEW` writes one to fill in, into a new folder"
_NOT_READ: Final = (
    "the file is not read; a laboratory's report belongs into the folder laboratory_reports"
)
_OR_A_SHEET: Final = (
    "add it, or a sheet of this name in the workbook; a heading alone says that there are no "
    "entries yet"
)


@dataclass(frozen=True)
class Sources:
    """Where the tables of one trial stand.

    Parameters
    ----------
    folder : pathlib.Path
    workbook : Workbook or None
    flat : mapping of str to RawTable
        What a flat table gives; empty where there is none.
    written : Files
        How CSV files are written.
    settings : Flat or None
        What trial.toml says of the flat table.
    flat_file : str
        The flat table, as problems name it.
    """

    folder: Path
    workbook: Workbook | None
    flat: Mapping[str, RawTable]
    written: Files
    settings: Flat | None = None
    flat_file: str = ""

    @property
    def files(self) -> tuple[str, ...]:
        """Names of the files that hold tables."""
        csv_files = [file_name(table) for table in TABLES]
        there = [name for name in csv_files if (self.folder / name).is_file()]
        books = [] if self.workbook is None else [self.workbook.name]
        flat = [self.settings.file] if self.settings is not None and self.flat else []
        return (*there, *books, *flat)

    def as_told(self, problems: Sequence[Problem]) -> list[Problem]:
        """Return problems in the lines and headings that their owner knows."""
        if self.settings is None:
            return [*problems]
        return as_told(problems, self.flat_file, self.settings)

    def table(self, table: str, *, further: tuple[str, ...]) -> tuple[TypedTable | None, Found]:
        """Return a table, empty where it may be missing and is; None where it cannot be read."""
        raw, problems = self._raw(table)
        if raw is None:
            if problems or table not in OPTIONAL_TABLES:
                return None, problems or (_missing_file(self.folder, file_name(table)),)
            return empty_table(table, further=further), ()
        raw, tricks = without_tricks(table, raw, further=further)
        typed, met = typed_table(table, raw, further=further, decimal=self.written.decimal)
        return typed, (*problems, *tricks, *met)

    def _raw(self, table: str) -> tuple[RawTable | None, Found]:
        path = self.folder / file_name(table)
        places = []
        if table in self.flat:
            places.append(self.flat_file)
        if self.workbook is not None and table in self.workbook.sheets:
            places.append(self.workbook.name)
        twice: Found = ()
        if places and (path.is_file() or len(places) > 1):
            twice = (_twice(path.name if path.is_file() else places[1], places[0], table),)
        if table in self.flat:
            return self.flat[table], twice
        if self.workbook is not None and table in self.workbook.sheets:
            raw = self.workbook.tables.get(table)
            return raw, twice
        if path.is_file():
            return read_csv(path, separator=self.written.separator)
        return None, ()


def find_sources(folder: Path, settings: Settings) -> tuple[Sources, Found]:
    """Return where the tables of a trial stand, and what is wrong with that.

    Parameters
    ----------
    folder : pathlib.Path
    settings : Settings

    Raises
    ------
    DataProblems
        If there is no table of bales in any place.
    """
    flat = settings.flat
    workbook, met = find_workbook(
        folder, besides="" if flat is None else flat.file, decimal=settings.files.decimal
    )
    if flat is None:
        refuse_nothing(folder, workbook, met)
        stray = tuple(_stray_files(folder))
        return Sources(folder, workbook, {}, settings.files), (*met, *stray)
    raw, problems = _flat_table(folder, flat, settings.files)
    if raw is None:
        raise DataProblems([*problems, *met])
    whole, tricks = without_tricks("bales", raw, further=tuple(flat.columns))
    tables, found = parted(whole, settings)
    stray = tuple(item for item in _stray_files(folder) if item.file != flat.file)
    sources = Sources(folder, workbook, tables, settings.files, flat, raw.file)
    return sources, (*problems, *tricks, *found, *met, *stray)


def _flat_table(folder: Path, flat: Flat, written: Files) -> tuple[RawTable | None, Found]:
    """Read the flat table, a file in the folder itself."""
    there = sorted(entry.name for entry in folder.iterdir() if entry.is_file())
    path = folder / flat.file
    # The name is looked for among those that are there, whatever a path it would make.
    if flat.file not in there or path.resolve().parent != folder.resolve():
        return None, (
            Problem(
                "error",
                SETTINGS_FILE,
                None,
                "flat.file",
                f"{flat.file!r}, which is no file in the trial's folder",
                "the name of a file in the folder, without a path",
                did_you_mean(flat.file, there, otherwise="put the file into the folder"),
            ),
        )
    if path.suffix.lower() not in WORKBOOKS:
        return read_csv(path, separator=written.separator)
    sheets = sheet_names(path)
    if isinstance(sheets, Problem):
        return None, (sheets,)
    name = flat.sheet or sheets[0]
    if name not in sheets:
        said = did_you_mean(name, sheets, otherwise="correct sheet under [flat]")
        what = f"no sheet {name!r}"
        expected = f"one of {', '.join(sheets)}"
        return None, (Problem("error", path.name, None, None, what, expected, said),)
    try:
        book, problems = read_sheets(path, [name], decimal=written.decimal)
    except DAMAGED as error:
        return None, (not_readable(path.name, error),)
    return book.tables.get(name), problems


def refuse_nothing(
    folder: Path, workbook: Workbook | None = None, met: Iterable[Problem] = ()
) -> None:
    """Refuse a folder without trial.toml or without bales.

    Raises
    ------
    DataProblems
        With every file that is missing; of a folder of another kind with what it is.
    """
    in_sheet = workbook is not None and "bales" in workbook.sheets
    needed = (SETTINGS_FILE,) if in_sheet else (SETTINGS_FILE, file_name("bales"))
    missing = [name for name in needed if not (folder / name).is_file()]
    other = which_folder(folder) if len(missing) > 1 else None
    if other is not None:
        raise DataProblems([_other_folder(folder, *other)])
    if missing:
        raise DataProblems([*(_missing_file(folder, name) for name in missing), *met])


def _other_folder(folder: Path, what: str, remedy: str) -> Problem:
    found, expected = f"{what} at {folder}", "a folder with trial.toml and bales.csv"
    return Problem("error", folder.name, None, None, found, expected, remedy)


def _missing_file(folder: Path, name: str) -> Problem:
    known = {SETTINGS_FILE, *map(file_name, TABLES)}
    how = _HOW_TO_ADD if name == SETTINGS_FILE else _OR_A_SHEET
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
        did_you_mean(name, there, otherwise=how),
    )


def _stray_files(folder: Path) -> Iterator[Problem]:
    known = [file_name(table) for table in TABLES]
    for entry in sorted(folder.iterdir()):
        if entry.name in known or entry.suffix.lower() != ".csv":
            continue
        yield Problem(
            "warning",
            entry.name,
            None,
            None,
            "a table that is not known",
            f"files among {', '.join(known)}",
            did_you_mean(entry.name, known, otherwise=_NOT_READ),
        )


def _twice(file: str, book: str, table: str) -> Problem:
    return Problem(
        "error",
        file,
        None,
        None,
        f"the table {table} here and as a sheet of {book}",
        "each table in one place",
        f"move rows that stand here alone into the sheet, then move {file} out of the folder; or "
        f"remove the sheet",
    )
