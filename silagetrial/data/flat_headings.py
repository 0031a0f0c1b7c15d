"""What trial.toml says under ``[flat]``: for each heading of the flat table, where its cells go."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from silagetrial.data.files import RawTable
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.schema import TABLES
from silagetrial.data.settings import Flat
from silagetrial.errors import Problem

__all__ = ["PARTS", "heading_of", "is_target", "split_target", "target_problems"]

PARTS: Final[Mapping[str, tuple[str, ...]]] = {
    "bales": ("bales",),
    "day0": ("samples",),
    "wrapping": ("weighings",),
    "opening": ("samples", "weighings"),
}
"""First word of a target to the tables whose columns may follow it."""


def split_target(target: str) -> tuple[str, str]:
    """Return the part and the column of a target such as ``opening.dm``."""
    part, _, column = target.partition(".")
    return part, column


def is_target(target: str) -> bool:
    """Tell whether there is such a part, with such a column."""
    part, column = split_target(target)
    return any(column == known.name for table in PARTS.get(part, ()) for known in TABLES[table])


def target_problems(raw: RawTable, flat: Flat) -> Iterator[Problem]:
    """Yield what is wrong with the names under [flat]."""
    possible = [
        f"{part}.{column.name}"
        for part, tables in PARTS.items()
        for table in tables
        for column in TABLES[table]
    ]
    named = [target for names in flat.columns.values() for target in names]
    for target in [*named, *flat.same]:
        if not is_target(target):
            yield _of_settings(
                f"{target!r}",
                f"one of {', '.join(PARTS)}, a point, and a column, as in opening.dm",
                did_you_mean(target, possible, otherwise="see silagetrial columns"),
            )
    for target in dict.fromkeys(target for target in named if named.count(target) > 1):
        yield _of_settings(f"{target!r} twice", "each column once", "remove one of the two")
    for heading in flat.columns:
        if heading not in raw.heading:
            yield _of_settings(
                f"{heading!r}, which is no heading of {raw.file}",
                f"headings among {', '.join(raw.heading)}",
                did_you_mean(heading, raw.heading, otherwise="write it as it stands in the file"),
            )
    if "bales.bale" not in named:
        yield _of_settings(
            "no heading for bales.bale",
            "the heading under which the name of the bale stands",
            'add it, as in "Bale" = "bales.bale"',
        )
    unread = [name for name in raw.heading if name and name not in flat.columns]
    if unread:
        yield Problem(
            "warning",
            raw.file,
            1,
            None,
            f"headings that [flat] does not name: {', '.join(unread)}",
            "a column of the trial for each heading",
            "name them under [flat.columns] of trial.toml, or leave it: they are not read",
        )


def _of_settings(found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", SETTINGS_FILE, None, "flat.columns", found, expected, remedy)


def heading_of(flat: Flat, part: str, column: str) -> str:
    """Return the heading whose cells go to a column; the column where there is none."""
    target = f"{part}.{column}"
    return next((heading for heading, names in flat.columns.items() if target in names), target)
