"""What a report was made of: input files, environment, seed, command and time."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

from silagetrial.display.place import WRITER, FileHash, hash_file
from silagetrial.errors import UsageError
from silagetrial.report.contents import DATA, MANIFEST
from silagetrial.report.environment import Environment, this_environment
from silagetrial.report.kept_files import read_json, safe_name
from silagetrial.report.looks import Log, log_of

__all__ = ["Manifest", "read_manifest", "write_manifest"]

_MEGABYTES: Final = 16


@dataclass(frozen=True)
class Manifest:
    """What ``manifest.json`` says.

    Parameters
    ----------
    command : str
        The command that wrote the report.
    time : str
        When, in UTC (ISO 8601).
    date : datetime.date or None
        The date shown on the report.
    seed : int
        Seed of everything random in the analysis.
    log : Log
        Looks before the end.
    environment : Environment
    inputs, outputs : tuple of FileHash
        The trial's files, copied into ``data/``; all the other files but this one.
    """

    command: str
    time: str
    date: dt.date | None
    seed: int
    log: Log
    environment: Environment
    inputs: tuple[FileHash, ...]
    outputs: tuple[FileHash, ...]

    @property
    def version(self) -> str:
        """The version of this package that wrote the report."""
        return self.environment.packages.get(WRITER) or "an unknown version"


def write_manifest(
    folder: Path, *, seed: int, command: str, date: dt.date | None, log: Log | None = None
) -> Path:
    """Write ``manifest.json``, the only file of a report that holds the time.

    Parameters
    ----------
    folder : Path
        The report folder, with all other files in place: those in ``data/`` are the input, all
        others the output.
    seed : int
        Seed of everything random in the analysis.
    command : str
        The command that writes this report.
    date : datetime.date or None
        The date shown on the report.
    log : Log, optional
        Looks before the end.

    Returns
    -------
    Path
        The file written.
    """
    path = folder / MANIFEST
    names = (p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file())
    files = [hash_file(folder, name) for name in sorted(names) if name != MANIFEST]
    content = {
        "written_by": WRITER,
        "command": command,
        "time": dt.datetime.now(dt.UTC).isoformat(timespec="seconds"),
        "date": None if date is None else date.isoformat(),
        "seed": seed,
        **(log or Log()).contents(),
        **asdict(this_environment()),
        "inputs": [asdict(file) for file in files if _is_input(file.file)],
        "outputs": [asdict(file) for file in files if not _is_input(file.file)],
    }
    path.write_text(json.dumps(content, indent=1) + "\n", encoding="utf-8", newline="\n")
    return path


def _is_input(name: str) -> bool:
    return name.startswith(f"{DATA}/")


def read_manifest(folder: Path) -> Manifest:
    """Read the manifest of a finished report.

    Parameters
    ----------
    folder : Path
        The report folder, wherever it was moved.

    Returns
    -------
    Manifest

    Raises
    ------
    UsageError
        When there is none, or it is not one that this package writes: each entry is checked,
        and no name in it leads out of the folder.
    """
    content = read_json(folder, MANIFEST, megabytes=_MEGABYTES)
    if not isinstance(content, dict) or content.get("written_by") != WRITER:
        raise _wrong(folder, f"a file that {WRITER} did not write")
    read = _Reader(folder, content)
    environment = Environment(
        **{key: read.text(key) for key in ("python", "implementation", "platform", "libc")},
        program=read.text("program"),
        instructions=read.texts("instructions"),
        linear_algebra=read.texts("linear_algebra"),
        packages=read.versions("packages"),
    )
    return Manifest(
        command=read.text("command"),
        time=read.text("time"),
        date=read.day("date"),
        seed=read.whole("seed"),
        log=log_of(content, folder / MANIFEST),
        environment=environment,
        inputs=read.files("inputs", inside=True),
        outputs=read.files("outputs", inside=False),
    )


@dataclass(frozen=True)
class _Reader:
    """Entries of a manifest, each of the kind it must be."""

    folder: Path
    content: Mapping[str, Any]

    def _of(self, key: str, *kinds: type) -> Any:
        value = self.content.get(key)
        if type(value) not in kinds:
            have = "no entry" if key not in self.content else f"{type(value).__name__} under"
            raise self.wrong(f"{have} {key!r}")
        return value

    def wrong(self, what: str) -> UsageError:
        """Say what is wrong, and first which version wrote it."""
        packages = self.content.get("packages")
        version = packages.get(WRITER) if isinstance(packages, dict) else None
        by = f", written by {WRITER} {version}" if isinstance(version, str) else ""
        return _wrong(self.folder, f"{what}{by}")

    def text(self, key: str) -> str:
        """Return the text under a key."""
        return str(self._of(key, str))

    def whole(self, key: str) -> int:
        """Return the whole number under a key."""
        return int(self._of(key, int))

    def texts(self, key: str) -> tuple[str, ...]:
        """Return the list of texts under a key."""
        values = self._of(key, list)
        if not all(isinstance(value, str) for value in values):
            raise self.wrong(f"no list of texts under {key!r}")
        return tuple(values)

    def versions(self, key: str) -> dict[str, str | None]:
        """Return names of packages and their versions; None for one that was not there."""
        values: dict[str, str | None] = self._of(key, dict)
        if not all(value is None or isinstance(value, str) for value in values.values()):
            raise self.wrong(f"no versions under {key!r}")
        return values

    def day(self, key: str) -> dt.date | None:
        """Return the date under a key; None where none was shown."""
        if key in self.content and self.content[key] is None:
            return None
        try:
            return dt.date.fromisoformat(self.text(key))
        except ValueError:
            raise self.wrong(f"no date under {key!r}") from None

    def files(self, key: str, *, inside: bool) -> tuple[FileHash, ...]:
        """Return the files under a key; `inside` tells whether they lie in the input's copy."""
        return tuple(self._file(entry, key, inside) for entry in self._of(key, list))

    def _file(self, entry: object, key: str, inside: bool) -> FileHash:
        match entry:
            case {"file": str(name), "sha256": str(sha256), "bytes": int(size)}:
                if not safe_name(name) or _is_input(name) != inside or name == MANIFEST:
                    raise self.wrong(f"the name {name!r} under {key!r}")
                return FileHash(name, sha256, size)
        raise self.wrong(f"an entry without file, hash and size under {key!r}")


def _wrong(folder: Path, what: str) -> UsageError:
    return UsageError(
        found=f"{what} in {folder / MANIFEST}",
        expected="a manifest as silagetrial writes it, which names files of its own folder only",
        remedy="give the folder of a finished report, with all its files as they were written; a "
        "report of an earlier version is read by that version",
    )
