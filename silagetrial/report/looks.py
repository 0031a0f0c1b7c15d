"""Looks at a trial before its end: what a report says of itself, and of those before it.

A look is logged in ``manifest.json`` and, beside the notebook that has to tell it, in
``looks.json``; a report that replaces another takes its looks over.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import count, joined
from silagetrial.display.place import WRITER, hash_file
from silagetrial.errors import UsageError
from silagetrial.planning.deviations_made import openings_done, openings_to_come
from silagetrial.report.contents import LOOKS, MANIFEST

__all__ = [
    "Log", "Look", "earlier_looks", "log_of", "look_at", "notice", "read_log", "refuse_finished",
    "title_of", "write_log",
]  # fmt: skip


@dataclass(frozen=True)
class Look:
    """One look before the end.

    Parameters
    ----------
    openings : tuple of str
        The openings that were done.
    of : int
        How many openings the trial has.
    date : str or None
        The date shown on the report.
    data : str
        SHA-256 over the files of the trial: the same data are looked at once.
    """

    openings: tuple[str, ...]
    of: int
    date: str | None
    data: str


@dataclass(frozen=True)
class Log:
    """Looks of a report.

    Parameters
    ----------
    interim : bool
        Whether the report is one before the end and says so first.
    look : Look or None
        The look that this report is; None once nothing is to come.
    earlier : tuple of Look
        Those before it, in their order.
    """

    interim: bool = False
    look: Look | None = None
    earlier: tuple[Look, ...] = ()

    @property
    def before(self) -> tuple[Look, ...]:
        """Earlier looks at other data than this one's."""
        mine = None if self.look is None else self.look.data
        return tuple(look for look in self.earlier if look.data != mine)

    def told(self) -> tuple[str, ...]:
        """What methods say of looks before the end."""
        lines = []
        if self.interim and self.look is not None:
            lines.append(say("look.this", openings=_openings(self.look)))
        if self.before:
            number = count(len(self.before), "look")
            each = joined([_said(look) for look in self.before], last="semicolon")
            lines.append(say("look.earlier", looks=number, each=each))
        elif not self.interim and self.look is None:
            lines.append(say("look.none"))
        return (" ".join(lines),) if lines else ()

    def contents(self) -> dict[str, object]:
        """Return the same for ``results.json`` and ``manifest.json``."""
        return {
            "interim": self.interim,
            "look": None if self.look is None else asdict(self.look),
            "looks": [asdict(look) for look in self.earlier],
        }


def refuse_finished(trial: Trial) -> None:
    """Refuse an interim report of a trial at whose openings nothing is to come.

    Raises
    ------
    UsageError
    """
    total = len(trial.settings.openings)
    if len(openings_done(trial)) == total:
        raise UsageError(
            found=f"--interim of a trial with {total} of {count(total, 'opening')} done",
            expected="a trial of which an opening is still to come",
            remedy="leave out --interim: this is the report of the finished trial",
        )


def look_at(trial: Trial, folder: Path, *, interim: bool, date: dt.date | None) -> Look | None:
    """Return the look that a report is: an interim one, or one while samples are due.

    Parameters
    ----------
    trial : Trial
    folder : Path
        The copy of its files.
    interim : bool
    date : datetime.date or None
        The date shown on the report.
    """
    total = len(trial.settings.openings)
    if not interim and not openings_to_come(trial):
        return None
    shown = None if date is None else date.isoformat()
    return Look(openings_done(trial), total, shown, _digest(folder))


def _digest(folder: Path) -> str:
    """SHA-256 over names and contents of the files of a folder."""
    names = sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    lines = [f"{hash_file(folder, name).sha256}  {name}\n" for name in names]
    return hashlib.sha256("".join(lines).encode()).hexdigest()


def earlier_looks(out: Path) -> tuple[Look, ...]:
    """Return the looks of the report in a folder: those it took over, and its own.

    Parameters
    ----------
    out : Path
        The folder a report is to be written to; none is there the first time.

    Raises
    ------
    UsageError
        When the report there lists looks that cannot be read.
    """
    path = out / MANIFEST
    if not path.is_file():
        return ()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        return ()
    if not isinstance(content, dict) or content.get("written_by") != WRITER:
        return ()
    log = log_of(content, path)
    looks = {look.data: look for look in reversed((*log.earlier, *_present(log.look)))}
    return tuple(reversed(looks.values()))


def _present(look: Look | None) -> tuple[Look, ...]:
    return () if look is None else (look,)


def write_log(folder: Path, log: Log) -> None:
    """Write ``looks.json`` for the notebook; nothing where there is nothing to tell."""
    if log != Log():
        text = json.dumps(log.contents(), indent=1, ensure_ascii=False) + "\n"
        (folder / LOOKS).write_text(text, encoding="utf-8", newline="\n")


def read_log(folder: str | Path = ".") -> Log:
    """Read ``looks.json`` in the folder of a report; no look where there is no such file.

    Raises
    ------
    UsageError
        When it holds something else than looks.
    """
    path = Path(folder) / LOOKS
    if not path.is_file():
        return Log()
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except ValueError as error:
        raise _wrong(path) from error
    if not isinstance(content, dict):
        raise _wrong(path)
    return log_of(content, path)


def log_of(content: Mapping[str, Any], path: Path) -> Log:
    """Read a log, each entry of the kind it must be; reports of earlier versions have none."""
    look, looks = content.get("look"), content.get("looks", [])
    interim = content.get("interim", False)
    if not isinstance(looks, list) or not isinstance(interim, bool):
        raise _wrong(path)
    own = None if look is None else _look_of(look, path)
    return Log(interim, own, tuple(_look_of(entry, path) for entry in looks))


def _look_of(entry: object, path: Path) -> Look:
    match entry:
        case {"openings": list(names), "of": int(of), "date": str() | None as date,
              "data": str(data)} if all(isinstance(name, str) for name in names):  # fmt: skip
            return Look(tuple(names), of, date, data)
    raise _wrong(path)


def _wrong(path: Path) -> UsageError:
    return UsageError(
        found=f"looks that cannot be read in {path}",
        expected="looks as silagetrial writes them: openings, of, date and data",
        remedy="give another folder, or put the file back as it was written",
    )


def title_of(trial: Trial, log: Log) -> str:
    """Return the title of the trial, or what it is when it has none; an interim report says so."""
    title = trial.settings.title or say("trial.untitled")
    if not log.interim or log.look is None:
        return title
    return say("look.title", openings=_openings(log.look), title=title)


def notice(trial: Trial, log: Log) -> Prose:
    """Return what stands first on a report before the end; nothing on the final one."""
    if log.interim and log.look is not None:
        return Prose((say("look.notice", openings=_openings(log.look)),), kind="refusal")
    done, total = openings_done(trial), len(trial.settings.openings)
    if len(done) == total:
        return Prose(())
    return Prose((say("look.pointer", openings=_of(len(done), total)),))


def _openings(look: Look) -> str:
    return _of(len(look.openings), look.of)


def _of(done: int, total: int) -> str:
    return say("look.of", done=done, openings=count(total, "opening"))


def _said(look: Look) -> str:
    """One look: how far the trial was, and when."""
    if look.date is None:
        return say("look.undated", openings=_openings(look))
    return say("look.dated", openings=_openings(look), date=look.date)
