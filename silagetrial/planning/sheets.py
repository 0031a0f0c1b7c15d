"""The field workbook on paper: baling day, inspection rounds and opening days, ready to print.

What is printed on these pages is typed into the workbook under the same names; the small line of
each heading is the column there. No page of an opening day shows a binding.
"""

from __future__ import annotations

from typing import Final

from silagetrial.data.draft import is_given
from silagetrial.data.schema import SPARE
from silagetrial.display.page import page
from silagetrial.display.phrases import block_word
from silagetrial.planning.days import codes_of, opening_days, shown_date
from silagetrial.planning.field_words import AT_ROUNDS, at_baling, at_opening, kept_alike
from silagetrial.planning.forms import FORM_STYLE, SIGNED, Head, Row, form, in_words, rules, section
from silagetrial.planning.layout import Layout
from silagetrial.planning.plan import SitePlan

__all__ = ["baling_page", "inspection_page", "opening_page"]


def baling_page(layout: Layout) -> str:
    """Return the sheets of the baling day, one a site: bales in the order of baling.

    Parameters
    ----------
    layout : Layout

    Returns
    -------
    str
        One self-contained page of HTML; each site begins on a new sheet.
    """
    sections = [_baling_sheet(layout, site) for site in layout.plan.sites]
    return page(_title(layout, "Baling day"), "".join(sections), style=FORM_STYLE)


def _title(layout: Layout, what: str) -> str:
    return f"{what}: {layout.plan.settings.title}"


_BALES: Final = (
    Head("order", "", "order", "3%"),
    Head("bale", "bale", "bale", "5%", big=True),
    Head("binding to make next", "binding", "binding", "7%", big=True),
    Head("pair", "pair", "pair", "4%"),
    Head("field", "field", "field", "8%"),
    Head("left the chamber, time", "baled_at", width="6.5%"),
    Head("film on, time", "film_wrapped_at", width="6.5%"),
    Head("roll", "roll", width="5%"),
    Head("breaks, count", "breaks", width="4%"),
    Head("turns of binding", "binding_layers", width="5%"),
    Head("film layers", "film_layers", "film_layers", "4%"),
    Head("binding, kg", "binding_kg", width="5%"),
    Head("film, kg", "film_kg", width="5%"),
    Head("diameter, m", "diameter", width="5%"),
    Head("width, m", "width", width="5%"),
    Head("store", "store", "store", "7%"),
    Head("tier", "tier", "tier", "2.5%"),
    Head("note", "note", "note", "7.5%"),
)
_WEIGHINGS: Final = (
    Head("weighing", "weighing", "weighing", "7%"),
    Head("bale", "bales", "bales", "7%", big=True),
    Head("of three", "repeat", "repeat", "6%"),
    Head("time", "weighed_at", width="11%"),
    Head("scale", "scale", "scale", "7%"),
    Head("reading, kg", "gross", width="13%"),
    Head("what else was on it, kg", "tare", width="12%"),
    Head("film on, wet, soil", "flags", "flags", "12%"),
    Head("note", "note"),
)
_CROP: Final = (
    Head("pair", "", "pair", "10%"),
    Head("code on the bag", "sample", "code", "14%", big=True),
    Head("time taken", "taken_on", width="16%"),
    Head("note", "note"),
)
_SCALE: Final = (
    Head("scale", "scale", "scale", "10%", big=True),
    Head("kind", "kind", width="16%"),
    Head("step of its display, kg", "step", width="13%"),
    Head("time", "checked_at", width="13%"),
    Head("known mass, kg", "check_mass", width="14%"),
    Head("what it shows, kg", "check_reading", width="14%"),
    Head("note", "note"),
)


def _baling_sheet(layout: Layout, site: SitePlan) -> str:
    bales = _of_site(layout, site)
    word = block_word(layout.plan.settings.compare)
    rows, last = [], None
    for row in bales:
        apart = last is not None and row["pair"] != last
        spare = row["planned_opening"] == SPARE or row["note"] is not None
        rows.append({**row, "apart": apart, "note": row["note"] if spare else None})
        last = row["pair"]
    names = {row["bale"] for row in bales}
    weighings = [
        {**row, "bales": row["bales"]}
        for row in layout.weighings.to_dict("records")
        if row["bales"] in names and not is_given(row["planned_opening"])
    ]
    codes = codes_of(layout)
    crop = [
        {"pair": pair, "code": code}
        for pair in dict.fromkeys(row["pair"] for row in bales)
        for code in codes.get((pair, None), ())
    ]
    heading = ", ".join(part for part in (site.label, shown_date(site.baling)) if part)
    scales = dict.fromkeys(row["scale"] for row in weighings)
    return section(
        heading,
        rules((*at_baling(layout.plan.settings), kept_alike(layout.plan.settings))),
        SIGNED,
        form("Bales in the order of baling", in_words(_BALES, word), rows),
        form("Check of the scale", _SCALE, [{"scale": name} for name in scales]),
        form("Weighings after film wrapping", _WEIGHINGS, weighings),
        form(
            f"Samples of the crop: one for each {word}, from its swath", in_words(_CROP, word), crop
        ),
    )


def _of_site(layout: Layout, site: SitePlan) -> list[Row]:
    frame = layout.bales
    mine = frame["site"] == site.name
    if site.cut:
        mine &= frame["cut"] == site.cut
    rows: list[Row] = frame[mine].sort_values("order").to_dict("records")
    return rows


_ROUND: Final = (
    Head("bale", "bale", "bale", "8%", big=True),
    Head("store", "", "store", "14%"),
    Head("tier", "", "tier", "5%"),
    Head("day and time", "at", width="14%"),
    Head("inspected; or: holed, taped, moved, dropped, lost", "what", width="20%"),
    Head("cause", "cause", width="17%"),
    Head("note", "note"),
)


def inspection_page(layout: Layout) -> str:
    """Return the sheets of the inspection rounds, one a site and round."""
    place = {row["bale"]: row for row in layout.bales.to_dict("records")}
    rounds: dict[tuple[str, str], list[Row]] = {}
    for event in layout.events.to_dict("records"):
        bale = place[event["bale"]]
        rounds.setdefault((_site_label(layout, bale), str(event["note"])), []).append(bale)
    sections = [
        section(
            f"{site}: {when}",
            rules(AT_ROUNDS),
            SIGNED,
            form("Bales in store", _ROUND, rows),
        )
        for (site, when), rows in rounds.items()
    ]
    return page(_title(layout, "Inspection rounds"), "".join(sections), style=FORM_STYLE)


def _site_label(layout: Layout, bale: Row) -> str:
    return next(
        site.label
        for site in layout.plan.sites
        if site.name == bale["site"] and (not site.cut or site.cut == bale["cut"])
    )


_OPENING: Final = (
    Head("order", "", "place", "4%"),
    Head("bale", "bales", "bale", "7%", big=True),
    Head("store", "", "store", "10%"),
    Head("tier", "", "tier", "3.5%"),
    Head("weighing", "weighing", "weighing", "6%"),
    Head("time", "weighed_at", width="8%"),
    Head("reading, kg", "gross", width="9%"),
    Head("else on it, kg", "tare", width="7%"),
    Head("film on, wet, soil", "flags", width="8%"),
    Head("binding seen", "binding_seen", width="9%"),
    Head("code on the bag", "sample", "codes", "8%", big=True),
    Head("forage taken, kg", "fresh_kg", width="6%"),
    Head("note: mould, smell, holes", "note"),
)


def opening_page(layout: Layout) -> str:
    """Return the sheets of the opening days, one a site and opening, in the order drawn."""
    frame = opening_days(layout)
    recored = layout.plan.settings.design == "recored"
    sections = []
    for (site, opening), day in frame.groupby(["site", "opening"], sort=False):
        rows: list[Row] = day.to_dict("records")
        pairs = [row["pair"] for row in rows]
        for k, row in enumerate(rows):
            row["apart"] = k > 0 and row["pair"] != pairs[k - 1]
        when = f"planned {rows[0]['date']}, " if rows[0]["date"] else ""
        scale = {
            row["scale"]: {"scale": row["scale"]}
            for row in layout.weighings.to_dict("records")
            if row["bales"] in {r["bale"] for r in rows}
        }
        verb = "cored" if recored else "opened"
        sections.append(
            section(
                f"{site}, {opening}: {when}window {rows[0]['window']}",
                rules(at_opening(layout.plan.settings)),
                SIGNED,
                form("Check of the scale", _SCALE, list(scale.values())),
                form(f"Bales in the order in which they are {verb}", _OPENING, rows),
            )
        )
    what = "Coring days" if recored else "Opening days"
    return page(_title(layout, what), "".join(sections), style=FORM_STYLE)
