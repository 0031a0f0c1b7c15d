"""Finished chunks on disk, so that a simulation that was interrupted goes on where it was."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import scipy

from silagetrial import __version__
from silagetrial.errors import UsageError
from silagetrial.mixed.simulate import CHUNK
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.tally import Tally

__all__ = ["Checkpoint"]

HEADING = '{"finished chunks of a simulation": 1}'
"""First line; its number is raised when a chunk would give other digits than before."""
FIELDS = 6
"""Entries of a line."""


@dataclass(frozen=True)
class Checkpoint:
    """A file of lines, one a finished chunk; digits are kept in full.

    Parameters
    ----------
    path : pathlib.Path
        Made when it is not there; lines are only ever added.
    """

    path: Path

    def found(self, scenarios: Sequence[Scenario], seed: int) -> dict[tuple[int, int], Tally]:
        """Return the chunks that are there already, by scenario and chunk.

        Raises
        ------
        UsageError
            The file holds something else.
        """
        heading, *lines = self._lines()
        if heading != HEADING:
            raise UsageError(
                found=f"{self.path}, which is no checkpoint of this version",
                expected=f"a first line {HEADING}",
                remedy="give another file name, or remove the file",
            )
        keys = {_key(s, i, seed): i for i, s in enumerate(scenarios)}
        chunks: dict[tuple[int, int], Tally] = {}
        for line in lines:
            entry = _entry(line)
            if entry.get("scenario") in keys:
                tally = Tally(
                    entry["trials"],
                    np.array(entry["sums"]),
                    np.array(entry["states"]),
                    tuple((int(a), int(c), int(t)) for a, c, t in entry["failures"]),
                )
                chunks[keys[entry["scenario"]], entry["chunk"]] = tally
        return chunks

    def _lines(self) -> list[str]:
        try:
            if not self.path.exists():
                self.path.write_text(HEADING + "\n", encoding="utf-8")
            return self.path.read_text(encoding="utf-8", errors="replace").split("\n")
        except OSError as error:
            raise UsageError(
                found=f"the checkpoint {self.path}: {error.strerror}",
                expected="a file that can be written, in a folder that is there",
                remedy="give another file name, or make the folder",
            ) from error

    def add(
        self, scenario: Scenario, number: int, seed: int, first: int, tallies: Sequence[Tally]
    ) -> None:
        """Write finished chunks ``first, first + 1, ...`` of the scenario of this number."""
        key = _key(scenario, number, seed)
        lines = [
            json.dumps(
                {
                    "scenario": key,
                    "chunk": chunk,
                    "trials": tally.trials,
                    "sums": tally.sums.tolist(),
                    "states": tally.states.tolist(),
                    "failures": tally.failures,
                }
            )
            for chunk, tally in enumerate(tallies, start=first)
        ]
        # A line end comes first, so that a line cut off by a kill spoils no other one.
        with self.path.open("a", encoding="utf-8") as file:
            file.write("".join(f"\n{line}" for line in lines))


def _entry(line: str) -> dict[str, Any]:
    """Read one line; a line that was cut off by a kill holds nothing."""
    try:
        entry = json.loads(line)
    except ValueError:
        return {}
    return entry if isinstance(entry, dict) and len(entry) == FIELDS else {}


def _key(scenario: Scenario, number: int, seed: int) -> str:
    """Tell scenarios apart: everything a chunk's digits depend on."""
    made_by = f"{__version__} {np.__version__} {scipy.__version__} {CHUNK}"
    text = f"{made_by} {seed} {number} {scenario.alpha!r} {scenario.truth!r} {scenario.analyses!r}"
    digest = hashlib.sha256(f"{text} {scenario.book.key}".encode())
    for name in vars(scenario.grid):
        digest.update(np.asarray(getattr(scenario.grid, name)).tobytes())
    return digest.hexdigest()
