"""The printed sheets, tags and the laboratory's list: complete, safe, and blind where they must."""

from __future__ import annotations

import csv
import datetime as dt
import io
import re
from dataclasses import replace
from html import escape

import pytest
from bs4 import BeautifulSoup
from invented_plans import make_plan
from qr_reader import read_svg

from silagetrial.display.cautions import cautions, deferral
from silagetrial.planning.analyses import analyses_wanted
from silagetrial.planning.laboratory_list import batches, laboratory_csv, laboratory_page
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.plan import SitePlan
from silagetrial.planning.sheets import baling_page, inspection_page, opening_page
from silagetrial.planning.tags import qr_code, tag_page

MAKERS = {
    "baling": baling_page,
    "inspection": inspection_page,
    "opening": opening_page,
    "tags": tag_page,
    "laboratory": laboratory_page,
}
SITE = SitePlan(
    "", 0, spare_pairs=1, fields=("Long Acre",), stores=("row 1",), baling=dt.date(2027, 5, 20)
)


@pytest.fixture(scope="module")
def layout() -> Layout:
    return plan_trial(make_plan(6, 3, site=SITE))


@pytest.fixture(scope="module")
def pages(layout: Layout) -> dict[str, BeautifulSoup]:
    return {name: BeautifulSoup(make(layout), "html.parser") for name, make in MAKERS.items()}


@pytest.mark.parametrize("name", list(MAKERS))
def test_every_page_carries_every_caution(pages: dict[str, BeautifulSoup], name: str) -> None:
    text = pages[name].get_text()
    for said in (*cautions(), deferral()):
        assert said in text
    for section in pages[name].find_all("section"):
        assert deferral() in section.get_text()


@pytest.mark.parametrize("name", list(MAKERS))
def test_every_page_is_accessible_and_asks_nothing_of_the_outside(
    pages: dict[str, BeautifulSoup], name: str
) -> None:
    soup = pages[name]
    assert soup.find_all(["script", "link", "iframe", "object", "form", "img"]) == []
    assert "url(" not in str(soup)
    assert len(soup.find_all("h1")) == 1
    for cell in soup.find_all("th"):
        assert cell["scope"] == ("row" if cell.find_parent("tbody") else "col")
    for drawn in soup.find_all("svg"):
        assert drawn["role"] == "img"
        assert drawn["aria-label"].startswith("QR code of ")


@pytest.mark.parametrize("name", list(MAKERS))
def test_names_of_the_plan_are_text_and_no_markup(name: str) -> None:
    bad = "<b onclick=x>&\"'"
    made = make_plan(3, site=replace(SITE, fields=(bad,), stores=(bad,)))
    settings = replace(made.settings, title=bad, held_equal={"film_layers": 6, "note": bad})
    sites = tuple(replace(site, name=bad) for site in made.sites)
    laboratory = replace(made.laboratory, name=bad)
    made = replace(made, settings=settings, sites=sites, laboratory=laboratory)
    page = MAKERS[name](plan_trial(made))
    assert "<b " not in page
    assert escape(bad) in page


def rows_of(soup: BeautifulSoup, heading: str) -> list[list[str]]:
    """Rows of every form under this heading."""
    return [
        [cell.get_text() for cell in row.find_all("td")]
        for title in soup.find_all("h3", string=re.compile(heading))
        for row in title.find_next("table").tbody.find_all("tr")
    ]


def test_the_baling_day_lists_bales_in_order_with_the_binding_to_make(
    pages: dict[str, BeautifulSoup], layout: Layout
) -> None:
    shown = rows_of(pages["baling"], "Bales in the order of baling")
    expected = [
        [str(int(row["order"])), row["bale"], row["binding"], row["pair"]]
        for _, row in layout.bales.sort_values(["site", "order"]).iterrows()
    ]
    assert [row[:4] for row in shown] == expected
    weighed = rows_of(pages["baling"], "Weighings after film wrapping")
    at_wrapping = layout.weighings[layout.weighings["planned_opening"].isna()]
    assert [row[0] for row in weighed] == list(at_wrapping["weighing"])
    assert sum(row[2] != "" for row in weighed) == 3 * len(layout.plan.sites)


def test_an_opening_day_keeps_the_order_drawn_and_hides_the_binding(
    pages: dict[str, BeautifulSoup], layout: Layout
) -> None:
    shown: dict[str, list[str]] = {}
    for section in pages["opening"].find_all("section"):
        rows = rows_of(section, "Bales in the order in which they are opened")
        shown[section.h2.get_text().split(": ")[0]] = [row[1] for row in rows]
    for _, day in layout.calendar.frame.iterrows():
        assert shown.pop(f"{day['site']}, {day['opening']}") == day["bales"].split()
    assert shown == {}
    words = set(re.findall(r"\w+", pages["opening"].body.get_text()))
    assert "binding" in words  # the field for the binding seen is there
    cells = {cell.get_text() for cell in pages["opening"].find_all("td")}
    assert not {"net", "film"} & cells
    assert set(layout.bales["pair"]).isdisjoint(cells)


def test_every_round_lists_the_bales_then_in_store(
    pages: dict[str, BeautifulSoup], layout: Layout
) -> None:
    shown = [row[0] for row in rows_of(pages["inspection"], "Bales in store")]
    assert sorted(shown) == sorted(layout.events["bale"])


def test_cored_bales_are_cored_on_paper_as_well() -> None:
    page = opening_page(
        plan_trial(make_plan(3, design="recored", site=replace(SITE, spare_pairs=0)))
    )
    assert "Coring days" in page
    assert "Bales in the order in which they are cored" in page
    assert "Drill, plug and tape" in page


def test_a_tag_shows_number_pair_and_site_and_nothing_of_the_treatment(
    pages: dict[str, BeautifulSoup], layout: Layout
) -> None:
    tags = pages["tags"].find_all("div", class_="st-tag")
    assert [tag.find(class_="st-number").get_text() for tag in tags] == list(layout.bales["bale"])
    for tag, (_, row) in zip(tags, layout.bales.iterrows(), strict=True):
        assert set(tag.get_text(" ").split()) == {
            row["bale"], "pair", row["pair"], *row["site"].split(),
        }  # fmt: skip
        assert tag.svg["aria-label"] == f"QR code of {row['bale']}"


def test_a_code_holds_the_number_of_the_bale_with_the_highest_correction(
    layout: Layout,
) -> None:
    for bale in layout.bales["bale"]:
        assert read_svg(qr_code(bale)) == (bale, "H")


def test_the_laboratory_sees_codes_only(pages: dict[str, BeautifulSoup], layout: Layout) -> None:
    sent = set(layout.key.loc[layout.key["batch"].notna(), "sample"])
    table = list(csv.DictReader(io.StringIO(laboratory_csv(layout))))
    assert {row["sample"] for row in table} == sent
    assert len(table) == len(sent)
    hidden = {
        *layout.bales["bale"], *layout.bales["pair"], *layout.bales["site"], "net", "film",
        "duplicate", "reference",
    }  # fmt: skip
    cells = {value for row in table for value in row.values()}
    cells |= {cell.get_text() for cell in pages["laboratory"].find_all("td")}
    assert not hidden & cells
    words = pages["laboratory"].get_text()
    assert not re.search(r"\b(N\d\d|P\d\d|net|film)\b", words.replace(deferral(), "").replace(
        cautions()[4], ""))  # fmt: skip


def test_no_line_of_a_batch_stands_out(layout: Layout) -> None:
    table = list(csv.DictReader(io.StringIO(laboratory_csv(layout))))
    for batch in batches(layout):
        mine = [row for row in table if row["batch"] == batch.name]
        assert [row["sample"] for row in mine] == sorted(row["sample"] for row in mine)
        assert len({(row["material"], row["sampled_from"], row["sampled_to"]) for row in mine}) == 1


def test_a_batch_names_the_planned_day(layout: Layout) -> None:
    days = {day for batch in batches(layout) for day in batch.dates}
    openings = {dt.date(2027, 5, 20) + dt.timedelta(days=60 * n) for n in (0, 1, 2, 3)}
    assert days == {day.isoformat() for day in openings}
    made = make_plan(3, site=replace(SITE, baling=None))
    assert {batch.days for batch in batches(plan_trial(made))} == {""}


def test_what_is_ordered_follows_from_the_plan() -> None:
    settings = make_plan(1).settings
    silage = analyses_wanted(settings, crop=False).frame
    assert list(silage["column"]) == ["dm", "pH", "butyric_acid"]
    # The full correction for volatiles needs every acid and alcohol (Weissbach & Kuhla 1995).
    full = replace(settings, dm_correction=replace(settings.dm_correction, form="full"))
    assert {"lactic_acid", "acetic_acid", "caproic_acid", "ethanol", "propanediol"} <= set(
        analyses_wanted(full, crop=False).frame["column"]
    )
    adjusted = replace(settings, analysis=replace(settings.analysis, covariates=("day0_wsc",)))
    assert list(analyses_wanted(adjusted, crop=True).frame["column"]) == ["dm", "wsc"]
    assert list(analyses_wanted(settings, crop=True).frame["column"]) == ["dm"]
