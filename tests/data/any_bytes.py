"""A trial with any bytes in the place of one of its files, read: only our own errors may come.

Shared by the tests that draw such bytes and by `fuzz_readers`, which looks for them by coverage.
"""

from __future__ import annotations

import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from builders import make_trial
from report_files import SAMPLE, Heading, laboratory, put, report
from workbooks import as_ods, to_workbook

from silagetrial.data import Trial, read_trial
from silagetrial.errors import DataProblems

__all__ = ["HostileTrial", "read_in_words"]

_TABLES = ("bales.csv", "samples.csv", "weighings.csv", "events.csv", "blind_key.csv")
_REPORT = "laboratory_reports/r.csv"
_PACKED: Mapping[str, tuple[str, ...]] = {
    "field.xlsx": (
        "xl/worksheets/sheet2.xml", "xl/styles.xml", "xl/workbook.xml",
        "xl/_rels/workbook.xml.rels",
    ),
    "field.ods": ("content.xml", "styles.xml"),
}  # fmt: skip
"""Workbooks, and their parts that are put in one by one: a damaged archive ends at once."""


def read_in_words(folder: Path) -> Trial | None:
    """Return a trial, None where it is refused; each problem says what, what else, what to do.

    Raises
    ------
    Exception
        Any but our own: a fault of the readers.
    """
    try:
        trial = read_trial(folder)
    except DataProblems as refused:
        trial, problems = None, refused.problems
    else:
        problems = trial.problem_list
        assert str(trial)
        assert str(trial.problems)
        assert trial.problems.to_html()
    for problem in problems:
        assert problem.found
        assert problem.expected
        assert problem.remedy
    return trial


@dataclass(frozen=True)
class HostileTrial:
    """A small trial, one of whose files is replaced, read and put back.

    Parameters
    ----------
    home : pathlib.Path
        An empty folder, for a trial of tables and one of a workbook in either format.
    """

    home: Path

    def _of_tables(self, name: str) -> Path:
        return make_trial(self.home / name, pairs=1, sites=1, openings=(60,))

    @cached_property
    def folders(self) -> dict[str, Path]:
        """Trials, by what is replaced in them: tables, or the workbook of this name."""
        tables = put(
            self._of_tables("tables"),
            laboratory([Heading("Essigs.", "acetic_acid", "g/kg DM")], separator=";") + report(),
            r_csv=f"Probe;Essigs.\n{SAMPLE};12.5\n",
        )
        folders = {"tables": tables}
        for name in _PACKED:
            folders[name] = self._of_tables(name)
            to_workbook(folders[name])
        as_ods(folders["field.ods"])
        return folders

    @cached_property
    def parts(self) -> dict[str, bytes]:
        """What may be replaced, to what stands there; ``book|part`` for a part of a workbook."""
        tables = self.folders["tables"]
        names = ("trial.toml", "laboratories.toml", _REPORT, *_TABLES)
        found = {
            name: (tables / name).read_bytes() if (tables / name).exists() else b""
            for name in names
        }
        for book, inside in _PACKED.items():
            found[book] = (self.folders[book] / book).read_bytes()
            with zipfile.ZipFile(self.folders[book] / book) as packed:
                found |= {f"{book}|{part}": packed.read(part) for part in inside}
        return found

    def read(self, part: str, content: bytes) -> None:
        """Read the trial with these bytes in the place of a part."""
        book, _, inside = part.partition("|")
        folder = self.folders.get(book, self.folders["tables"])
        path = folder / book
        before = path.read_bytes() if path.exists() else None
        try:
            if inside:
                _repack(path, inside, content)
            else:
                path.write_bytes(content)
            read_in_words(folder)
        finally:
            if before is None:
                path.unlink()
            else:
                path.write_bytes(before)


def _repack(path: Path, part: str, content: bytes) -> None:
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    with zipfile.ZipFile(path, "w", zipfile.ZIP_STORED) as packed:
        for name, whole in {**parts, part: content}.items():
            packed.writestr(name, whole)
