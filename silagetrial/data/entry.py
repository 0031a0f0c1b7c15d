"""Entry sheets for a laboratory report on paper or as a PDF, sample codes filled in."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Final

import pandas as pd

from silagetrial.data.laboratory.keys import LABORATORIES_FILE, REPORTS_FOLDER
from silagetrial.data.laboratory.mapping import Laboratory
from silagetrial.data.laboratory.results import read_laboratories
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.read import read_trial
from silagetrial.data.schema import ANALYTES, COUNTS
from silagetrial.data.trial import Trial
from silagetrial.display.scratch import working_folder
from silagetrial.errors import UsageError

__all__ = ["write_entry_sheets"]

_RESULTS: Final = ("dm", "pH", *ANALYTES, *COUNTS)
_FORMULA: Final = ("=", "+", "-", "@")
_HOW_TO_ADD: Final = (
    f"add its section to {LABORATORIES_FILE}: `silagetrial columns {LABORATORIES_FILE}` lists its "
    "keys"
)


def write_entry_sheets(
    path: str | Path, laboratory: str, *, number: str, force: bool = False
) -> tuple[Path, Path]:
    """Write two equal entry sheets into the trial's folder of reports.

    A PDF is not read by machine. It is typed twice, best by two people, and what differs is a
    problem when the trial is read.

    Parameters
    ----------
    path : str or pathlib.Path
        The trial's folder, with laboratories.toml.
    laboratory : str
        Name of the laboratory: its headings stand above, the codes of samples without results
        that went there, or nobody knows where, on the left.
    number : str
        Number of the report; the sheets are named after it.
    force : bool
        Replace sheets that are already there.

    Returns
    -------
    tuple of pathlib.Path
        The two CSV files.

    Raises
    ------
    DataProblems
        If there is no trial, or laboratories.toml is no TOML.
    UsageError
        If the laboratory is not known, no sample waits, the number makes no file name, a sheet is
        already there and that is not forced, or a code or heading would be taken for a formula by
        a spreadsheet.
    """
    folder = Path(path)
    trial = read_trial(folder)
    laboratories = read_laboratories(folder)
    if laboratory not in laboratories:
        raise UsageError(
            found=f"the laboratory {laboratory!r}",
            expected=f"one of {', '.join(laboratories)}, as in {LABORATORIES_FILE}"
            if laboratories
            else f"a laboratory in {LABORATORIES_FILE}",
            remedy=did_you_mean(laboratory, laboratories, otherwise=_HOW_TO_ADD),
        )
    codes = _waiting(trial, laboratory)
    if not codes:
        raise UsageError(
            found=f"no sample without results that may have gone to {laboratory}",
            expected="samples that wait for results",
            remedy="nothing is to be typed; see the column laboratory of samples",
        )
    content = _sheet(laboratories[laboratory], codes)
    home = folder / REPORTS_FOLDER
    paths = _places(home, number, force=force)
    home.mkdir(exist_ok=True)
    with working_folder(home) as new:
        for place in paths:
            (new / place.name).write_bytes(content)
        for place in paths:
            (new / place.name).replace(place)
    return paths


def _waiting(trial: Trial, laboratory: str) -> list[str]:
    """Return the codes of samples taken and not analysed, controls among them."""
    samples = pd.concat([trial.samples, trial.controls])
    results = [*_RESULTS, *(f"{name}_below" for name in (*ANALYTES, *COUNTS))]
    blank = samples[results].isna().all(axis=1)
    here = samples["laboratory"].isna() | (samples["laboratory"] == laboratory)
    return sorted(samples.loc[blank & here, "sample"])


def _places(home: Path, number: str, *, force: bool) -> tuple[Path, Path]:
    if not all(letter.isalnum() or letter in "-_." for letter in number) or number[:1] in "-.":
        raise UsageError(
            found=f"the number {number!r}",
            expected="letters, digits, - and _, from which the names of the sheets are made",
            remedy="write - in place of other signs",
        )
    places = (home / f"{number}-first.csv", home / f"{number}-second.csv")
    for place in places:
        if place.is_dir() or (place.exists() and not force):
            raise UsageError(
                found=f"{place.name}, which is already there",
                expected="sheets that are not there yet",
                remedy="type into it, move it away, or replace both sheets with --force",
            )
    return places


def _sheet(laboratory: Laboratory, codes: list[str]) -> bytes:
    """Return the content of a sheet; with the mark of UTF-8 spreadsheets read ä as it is."""
    headings = [laboratory.sample or "sample", *laboratory.results]
    formulas = [text for text in (*headings, *codes) if text.startswith(_FORMULA)]
    if formulas:
        raise UsageError(
            found=f"{formulas[0]!r}, which a spreadsheet takes for a formula",
            expected="codes and headings that begin with a letter or digit",
            remedy="type this report into a sheet of your own making, as text",
        )
    text = io.StringIO(newline="")
    writer = csv.writer(text, delimiter=laboratory.separator, lineterminator="\n")
    writer.writerow(headings)
    writer.writerows([[code, *[""] * (len(headings) - 1)] for code in codes])
    return text.getvalue().encode("utf-8-sig")
