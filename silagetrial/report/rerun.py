"""Run a finished report again from its own data, and compare."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from silagetrial.data.which_folder import which_folder
from silagetrial.display.place import WRITER, FileHash, hash_file
from silagetrial.errors import SilageTrialError, UsageError
from silagetrial.report.compared import count_values, differences
from silagetrial.report.contents import DATA, HTML, MANIFEST, PDF, RESULTS
from silagetrial.report.environment import changes, this_environment
from silagetrial.report.kept_files import FileState, copy_files, file_states, read_json
from silagetrial.report.manifest import Manifest, read_manifest
from silagetrial.report.reproduction import Reproduction
from silagetrial.report.run import write_report

__all__ = ["reproduce"]

_MEGABYTES: Final = 256
"""Of results.json; those of the demonstrations have 0.06."""

Progress = Callable[[str], None]


def reproduce(folder: str | Path, *, progress: Progress | None = None) -> Reproduction:
    """Check a finished report and run it again from its own data, in a scratch place.

    Nothing is written in `folder`, no code of it is run, and no file outside of it is read.

    Parameters
    ----------
    folder : str or Path
        The report folder, wherever it was moved.
    progress : callable, optional
        Called with one line of text at each stage.

    Returns
    -------
    Reproduction
        Which files were changed, what differs in the environment and the seed, and every value
        of ``results.json`` that came out otherwise: compared to the last digit where the
        environment is the same (then the other files are compared byte by byte too, but
        ``report.pdf``, whose hash alone is checked), elsewhere as `compared` says.

    Raises
    ------
    UsageError
        When the folder holds no manifest that this package wrote.
    """
    place = Path(folder)
    if not place.is_dir():
        raise UsageError(
            found=f"no folder {place}",
            expected="the folder of a finished report",
            remedy="give the folder that holds manifest.json",
        )
    _refuse_other(place)
    manifest = read_manifest(place)
    here = this_environment()
    changed = changes(manifest.environment, here)
    files, beside = _states(place, manifest)
    again = _run_again(place, manifest, progress)
    return Reproduction(
        folder=place,
        manifest=manifest,
        version=here.packages[WRITER] or "",
        files=files,
        beside=beside,
        environment=changed,
        seed=again.seed,
        values=count_values(again.results),
        differences=differences(again.kept, again.results, exact=not changed),
        pages=() if changed else again.pages,
        stopped=again.stopped,
    )


def _refuse_other(place: Path) -> None:
    """Say of a folder without any of a report what it is, where that is known."""
    if (place / MANIFEST).exists() or (place / HTML).exists():
        return
    other = which_folder(place)
    if other is not None:
        what, remedy = other
        expected = "the folder of a finished report"
        raise UsageError(found=f"{what} at {place}", expected=expected, remedy=remedy)


def _states(
    folder: Path, manifest: Manifest
) -> tuple[tuple[FileState, ...], tuple[FileState, ...]]:
    """Files not as they were written; and new ones of which the trial's reader takes no notice."""
    itself = FileHash(MANIFEST, hash_file(folder, MANIFEST).sha256, 0)
    states = file_states(folder, [*manifest.inputs, *manifest.outputs, itself])
    beside = tuple(s for s in states if s.state == "new" and not s.file.startswith(f"{DATA}/"))
    return tuple(state for state in states if state not in beside), beside


@dataclass(frozen=True)
class _Again:
    """What the run gave: results kept and made again, the seed, other files made otherwise."""

    kept: object = None
    results: object = None
    seed: int | None = None
    pages: tuple[str, ...] = ()
    stopped: str = ""


def _run_again(folder: Path, manifest: Manifest, progress: Progress | None) -> _Again:
    """Write the report anew in a scratch place, from a copy of the data in the folder."""
    with tempfile.TemporaryDirectory(prefix="silagetrial-") as scratch:
        trial, out = Path(scratch) / "trial", Path(scratch) / "report"
        try:
            kept = read_json(folder, RESULTS, megabytes=_MEGABYTES)
            copy_files(folder, trial, within=DATA)
            write_report(
                trial,
                out,
                date=manifest.date,
                interim=manifest.log.interim,
                earlier=manifest.log.earlier,
                progress=progress,
            )
        except SilageTrialError as error:
            return _Again(stopped=error.found.replace(scratch, "the copy"))
        made = read_manifest(out)
        results = read_json(out, RESULTS, megabytes=_MEGABYTES)
    return _Again(kept, results, made.seed, _otherwise(manifest, made))


def _otherwise(manifest: Manifest, made: Manifest) -> tuple[str, ...]:
    """Files, but the results and the PDF, that differ, or that only one of two reports has."""
    old = {(item.file, item.sha256) for item in manifest.outputs}
    new = {(item.file, item.sha256) for item in made.outputs}
    return tuple(sorted({name for name, _ in old ^ new} - {RESULTS, PDF}))
