"""Write a report: read, run the notebook beside a copy of the files, export; whole or not."""

from __future__ import annotations

import datetime as dt
import json
import os
import shlex
import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import nbformat

from silagetrial.data import Trial, read_trial
from silagetrial.data.laboratory.keys import REPORTS_FOLDER
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.display.shown import ShownInParts
from silagetrial.errors import DataProblems, UsageError
from silagetrial.planning.filed_names import HASH_FILE, PLAN_RECORD
from silagetrial.report.contents import DATA, HTML, NOTEBOOK, PDF, RESULTS
from silagetrial.report.export import notebook_html
from silagetrial.report.kernel import execute
from silagetrial.report.looks import (
    Log,
    Look,
    earlier_looks,
    look_at,
    refuse_finished,
    title_of,
    write_log,
)
from silagetrial.report.manifest import write_manifest
from silagetrial.report.pdf import check_pdf, html_pdf
from silagetrial.report.place import check_place, report_place
from silagetrial.report.template import STAGES, report_notebook

__all__ = ["Report", "report_date", "write_report"]

Progress = Callable[[str], None]


@dataclass(frozen=True, repr=False)
class Report(ShownInParts):
    """A written report.

    Attributes
    ----------
    path : Path
        The report folder.
    summary : tuple of str
        The answer in short paragraphs: what was found, whether it grows with storage, how
        far it reaches.
    answered : bool
        False when the design supports no answer to any question asked; the report says why.
    files : tuple of Path
        Every file of the folder, in order of their paths.
    """

    path: Path
    summary: tuple[str, ...]
    answered: bool
    files: tuple[Path, ...]

    def _parts(self) -> tuple[str]:
        where = f"Report: {self.path} ({len(self.files)} files)"
        return ("\n".join([*self.summary, where]),)


def write_report(
    trial_path: str | Path,
    out: str | Path,
    *,
    date: dt.date | None = None,
    force: bool = False,
    pdf: bool = False,
    interim: bool = False,
    earlier: Sequence[Look] | None = None,
    progress: Progress | None = None,
) -> Report:
    """Read a trial, analyse it and write the report.

    Parameters
    ----------
    trial_path : str or Path
        The trial folder.
    out : str or Path
        The folder to write: new, empty, or an earlier report, which is replaced. It may lie in the
        trial's folder, but neither be nor hold anything that is read of it.
    date : datetime.date, optional
        The date shown on the report; by default that of the environment variable
        SOURCE_DATE_EPOCH, and without it none.
    force : bool
        Replace a folder with anything else in it as well.
    pdf : bool
        Write the page as ``report.pdf`` too; needs the extra ``silagetrial[pdf]``.
    interim : bool
        A look before the end: title and first page say so, and that nothing is to be decided
        from it.
    earlier : sequence of Look, optional
        Looks before this one; by default those of the report that is replaced.
    progress : callable, optional
        Called with one line of text at each stage.

    Returns
    -------
    Report
        Where it is, the answer, and the files written: ``report.html``,
        ``report.ipynb`` (executed), ``results.json``, ``methods.txt``, ``references.bib``,
        ``manifest.json`` and ``data/`` (a byte copy of the input); ``looks.json`` where there
        were looks before the end.

    Raises
    ------
    DataProblems
        When the files of the trial have errors.
    UsageError
        When `out` holds something else, or an earlier report that was changed since, and that is
        not forced; when nothing can be written there, or the trial would be replaced; when a PDF
        is asked for and cannot be made here; when an interim report is asked for and no opening
        is to come.
    SilageTrialError
        When the notebook stops.
    """
    say = progress or _silent
    source, target = Path(trial_path).resolve(), Path(out)
    shown = report_date(date)
    check_place(target, force=force, inputs=_read_from(source))
    if pdf:
        check_pdf()
    say("reading the trial")
    trial = read_trial(trial_path)
    if trial.errors:
        raise DataProblems(trial.errors)
    if interim:
        refuse_finished(trial)
    before = earlier_looks(target) if earlier is None else tuple(earlier)
    with report_place(target, force=force, inputs=_read_from(source, trial.files)) as work:
        _copy_input(trial, source, work / DATA)
        log = Log(interim, look_at(trial, work / DATA, interim=interim, date=shown), before)
        write_log(work, log)
        html = _write_pages(trial, work, log, shown=shown, say=say)
        if pdf:
            say("writing the PDF")
            (work / PDF).write_bytes(html_pdf(html))
        write_manifest(
            work,
            seed=trial.settings.analysis.seed,
            command=_command(trial_path, out, date=date, pdf=pdf, interim=interim),
            date=shown,
            log=log,
        )
    return _written(target)


def _silent(line: str) -> None:
    """Take a progress line and say nothing."""


def report_date(date: dt.date | None) -> dt.date | None:
    """Return the date to show: the one asked for, else that of SOURCE_DATE_EPOCH, else none.

    Raises
    ------
    UsageError
        When SOURCE_DATE_EPOCH is set and is no count of seconds.
    """
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if date is not None or not epoch:
        return date
    try:
        return dt.datetime.fromtimestamp(int(epoch), tz=dt.UTC).date()
    except (ValueError, OverflowError, OSError) as error:
        raise UsageError(
            found=f"SOURCE_DATE_EPOCH is {epoch!r}",
            expected="whole seconds since 1970-01-01 UTC",
            remedy="correct the environment variable, unset it, or give --date YYYY-MM-DD",
        ) from error


def _read_from(source: Path, files: Sequence[str] = (SETTINGS_FILE,)) -> tuple[Path, ...]:
    """Return what is read of a trial's folder: a report may lie in it, but not in place of this."""
    return tuple(source / name for name in (*files, PLAN_RECORD, HASH_FILE, REPORTS_FOLDER))


def _copy_input(trial: Trial, source: Path, folder: Path) -> None:
    """Copy the trial's files and its analysis plan, byte by byte."""
    folder.mkdir()
    for name in [*trial.files, PLAN_RECORD, HASH_FILE]:
        if (source / name).is_file():
            (folder / name).parent.mkdir(exist_ok=True)
            shutil.copyfile(source / name, folder / name)


def _write_pages(
    trial: Trial, work: Path, log: Log, *, shown: dt.date | None, say: Progress
) -> str:
    """Run the notebook (its last cell writes the results) and write it and the page it gives."""
    notebook = report_notebook(date=shown)
    executed = execute(notebook, work, started=lambda cell: _tell_stage(cell, say))
    nbformat.write(executed, work / NOTEBOOK)  # type: ignore[no-untyped-call]
    say("writing the page")
    html = notebook_html(executed, title=title_of(trial, log))
    (work / HTML).write_text(html, encoding="utf-8", newline="\n")
    return html


def _tell_stage(cell: str, say: Progress) -> None:
    """Tell what the notebook does now; most of its cells are done before anybody reads a line."""
    if cell in STAGES:
        say(STAGES[cell])


def _command(
    trial_path: str | Path, out: str | Path, *, date: dt.date | None, pdf: bool, interim: bool
) -> str:
    words = ["silagetrial", "report", str(trial_path), "--out", str(out)]
    words += [] if date is None else ["--date", date.isoformat()]
    words += ["--pdf"] if pdf else []
    return shlex.join([*words, *(["--interim"] if interim else [])])


def _written(folder: Path) -> Report:
    results = json.loads((folder / RESULTS).read_text(encoding="utf-8"))
    return Report(
        path=folder,
        summary=tuple(results["summary"]),
        answered=bool(results["answered"]),
        files=tuple(sorted(path for path in folder.rglob("*") if path.is_file())),
    )
