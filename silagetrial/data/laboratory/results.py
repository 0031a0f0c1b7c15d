"""Every result of every report, as the laboratories gave them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from silagetrial.data.cells import CellFault
from silagetrial.data.files import decode
from silagetrial.data.laboratory.grid import hash_of, path_of, read_grid
from silagetrial.data.laboratory.keys import LABORATORIES_FILE, REPORTS_FOLDER
from silagetrial.data.laboratory.mapping import Laboratory, Quantity, Report, target_of
from silagetrial.data.laboratory.read_mapping import parse_laboratories
from silagetrial.data.laboratory.readings import Reading, read_result
from silagetrial.data.laboratory.shapes import Entry, entries_of
from silagetrial.data.laboratory.typed_twice import typed_alike
from silagetrial.errors import DataProblems, Problem, Severity

__all__ = ["LaboratoryResults", "Result", "read_laboratories", "read_reports"]


@dataclass(frozen=True, eq=False)
class Result:
    """One result of one sample.

    Parameters
    ----------
    report : Report
    sample : str
        Code as the report has it.
    quantity : Quantity
        What was measured, with its unit.
    reading : Reading
    text : str
        The cell as it stands.
    file : str
        File and line where it stands.
    line : int
    nth : int
        Which analysis of the sample in this report, from 0.
    """

    report: Report
    sample: str
    quantity: Quantity
    reading: Reading
    text: str
    file: str
    line: int
    nth: int = 0

    @property
    def target(self) -> str:
        """Column of samples that the result ends in."""
        return target_of(self.quantity.quantity)

    @property
    def method(self) -> str | None:
        """Method of analysis."""
        return self.quantity.method or self.report.laboratory.method

    def problem(self, *, found: str, expected: str, remedy: str, warning: bool = False) -> Problem:
        """Return a problem of the cell."""
        severity: Severity = "warning" if warning else "error"
        heading = self.quantity.heading
        return Problem(severity, self.file, self.line, heading, found, expected, remedy)


@dataclass(frozen=True)
class LaboratoryResults:
    """What the reports of a trial hold.

    Parameters
    ----------
    reports : tuple of Report
    results : tuple of Result
        In the order of reports and lines.
    files : tuple of str
        Paths of the files read, laboratories.toml first, inside the trial's folder.
    hashes : mapping of str to str
        File of a report, a PDF included, to its SHA-256.
    """

    reports: tuple[Report, ...] = ()
    results: tuple[Result, ...] = ()
    files: tuple[str, ...] = ()
    hashes: dict[str, str] = field(default_factory=dict)


def read_reports(folder: Path) -> tuple[LaboratoryResults, tuple[Problem, ...]]:
    """Read the reports of a trial.

    Parameters
    ----------
    folder : pathlib.Path
        The trial's folder. Without a laboratories.toml in it there are no reports.

    Returns
    -------
    LaboratoryResults, tuple of Problem
        Cells that cannot be read are problems.

    Raises
    ------
    DataProblems
        If laboratories.toml is no TOML.
    """
    path = folder / LABORATORIES_FILE
    if not path.is_file():
        return LaboratoryResults(), tuple(_unread_folder(folder))
    text = decode(path.read_bytes(), file=LABORATORIES_FILE)
    if isinstance(text, Problem):
        return LaboratoryResults(), (text,)
    _, reports, met = parse_laboratories(text)
    problems = [*met]
    results: list[Result] = []
    hashes: dict[str, str] = {}
    for report in reports:
        found, said, read = _read_report(folder, report)
        problems += said
        results += found
        hashes |= read
    problems += _not_named(folder, reports)
    files = (LABORATORIES_FILE, *(f"{REPORTS_FOLDER}/{name}" for name in hashes))
    return LaboratoryResults(reports, tuple(results), files, hashes), tuple(problems)


def read_laboratories(folder: Path) -> Mapping[str, Laboratory]:
    """Return the laboratories that a trial knows, by name; none without a laboratories.toml.

    Raises
    ------
    DataProblems
        If the file is no text, or no TOML.
    """
    path = folder / LABORATORIES_FILE
    if not path.is_file():
        return {}
    text = decode(path.read_bytes(), file=LABORATORIES_FILE)
    if isinstance(text, Problem):
        raise DataProblems([text])
    return parse_laboratories(text)[0]


def _unread_folder(folder: Path) -> Iterable[Problem]:
    if (folder / REPORTS_FOLDER).is_dir():
        yield Problem(
            "error",
            LABORATORIES_FILE,
            None,
            None,
            f"a folder {REPORTS_FOLDER} and no {LABORATORIES_FILE}",
            "a file that says how the laboratories write their reports",
            f"write it; silagetrial columns {LABORATORIES_FILE} lists its keys",
        )


def _not_named(folder: Path, reports: Sequence[Report]) -> Iterable[Problem]:
    named = {name for report in reports for name in (report.file, *report.typed)}
    home = folder / REPORTS_FOLDER
    for entry in sorted(home.iterdir()) if home.is_dir() else ():
        if entry.is_file() and entry.name not in named and not entry.name.startswith((".", "~$")):
            yield Problem(
                "warning",
                f"{REPORTS_FOLDER}/{entry.name}",
                None,
                None,
                f"a file that {LABORATORIES_FILE} does not name",
                "a section [[report]] for it",
                "add the section, or move the file out of the folder",
            )


def _read_report(
    folder: Path, report: Report
) -> tuple[list[Result], list[Problem], dict[str, str]]:
    """Return the results of a report, its problems, and its files with their hashes."""
    paths = {name: path_of(folder, name) for name in (report.file, *report.typed)}
    refused = [item for item in paths.values() if isinstance(item, Problem)]
    if refused:
        return [], refused, {}
    there = {name: item for name, item in paths.items() if isinstance(item, Path)}
    hashes = {name: hash_of(item) for name, item in there.items()}
    entries, problems = (
        _typed(there, report) if report.typed else _entries(there[report.file], report.laboratory)
    )
    results = []
    for entry in entries:
        found = read_result(entry.text, laboratory=report.laboratory, quantity=entry.quantity)
        if isinstance(found, CellFault):
            problems.append(
                Problem(
                    "error",
                    entry.file,
                    entry.line,
                    entry.quantity.heading,
                    f"sample {entry.sample}: {found.found}",
                    found.expected,
                    found.remedy,
                )
            )
            continue
        results.append(
            Result(report, entry.sample, entry.quantity, found, entry.text, entry.file, entry.line)
        )
    return _numbered(results, problems), problems, hashes


def _entries(path: Path, laboratory: Laboratory) -> tuple[tuple[Entry, ...], list[Problem]]:
    grid = read_grid(path, laboratory)
    if isinstance(grid, Problem):
        return (), [grid]
    entries, met = entries_of(grid, laboratory)
    return entries, [*grid.problems, *met]


def _typed(there: dict[str, Path], report: Report) -> tuple[tuple[Entry, ...], list[Problem]]:
    """Return what both entry sheets of a PDF say alike."""
    if not there[report.file].read_bytes().startswith(b"%PDF-"):
        return (), [
            Problem(
                "error",
                f"{REPORTS_FOLDER}/{report.file}",
                None,
                None,
                "a file that is no PDF",
                "the report as the laboratory sent it",
                "put the PDF there",
            )
        ]
    laboratory = _as_typed(report.laboratory)
    (first, met), (second, more) = (_entries(there[name], laboratory) for name in report.typed)
    alike, differ = typed_alike(first, second, laboratory)
    return alike, [*met, *(item for item in more if item not in met), *differ]


def _as_typed(laboratory: Laboratory) -> Laboratory:
    """Return the laboratory as its entry sheets are: one sample a row, the heading on top."""
    return replace(
        laboratory,
        shape="sample rows",
        sample=laboratory.sample or "sample",
        analyte=None,
        value=None,
        unit=None,
        unit_line=False,
        heading_line=1,
        encoding="utf-8",
        sheet=None,
    )


def _numbered(results: Sequence[Result], problems: list[Problem]) -> list[Result]:
    """Return the results with the number of each analysis of a sample within its report."""
    seen: dict[tuple[str, Quantity], Result] = {}
    counts: dict[tuple[str, Quantity], int] = {}
    numbered = []
    for result in results:
        key = result.sample, result.quantity
        nth = counts.get(key, 0)
        counts[key] = nth + 1
        first = seen.setdefault(key, result)
        if nth and result.report.analysis != "replicates":
            problems.append(
                result.problem(
                    found=f"sample {result.sample} again, first in line {first.line}",
                    expected="each sample once in a report",
                    remedy='see the report: write analysis = "replicates" where the laboratory '
                    "analysed it more than once; a sample sent twice has a code of its own",
                )
            )
            continue
        numbered.append(replace(result, nth=nth))
    return numbered
