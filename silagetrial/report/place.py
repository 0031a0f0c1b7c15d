"""Where a report goes: in its place at once when it is whole, and never over other work."""

from __future__ import annotations

from collections.abc import Collection
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final

from silagetrial.display import place
from silagetrial.report.contents import MANIFEST, NAMES

__all__ = ["check_place", "report_place"]

_REPORT: Final = place.Work("report", MANIFEST, NAMES)


def check_place(out: Path, *, force: bool = False, inputs: Collection[Path] = ()) -> None:
    """Refuse a place where writing a report would lose something; see `display.place`."""
    place.check_place(out, _REPORT, force=force, inputs=inputs)


def report_place(
    out: Path, *, force: bool = False, inputs: Collection[Path] = ()
) -> AbstractContextManager[Path]:
    """Give a working folder whose files become those of `out` when the block ends well."""
    return place.place(out, _REPORT, force=force, inputs=inputs)
