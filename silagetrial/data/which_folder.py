"""What a folder that was given is, where it is not what a command takes."""

from __future__ import annotations

from pathlib import Path
from typing import Final

__all__ = ["which_folder"]

_MOST_NAMED: Final = 3


def which_folder(folder: Path) -> tuple[str, str] | None:
    """Return what a folder is, and what can be run with it; None where it is nothing known.

    It is told by the names of the files in it, which are not opened.

    Parameters
    ----------
    folder : pathlib.Path

    Returns
    -------
    tuple of str, or None
        What it is, such as ``a finished report``; what can be run, as a remedy.
    """
    if not folder.is_dir():
        return None
    given, data, page = map(_typed, (folder, folder / "data", folder / "worth.html"))
    names = {item.name for item in folder.iterdir()}
    if {"report.html", "manifest.json"} <= names:
        return "a finished report", (
            f"its trial is the copy in `{data}`; `silagetrial reproduce {given}` "
            f"checks the report, `silagetrial power PLAN --from {given}` plans with its variances"
        )
    if "trial.toml" in names:
        return "a trial", (
            f"`silagetrial check {given}` looks it through, `silagetrial report {given} --out "
            "DIR` writes its report"
        )
    if "plan.toml" in names:
        return "a plan", (
            f"`silagetrial power {given}` says what it could find, `silagetrial plan {given} "
            "--out my_trial` writes the trial's folder"
        )
    if "worth.html" in names:
        return "the page of a plan's power", f"open `{page}` to read it"
    return _above(folder)


def _above(folder: Path) -> tuple[str, str] | None:
    trials = sorted(_typed(path.parent) for path in folder.glob("*/trial.toml"))
    if not trials:
        return None
    more = f" and {len(trials) - _MOST_NAMED} more" if len(trials) > _MOST_NAMED else ""
    named = ", ".join(f"`{name}`" for name in trials[:_MOST_NAMED])
    return "a folder above a trial", f"give the trial's own folder: {named}{more}"


def _typed(path: Path) -> str:
    """Return a path as it is typed in a command."""
    return f'"{path}"' if " " in str(path) else str(path)
