"""The days of a trial as lists of work: which bale is opened when, under which code."""

from __future__ import annotations

import datetime as dt

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.planning.layout import Layout

__all__ = ["codes_of", "opening_days", "shown_date"]


def codes_of(layout: Layout) -> dict[tuple[str, str | None], tuple[str, ...]]:
    """Return the codes of every sample by what it is of and its opening (None: crop at baling).

    A blind duplicate stands beside the sample it is a part of: whoever fills the bags needs both.
    """
    found: dict[tuple[str, str | None], tuple[str, ...]] = {}
    for row in layout.key.to_dict("records"):
        if is_given(row["of"]):
            at = str(row["opening"]) if is_given(row["opening"]) else None
            here = (str(row["of"]), at)
            found[here] = (*found.get(here, ()), str(row["sample"]))
    return found


def opening_days(layout: Layout) -> pd.DataFrame:
    """Return one row a bale and opening, in the order in which bales are opened.

    Returns
    -------
    pandas.DataFrame
        ``site opening date window place bale pair store tier weighing codes``; no binding.
    """
    bales = layout.bales.set_index("bale")
    codes = codes_of(layout)
    weighings = {
        (str(row["bales"]), row["planned_opening"]): row["weighing"]
        for row in layout.weighings.to_dict("records")
    }
    rows = []
    for day in layout.calendar.frame.to_dict("records"):
        for place, bale in enumerate(str(day["bales"]).split(), start=1):
            rows.append(
                {
                    "site": day["site"],
                    "opening": day["opening"],
                    "date": shown_date(day["date"]),
                    "window": day["window"],
                    "place": place,
                    "bale": bale,
                    "pair": bales.loc[bale, "pair"],
                    "store": bales.loc[bale, "store"],
                    "tier": bales.loc[bale, "tier"],
                    "weighing": weighings.get((bale, day["opening"])),
                    "codes": " ".join(codes.get((bale, day["opening"]), ())),
                }
            )
    columns = ("site", "opening", "date", "window", "place", "bale", "pair", "store", "tier",
               "weighing", "codes")  # fmt: skip
    return pd.DataFrame(rows, columns=list(columns))


def shown_date(value: object) -> str:
    """Return a planned day as it is written, empty where none is planned."""
    return value.isoformat() if isinstance(value, dt.date) and is_given(value) else ""
