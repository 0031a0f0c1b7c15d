"""What came of running a finished report again: what differs, and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Final

from silagetrial.display.phrases import count
from silagetrial.errors import NotReproduced
from silagetrial.report.compared import RELATIVE, Absent, Difference
from silagetrial.report.contents import DATA, RESULTS
from silagetrial.report.environment import Change
from silagetrial.report.kept_files import FileState, quoted
from silagetrial.report.manifest import Manifest

__all__ = ["Reproduction"]

_LISTED: Final = 20
"""How many differences the account lists before it only counts."""
_NO_REASON: Final = "no reason found: please report it, with manifest.json and the values above"


@dataclass(frozen=True, repr=False)
class Reproduction:
    """A finished report beside the same report made again.

    Parameters
    ----------
    folder : Path
        The finished report.
    manifest : Manifest
        What it says it was made of.
    version : str
        The version of this package that made it again.
    files : tuple of FileState
        Files that are not as they were written; new ones count in ``data/`` only.
    beside : tuple of FileState
        New files elsewhere, which change nothing.
    environment : tuple of Change
        What differs here from where it was made. Nothing: numbers must be equal to the last digit.
    seed : int or None
        The seed used now; None where it could not be run.
    values : int
        How many values ``results.json`` has.
    differences : tuple of Difference
        Those that came out otherwise.
    pages : tuple of str
        Other files that came out otherwise though the environment is the same.
    stopped : str
        Why it could not be run again; empty where it could.
    """

    folder: Path
    manifest: Manifest
    version: str
    files: tuple[FileState, ...]
    beside: tuple[FileState, ...]
    environment: tuple[Change, ...]
    seed: int | None
    values: int
    differences: tuple[Difference, ...]
    pages: tuple[str, ...]
    stopped: str

    @property
    def exact(self) -> bool:
        """Whether values had to be equal to the last digit."""
        return not self.environment

    @property
    def reproduced(self) -> bool:
        """Whether the folder is as it was written and gives the same again."""
        return not (self.differences or self.pages or self.files or self.stopped) and (
            self.seed == self.manifest.seed
        )

    @property
    def reasons(self) -> tuple[str, ...]:
        """Why it was not reproduced, the nearest reason first; nothing where it was."""
        return () if self.reproduced else tuple(self._reasons()) or (_NO_REASON,)

    def _reasons(self) -> Iterator[str]:
        edited = [state for state in self.files if not state.file.startswith(f"{DATA}/")]
        inputs = [state for state in self.files if state.file.startswith(f"{DATA}/")]
        if edited:
            yield f"the report was changed: {_names(edited)}"
        if inputs:
            yield f"the input was changed: {_names(inputs)}"
        if self.seed not in (None, self.manifest.seed):
            yield f"the seed is {self.seed}, and manifest.json says {self.manifest.seed}"
        if any(state.file == RESULTS for state in edited) or not (self.differences or self.stopped):
            return
        if self.version != self.manifest.version:
            yield f"silagetrial {self.manifest.version} made it, this is {self.version}"
        others = [change.what for change in self.environment if change.what != "silagetrial"]
        if others:
            yield f"made elsewhere, or with other versions: {', '.join(others)}"

    def require(self) -> None:
        """Raise where the report was not reproduced.

        Raises
        ------
        NotReproduced
        """
        if not self.reproduced:
            raise NotReproduced(
                found=f"{self.folder} is not reproduced: {self._headline()}",
                expected="files as they were written, and the same values from their data",
                remedy=f"see why: {'; '.join(self.reasons)}",
            )

    def __repr__(self) -> str:
        """Return the account, for a terminal."""
        return "\n".join(self._account())

    def _headline(self) -> str:
        """Say in one sentence what came of it."""
        if self.stopped:
            return f"it could not be run again: {self.stopped}"
        rule = "to the last digit" if self.exact else f"to a share of {RELATIVE:g}"
        if self.differences:
            return f"{len(self.differences)} of {count(self.values, 'value')} of {RESULTS} differ"
        if self.pages:
            return f"other files came out otherwise: {', '.join(map(quoted, self.pages))}"
        same = f"all {count(self.values, 'value')} of {RESULTS} are the same {rule}"
        return same if self.reproduced else f"{same}, but the folder is not as it was written"

    def _account(self) -> Iterator[str]:
        if self.version != self.manifest.version:
            yield (
                f"Made by silagetrial {quoted(self.manifest.version)}, run again by {self.version}."
            )
        yield f"{'Reproduced' if self.reproduced else 'Not reproduced'}: {self._headline()}."
        listed = len(self.manifest.inputs) + len(self.manifest.outputs)
        yield from _several(
            "Files", self.files, f"all {listed} as they were written on {self.manifest.time[:10]}"
        )
        if self.beside:
            yield from _several("Beside them, not of the report", self.beside, "")
        yield from _several(
            "Environment", [_said(change) for change in self.environment], "the same"
        )
        seed = "not known, as it was not run" if self.seed is None else str(self.seed)
        same = self.seed in (None, self.manifest.seed)
        yield f"Seed: {seed if same else f'{seed}, not {self.manifest.seed} as recorded'}."
        if self.differences:
            yield from _several(f"Values of {RESULTS}", self.differences, "")
        yield from (f"Why: {reason}." for reason in self.reasons)

    def to_json(self) -> dict[str, object]:
        """Return everything, for another program; values as `record.plain` takes them."""
        return {
            "reproduced": self.reproduced,
            "folder": str(self.folder),
            "made_by": self.manifest.version,
            "run_by": self.version,
            "time": self.manifest.time,
            "exact": self.exact,
            "files": [asdict(state) for state in self.files],
            "beside": [asdict(state) for state in self.beside],
            "environment": [asdict(change) for change in self.environment],
            "seed": {"recorded": self.manifest.seed, "used": self.seed},
            "values": self.values,
            "differences": [
                {
                    "path": item.path,
                    **{
                        name: value
                        for name, value in (("kept", item.kept), ("again", item.again))
                        if not isinstance(value, Absent)
                    },
                    "relative": item.relative,
                }
                for item in self.differences
            ],
            "pages": self.pages,
            "stopped": self.stopped or None,
            "reasons": self.reasons,
        }


def _names(states: list[FileState]) -> str:
    return "; ".join(map(str, states[:_LISTED])) + ("; ..." if len(states) > _LISTED else "")


def _said(change: Change) -> str:
    return f"{quoted(change.what)}: {quoted(change.recorded)} then, {quoted(change.here)} here"


def _several(what: str, items: Sequence[object], none: str) -> Iterator[str]:
    """A heading with its items below it, the first of them; or that there are none."""
    lines = [str(item) for item in items]
    if not lines:
        yield f"{what}: {none}."
        return
    yield f"{what}:"
    yield from (f"  {line}" for line in lines[:_LISTED])
    if len(lines) > _LISTED:
        yield f"  ... and {len(lines) - _LISTED} more"
