"""A season in the field and in the laboratory, invented: fills a planned workbook as people do.

Numbers follow sizes of the trade (bales of 600 kg, crop of 350 g DM/kg, losses of a few per cent,
butyric acid right-skewed) and mean nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl

from silagetrial.planning.layout import Layout

__all__ = ["fill", "rows_of", "typed"]

Row = dict[str, Any]


def rows_of(sheet: Any) -> list[Row]:
    """Return the rows of a sheet as dictionaries, those that are blank left out."""
    names = [cell.value for cell in sheet[1]]
    rows = [
        dict(zip(names, values, strict=True))
        for values in sheet.iter_rows(min_row=2, values_only=True)
    ]
    return [row for row in rows if any(value is not None for value in row.values())]


def typed(path: Path, table: str, change: Callable[[Row], Row]) -> None:
    """Type into the sheet of a table: `change` returns what is new in a row."""
    book = openpyxl.load_workbook(path)
    _type(book[table], change)
    book.save(path)


def _type(sheet: Any, change: Callable[[Row], Row]) -> None:
    names = [cell.value for cell in sheet[1]]
    for row in range(2, sheet.max_row + 1):
        found = {name: sheet.cell(row, j).value for j, name in enumerate(names, start=1)}
        if any(value is not None for value in found.values()):
            for name, value in change(found).items():
                sheet.cell(row, names.index(name) + 1).value = value


def fill(folder: Path, layout: Layout, *, seed: int = 1) -> None:
    """Fill the workbook of a planned folder with a whole season.

    Spare pairs are made, weighed and stored, and never opened.
    """
    rng = np.random.default_rng(seed)
    season = _Season(layout, rng)
    book = openpyxl.load_workbook(folder / "field.xlsx")
    for table in ("bales", "weighings", "samples", "events", "scales"):
        _type(book[table], _shown_only(getattr(season, table)))
    book.save(folder / "field.xlsx")


def _shown_only(change: Callable[[Row], Row]) -> Callable[[Row], Row]:
    """Type into the columns that are there: analyses not ordered have none."""
    return lambda row: {name: value for name, value in change(row).items() if name in row}


class _Season:
    """Invented values of every bale, and what is typed into each sheet."""

    def __init__(self, layout: Layout, rng: np.random.Generator) -> None:
        self.rng = rng
        self.baling = {site.name: site.baling for site in layout.plan.sites}
        self.days = {o.name: o.days for o in layout.plan.settings.openings}
        self.key = {row["sample"]: row for row in layout.key.to_dict("records")}
        self.bale = {row["bale"]: row for row in layout.bales.to_dict("records")}
        self.site_of = {row["pair"]: row["site"] for row in self.bale.values()}
        pairs = sorted({row["pair"] for row in self.bale.values()})
        self.crop = {pair: 350 + rng.normal(0, 12) for pair in pairs}
        self.swath = {pair: rng.normal(0, 0.3) for pair in pairs}
        second = layout.plan.settings.compare[1]
        self.log_acid = {
            name: 1.1 + self.swath[row["pair"]] + rng.normal(0, 0.35)
            - 0.5 * (row["binding"] == second)
            for name, row in self.bale.items()
        }  # fmt: skip
        self.mass = {name: 600 + rng.normal(0, 16) for name in self.bale}

    def wrapped(self, bale: str) -> dt.datetime:
        row = self.bale[bale]
        start = dt.datetime.combine(self.baling[row["site"]], dt.time(10, 0))
        return start + dt.timedelta(minutes=4 * int(row["order"]) + 45)

    def opened(self, bale: str, opening: str) -> dt.datetime:
        return self.wrapped(bale) + dt.timedelta(days=self.days[opening])

    def bales(self, row: Row) -> Row:
        wrapped = self.wrapped(row["bale"])
        return {
            "baled_at": wrapped - dt.timedelta(minutes=45),
            "film_wrapped_at": wrapped,
            "roll": f"roll {1 + int(row['order']) // 12}",
            "breaks": 0,
            "binding_kg": 0.4,
            "film_kg": 1.1,
        }

    def weighings(self, row: Row) -> Row:
        bale, opening = row["bales"], row["planned_opening"]
        lost = 0.0 if opening is None else 6.0
        at = self.wrapped(bale) if opening is None else self.opened(bale, opening)
        return {
            "weighed_at": at + dt.timedelta(hours=1),
            "gross": round(2 * (self.mass[bale] + 75 - lost + self.rng.normal(0, 1))) / 2,
            "tare": 75,
            "flags": "film_on",
        }

    def samples(self, row: Row) -> Row:
        key = self.key[row["sample"]]
        if key["batch"] is None:
            return {}
        if key["role"] == "reference":
            return {"taken_on": dt.datetime(2027, 5, 1), **self._silage(0.9, 345.0)}
        if key["kind"] == "day0":
            site = self.site_of[key["of"]]
            crop = round(self.crop[key["of"]] + self.rng.normal(0, 4))
            return {"taken_on": self.baling[site], "dm": crop, "dm_basis": "oven"}
        bale, days = key["of"], self.days[key["opening"]]
        growth = np.log1p(days) / np.log1p(max(self.days.values()))
        dm = 0.955 * self.crop[self.bale[bale]["pair"]]
        return {
            "taken_on": self.opened(bale, key["opening"]),
            "binding_seen": self.bale[bale]["binding"],
            **self._silage(self.log_acid[bale] * growth, dm),
        }

    def _silage(self, log_acid: float, dm: float) -> Row:
        rng = self.rng
        return {
            "dm": round(dm + rng.normal(0, 4)),
            "dm_basis": "oven",
            "pH": round(4.5 + 0.1 * rng.normal(), 2),
            "lactic_acid": round(55 + 6 * rng.normal(), 1),
            "acetic_acid": round(14 + 2 * rng.normal(), 1),
            "butyric_acid": round(float(np.exp(log_acid + rng.normal(0, 0.2))), 2),
            "wsc": round(40 + 5 * rng.normal(), 1),
            "ammonia_n": round(9 + rng.normal(), 1),
        }

    def events(self, row: Row) -> Row:
        day = row["note"].removeprefix("planned for ")
        return {"at": dt.datetime.fromisoformat(day) + dt.timedelta(hours=9)}

    def scales(self, row: Row) -> Row:
        at = dt.datetime.fromisoformat(row["note"].split(", ")[-1])
        at += dt.timedelta(hours=8)
        shown = {"checked_at": at, "check_mass": 500, "check_reading": 500.5}
        return {"kind": "platform", "step": 0.5, **shown}
