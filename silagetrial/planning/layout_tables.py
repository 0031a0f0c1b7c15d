"""From what was drawn to the tables of a trial, filled where planned and blank elsewhere."""

from __future__ import annotations

import datetime as dt
import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.data.schema import SPARE, TABLES
from silagetrial.data.settings import Opening
from silagetrial.display.phrases import block_word
from silagetrial.display.table import Table
from silagetrial.planning.allocate import PlannedBale, PlannedPair
from silagetrial.planning.laboratory_draw import PlannedSample
from silagetrial.planning.plan import Plan, SitePlan
from silagetrial.planning.randomise import permuted

__all__ = [
    "OpeningList",
    "bale_table",
    "calendar_table",
    "event_table",
    "inspection_days",
    "key_table",
    "opening_lists",
    "sample_table",
    "scale_table",
    "weighing_table",
]

Row: TypeAlias = dict[str, Any]

_REPEATS = 3
"""Weighings of one bale, driven off the scale in between: they give the scale's own SD."""

_FIRST_INSPECTION = 14.0
"""Days; film damaged in wrapping and stacking has shown by then (common practice)."""


@dataclass(frozen=True)
class OpeningList:
    """The bales of one site and opening in the order in which they are opened."""

    site: SitePlan
    opening: Opening
    bales: tuple[PlannedBale, ...]


def _table(name: str, rows: Sequence[Row], *, further: Sequence[str] = ()) -> pd.DataFrame:
    columns = [column.name for column in TABLES[name]]
    columns += [column for column in further if column not in columns]
    frame = pd.DataFrame(
        [[row.get(column) for column in columns] for row in rows], columns=columns, dtype=object
    )
    return frame.where(frame.notna(), None)


def bale_table(plan: Plan, pairs: Sequence[PlannedPair]) -> pd.DataFrame:
    """Return the bales in the order of baling; what is held equal is filled in where it fits."""
    known = {column.name: column.kind for column in TABLES["bales"]}
    equal = {key: value for key, value in plan.settings.held_equal.items() if key in known}
    equal.pop("note", None)
    factors, block = [factor.column for factor in plan.factors], block_word(plan.settings.compare)
    rows = []
    for pair in pairs:
        levels = {
            name: float(level) if known.get(name) in ("number", "count") else level
            for name, level in zip(factors, pair.levels, strict=True)
        }
        for bale in pair.bales:
            rows.append(
                {
                    **equal,
                    **levels,
                    "bale": bale.bale,
                    "pair": pair.pair,
                    "lot": pair.lot,
                    "site": pair.site.name,
                    "field": pair.field,
                    "cut": pair.site.cut or None,
                    "run": bale.run,
                    "order": bale.order,
                    "binding": bale.binding,
                    "store": pair.store,
                    "tier": pair.tier,
                    "planned_opening": SPARE
                    if pair.spare and plan.settings.design == "separate"
                    else pair.opening,
                    "note": f"spare {block}" if pair.spare else None,
                }
            )
    rows.sort(key=lambda row: str(row["bale"]))
    return _table("bales", rows, further=factors)


def sample_table(plan: Plan, samples: Sequence[PlannedSample]) -> pd.DataFrame:
    """Return the samples by code: nothing here tells the bale, the pair, the order or the role."""
    rows = [
        {"sample": s.sample, "laboratory": plan.laboratory.name, "batch": s.batch} for s in samples
    ]
    return _table("samples", sorted(rows, key=lambda row: (row["batch"] or "~", row["sample"])))


def key_table(samples: Sequence[PlannedSample]) -> pd.DataFrame:
    """Return the blind key, in the order in which samples are taken."""
    return _table("blind_key", [vars(sample) for sample in samples])


def opening_lists(
    plan: Plan, pairs: Sequence[PlannedPair], rng: np.random.Generator
) -> tuple[OpeningList, ...]:
    """Draw the order of every opening day: pairs in random order, bales of a pair likewise.

    Both bales of a pair follow each other, so that they meet the same weather, scale and crew.
    """
    recored = plan.settings.design == "recored"
    found = []
    for site in plan.sites:
        for opening in plan.settings.openings:
            here = [
                pair
                for pair in pairs
                if pair.site is site and (recored or pair.opening == opening.name)
            ]
            drawn = [
                bale
                for k in rng.permutation(len(here))
                for bale in permuted(rng, here[int(k)].bales)
            ]
            found.append(OpeningList(site, opening, tuple(drawn)))
    return tuple(found)


def calendar_table(lists: Sequence[OpeningList], *, block: str) -> Table:
    """Return site, opening, date, window and bales of every opening day, by date."""
    rows = [
        {
            "site": item.site.label,
            "opening": item.opening.name,
            "date": _date(item.site, item.opening.days),
            "window": _window(item.site, item.opening),
            "bales": " ".join(bale.bale for bale in item.bales),
        }
        for item in lists
        if item.bales
    ]
    frame = pd.DataFrame(rows, columns=["site", "opening", "date", "window", "bales"])
    order = sorted(range(len(rows)), key=lambda n: (str(rows[n]["date"]), n))
    return Table(
        frame.iloc[order].reset_index(drop=True),
        title="Opening days",
        notes=(f"Bales stand in the order drawn: open them in this order, {block}s together.",),
    )


def _date(site: SitePlan, days: float) -> dt.date | None:
    return None if site.baling is None else site.baling + dt.timedelta(days=round(days))


def _window(site: SitePlan, opening: Opening) -> str:
    low, high = opening.window
    first, last = _date(site, math.ceil(low)), _date(site, math.floor(high))
    if first is None or last is None:
        return f"day {opening.window[0]:g} to {opening.window[1]:g}"
    return f"{first.isoformat()} to {last.isoformat()}"


def weighing_table(
    plan: Plan,
    pairs: Sequence[PlannedPair],
    lists: Sequence[OpeningList],
    rng: np.random.Generator,
) -> pd.DataFrame:
    """Return the weighings to come: each bale at film wrapping and when it is opened or cored.

    On each site one bale of the first pairs, drawn, is weighed three times.
    """
    rows: list[Row] = []
    for number, site in enumerate(plan.sites, start=1):
        scale = f"S{number}"
        mine = [pair for pair in pairs if pair.site is site]
        bales = sorted((b for pair in mine for b in pair.bales), key=lambda b: b.order)
        first = [b.bale for pair in mine[: len(plan.settings.openings)] for b in pair.bales]
        chosen = first[int(rng.integers(len(first)))] if first else None
        for bale in bales:
            repeats = range(1, _REPEATS + 1) if bale.bale == chosen else (None,)
            rows += [
                {"bales": bale.bale, "scale": scale, "flags": "film_on", "repeat": repeat}
                for repeat in repeats
            ]
        rows += [
            {
                "bales": bale.bale,
                "scale": scale,
                "flags": "film_on",
                "planned_opening": item.opening.name,
            }
            for item in lists
            if item.site is site
            for bale in item.bales
        ]
    width = max(2, len(str(len(rows))))
    return _table(
        "weighings", [{"weighing": f"W{n:0{width}d}", **row} for n, row in enumerate(rows, 1)]
    )


def inspection_days(plan: Plan) -> tuple[float, ...]:
    """Return the days of the inspection rounds: the plan's, or two weeks and halfway points."""
    if plan.inspections:
        return tuple(sorted(plan.inspections))
    days = [0.0, *(opening.days for opening in plan.settings.openings)]
    halfway = [(a + b) / 2 for a, b in itertools.pairwise(days)]
    return tuple(sorted({_FIRST_INSPECTION, *(round(d) for d in halfway if d > 21)}))


def event_table(plan: Plan, pairs: Sequence[PlannedPair]) -> pd.DataFrame:
    """Return the inspection rounds to come, for the bales then in store."""
    last = max((opening.days for opening in plan.settings.openings), default=0.0)
    rows = []
    for site in plan.sites:
        for days in inspection_days(plan):
            date = _date(site, days)
            when = f"day {days:g}" if date is None else date.isoformat()
            for pair in (pair for pair in pairs if pair.site is site):
                opening = None if pair.opening is None else plan.settings.opening(pair.opening)
                if days < (last if opening is None else opening.days):
                    rows += [
                        {"bale": b.bale, "what": "inspected", "note": f"planned for {when}"}
                        for b in pair.bales
                    ]
    return _table("events", rows)


def scale_table(plan: Plan, lists: Sequence[OpeningList]) -> pd.DataFrame:
    """Return the checks of each site's scale with a known mass: on baling day, at each opening."""
    rows = []
    for number, site in enumerate(plan.sites, start=1):
        days = [("baling", 0.0)]
        days += [(i.opening.name, i.opening.days) for i in lists if i.site is site and i.bales]
        for name, day in days:
            date = _date(site, day)
            when = "" if date is None else f", {date.isoformat()}"
            note = f"{site.label}: before weighing at {name}{when}"
            rows.append({"scale": f"S{number}", "note": note})
    return _table("scales", rows)
