"""What was typed into an earlier workbook and stored beside it, carried to a new layout.

When baling stops early the rest is planned again; what the field has typed by then is not typed a
second time, and reports, photographs and other files go along.
"""

from __future__ import annotations

import shutil
import zipfile
from collections.abc import Collection, Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from openpyxl import load_workbook
from openpyxl.utils.exceptions import InvalidFileException

from silagetrial.display.place import as_written
from silagetrial.errors import UsageError
from silagetrial.planning.field_columns import SHEETS

__all__ = ["carry", "carry_files"]

_SAME: Final = {
    "bales": ("bale",),
    "weighings": ("bales", "planned_opening", "repeat"),
    "samples": ("sample",),
    "events": ("bale", "what", "note"),
    "scales": ("scale", "note"),
}
"""Columns by which a row of the earlier workbook is found again."""

_DRAWN_ANEW: Final = {"weighings": ("weighing",), "samples": ("laboratory", "batch")}
"""Columns in which the new layout holds."""

_TYPED: Final = {
    "bales": ("baled_at", "film_wrapped_at"),
    "weighings": ("weighed_at", "gross"),
    "samples": ("taken_on", "binding_seen"),
    "events": ("at",),
    "scales": ("check_reading",),
}
"""Columns that tell a row in which something was done from one that is only planned."""

_PLANNED_ONLY: Final = ("bales", "samples")
"""Tables of which every row is in the layout."""


def carry(earlier: Path, new: Path) -> None:
    """Type into a new workbook what stands in an earlier one.

    Parameters
    ----------
    earlier : pathlib.Path
        Workbook of the earlier folder; it stays as it is.
    new : pathlib.Path
        Workbook of the new layout.

    Raises
    ------
    UsageError
        When the earlier workbook cannot be read, or when something was done with a bale or a
        sample that the new layout has not.
    """
    source, target = _open(earlier), load_workbook(new)
    for table in SHEETS:
        if table in source.sheetnames:
            _carry_sheet(source[table], target[table], table)
    target.save(new)


def carry_files(earlier: Path, new: Path, *, own: Collection[str]) -> None:
    """Copy, byte by byte, the files that somebody stored in an earlier folder.

    A folder in it that this program wrote and nobody changed, such as a report, is left out.

    Parameters
    ----------
    earlier : pathlib.Path
        It stays as it is.
    new : pathlib.Path
        The folder of the new layout, with all that it writes itself; nothing there is replaced.
    own : collection of str
        Names of a planned folder, which are made anew.

    Raises
    ------
    UsageError
        When a link leads out of the earlier folder.
    """
    home = earlier.resolve()
    there = sorted(earlier.rglob("*"))
    written = {path for path in there if path.is_dir() and as_written(path)}
    for source in there:
        if not written.isdisjoint(source.parents):
            continue
        name = source.relative_to(earlier)
        made_by_programs = any(part.startswith((".", "~$")) for part in name.parts)
        if not source.is_file() or made_by_programs or str(name) in own or (new / name).exists():
            continue
        if not source.resolve().is_relative_to(home):
            raise UsageError(
                found=f"{source}, a link that leads out of the folder",
                expected="files that lie in the earlier folder",
                remedy="copy the file into the folder in place of the link, or remove it",
            )
        (new / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(source, new / name)


def _open(path: Path) -> Any:
    try:
        return load_workbook(path, data_only=True)
    except (OSError, InvalidFileException, zipfile.BadZipFile, KeyError) as error:
        raise UsageError(
            found=f"{path} cannot be read: {error}",
            expected="the field workbook of an earlier plan",
            remedy="give the folder into whose workbook the data were typed",
        ) from error


def _carry_sheet(source: Any, target: Any, table: str) -> None:
    names = [cell.value for cell in target[1]]
    where = {_key(row, table): at for at, row in _rows(target, names)}
    free = (at for at, row in _rows(target, names) if all(value is None for value in row.values()))
    for _, row in _rows(source, [cell.value for cell in source[1]]):
        at = where.get(_key(row, table)) if any(v is not None for v in row.values()) else None
        done = any(row.get(name) is not None for name in _TYPED[table])
        if at is None and done:
            if table in _PLANNED_ONLY:
                raise _not_planned(table, str(row[_SAME[table][0]]))
            at = next(free, target.max_row + 1)
        if at is not None:
            _type(target, at, names, row, _DRAWN_ANEW.get(table, ()))


def _type(
    target: Any, at: int, names: Sequence[str], row: dict[str, Any], kept: Sequence[str]
) -> None:
    for name, value in row.items():
        if value is None or name not in names:
            continue
        cell = target.cell(at, names.index(name) + 1)
        if name not in kept or cell.value is None:
            cell.value = value
            if isinstance(value, str):
                cell.data_type = "s"  # never a formula


def _rows(sheet: Any, names: Sequence[str]) -> Iterator[tuple[int, dict[str, Any]]]:
    for at, values in enumerate(sheet.iter_rows(min_row=2, values_only=True), start=2):
        yield at, dict(zip(names, values, strict=False))


def _key(row: dict[str, Any], table: str) -> tuple[str, ...]:
    return tuple(str(row.get(name)) for name in _SAME[table])


def _not_planned(table: str, name: str) -> UsageError:
    return UsageError(
        found=f"{table[:-1]} {name} of the earlier workbook has data and is not in the new layout",
        expected="a layout with every bale that was made",
        remedy="count the pairs made again; a bale without its partner stays in the earlier folder",
    )
