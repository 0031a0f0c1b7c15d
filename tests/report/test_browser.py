"""Every kind of page in real Chromium: quiet, whole, usable by everyone, and printed uncut."""

from __future__ import annotations

import io
import re
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path

import pandas as pd
import pytest
from browser import NARROW, Visit, barriers, chromium, disturbances, too_wide, visit
from conftest import WITH_REPORTS, Written
from PIL import Image
from printed import cuts, read_printed

from silagetrial.display import Table, page
from silagetrial.planning.laboratory_list import laboratory_page
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.sheets import baling_page, inspection_page, opening_page
from silagetrial.planning.simulated_folder import simulated_page
from silagetrial.planning.tags import tag_page
from silagetrial.planning.worth import worth

pytestmark = pytest.mark.slow

PLAN = Path(__file__).parents[2] / "data_demo" / "plan_two_farms"
REPORTS = ("separate", "recored", WITH_REPORTS, "one pair", "hostile")
PLANNED: dict[str, Callable[[], str]] = {
    "worth": lambda: worth(PLAN).to_html(),
    "simulated": lambda: simulated_page(PLAN, trials=200).to_html(),
}
SHEETS: dict[str, Callable[[Layout], str]] = {
    "baling day": baling_page,
    "inspection rounds": inspection_page,
    "opening days": opening_page,
    "tags": tag_page,
    "laboratory list": laboratory_page,
}
MILLIMETRE = 72 / 25.4
# Rows from which on a table may be parted; forms to be filled in are parted sooner, since a sheet
# left half empty helps nobody in the field.
LONG = 25
LONG_FORM = 11


def write(folder: Path, html: str) -> Path:
    path = folder / "page.html"
    path.write_text(html, encoding="utf-8", newline="\n")
    return path


@pytest.mark.parametrize("name", REPORTS)
def test_reports_in_a_browser(written: Written, name: str) -> None:
    assert problems(written(name).path / "report.html", margin=12, long=LONG) == []


@pytest.mark.parametrize("name", list(PLANNED))
def test_pages_of_a_plan_in_a_browser(tmp_path: Path, name: str) -> None:
    assert problems(write(tmp_path, PLANNED[name]()), margin=15, long=LONG) == []


@pytest.mark.parametrize("name", list(SHEETS))
def test_sheets_in_a_browser(tmp_path: Path, name: str) -> None:
    path = write(tmp_path, SHEETS[name](plan_trial(PLAN)))
    assert problems(path, margin=5 if name == "tags" else 9, long=LONG_FORM) == []


def problems(path: Path, *, margin: float, long: int) -> list[str]:
    """All that is wrong with a page on a desktop and a telephone, light, dark and printed."""
    found = []
    with chromium() as browser:
        for width, dark in ((NARROW, False), (1280, False), (1280, True)):
            with visit(browser, path, width=width, dark=dark) as opened:
                found += [*disturbances(opened), *barriers(opened), *too_wide(opened)]
                found += wrong_light(opened, dark=dark)
                # What is dark on a screen is printed black on white as well.
                if dark:
                    found += printed_problems(opened, margin=margin * MILLIMETRE, long=long)
    return found


def wrong_light(opened: Visit, *, dark: bool) -> list[str]:
    """Whether the page has the light that was asked for, and pictures lie on white."""
    grounds = opened.page.evaluate(
        """() => [...document.querySelectorAll('body, figure img')]
            .map(part => getComputedStyle(part).backgroundColor)"""
    )
    lightness = [sum(map(int, ground.strip("rgba()").split(",")[:3])) / 765 for ground in grounds]
    found = ["the page has the wrong light"] if (lightness[0] < 0.2) is not dark else []
    if dark and any(value < 1 for value in lightness[1:]):
        found.append("a picture lies on a dark ground")
    return found


def printed_problems(opened: Visit, *, margin: float, long: int) -> list[str]:
    pictures = opened.page.locator("img").count()
    pdf = opened.page.pdf(prefer_css_page_size=True, print_background=True, tagged=True)
    printed = read_printed(pdf, margin=margin)
    tables = opened.page.locator("table").count()
    found = cuts(printed, pictures=pictures, long=long)
    if len(printed.tables) != tables:
        found.append(f"{tables} tables are printed as {len(printed.tables)}")
    opened.page.emulate_media(media="print")
    return [*found, *wrong_light(opened, dark=False)]


def test_with_the_keyboard_alone(written: Written) -> None:
    path = written("separate").path / "report.html"
    with chromium() as browser, visit(browser, path, width=NARROW) as opened:
        page_of = opened.page
        page_of.keyboard.press("Tab")
        skip = page_of.locator(":focus")
        assert skip.inner_text() == "Skip to the content"
        box = skip.bounding_box()
        assert box is not None
        assert box["y"] >= 0, "the link is seen when the keyboard reaches it"
        page_of.keyboard.press("Enter")
        assert page_of.evaluate("document.activeElement.tagName") == "MAIN"
        wide = page_of.locator(".st-scroll").filter(has=page_of.locator("th:nth-child(8)")).first
        wide.focus()
        page_of.keyboard.press("ArrowRight")
        # The page's policy forbids the driver's own waiting, which evaluates a text.
        for _ in range(100):
            page_of.wait_for_timeout(50)
            if page_of.evaluate("document.activeElement.scrollLeft") > 0:
                break
        assert page_of.evaluate("document.activeElement.scrollLeft") > 0
        summary = page_of.locator("details.st-more > summary").first
        summary.focus()
        assert page_of.evaluate("document.activeElement.parentElement.open")
        page_of.keyboard.press("Enter")
        assert not page_of.evaluate("document.activeElement.parentElement.open")


def test_long_headings_do_not_lie_over_each_other(tmp_path: Path) -> None:
    headings = [(f"h{k}", f"Mould, hours at the air, temperatures, {k}") for k in range(12)]
    path = write(tmp_path, page("A trial", "", contents=headings))
    with chromium() as browser:
        for width in (NARROW, 1200):
            with visit(browser, path, width=width) as opened:
                links = opened.page.locator("nav a").all()
                boxes = [box for link in links if (box := link.bounding_box()) is not None]
            lefts = sorted({box["x"] for box in boxes})
            assert len(boxes) == 12
            assert len(lefts) == (1 if width == NARROW else 2)
            # 24 pixels before a heading are its number's.
            assert all(
                box["x"] + box["width"] <= left - 24
                for box in boxes
                for left in lefts
                if box["x"] < left
            )


@pytest.mark.parametrize("dark", [False, True])
def test_a_wide_table_shows_where_it_goes_on(tmp_path: Path, dark: bool) -> None:
    wide = Table(pd.DataFrame({f"column {k}": [1.5] for k in range(12)}), title="Wide")
    path = write(tmp_path, page("A trial", wide.to_html()))
    with chromium() as browser, visit(browser, path, width=NARROW, dark=dark) as opened:
        frame = opened.page.locator(".st-scroll")
        seen = [edges(frame.screenshot())]
        frame.evaluate("part => { part.scrollLeft = part.scrollWidth; }")
        seen.append(edges(frame.screenshot()))
    (left, right), (left_at_end, right_at_end) = seen
    # A colour drawn twice may differ by a step of 256; the shade at an edge is many.
    assert max(abs(left - right_at_end), abs(right - left_at_end)) <= 2
    assert abs(left - right) > 30
    assert abs(left_at_end - right_at_end) > 30


def edges(png: bytes) -> tuple[int, int]:
    """Lightness of the first and of the last pixel, at the height of the caption."""
    picture = Image.open(io.BytesIO(png)).convert("L")
    first, last = picture.getpixel((0, 2)), picture.getpixel((picture.width - 1, 2))
    assert isinstance(first, int)
    assert isinstance(last, int)
    return first, last


def test_landmarks_and_headings(written: Written) -> None:
    with chromium() as browser, visit(browser, written("recored").path / "report.html") as opened:
        tree = opened.page.locator("body").aria_snapshot()
        assert opened.page.get_attribute("html", "lang") == "en"
    roles = [line.split()[1].rstrip(":") for line in tree.splitlines() if line.startswith("- ")]
    assert roles == ["link", "banner", "navigation", "main"]
    levels = [int(part[0]) for part in tree.split("[level=")[1:]]
    assert levels.count(1) == 1
    assert levels[0] == 1
    assert max(after - before for before, after in pairwise(levels)) == 1


FAULTY = """<!DOCTYPE html><html><head><title>t</title><style>
@page { size: A4; margin: 15mm } body { margin: 0; background: #fff; color: #ccc }
figure img { background: #111 } </style></head><body><h1>Faulty</h1>
<p>pale</p><img src="https://silagetrial.invalid/x.png"><img src="data:image/png;base64,AA" alt="n">
<div style="width: 900px">wide</div><script>console.warn("look here")</script></body></html>"""


def test_faults_are_seen(tmp_path: Path) -> None:
    """A page with each fault, so that no check passes for want of looking."""
    with chromium() as browser, visit(browser, write(tmp_path, FAULTY), width=NARROW) as opened:
        said = "\n".join(disturbances(opened))
        assert "says: look here" in said
        assert "asks for: https://silagetrial.invalid/x.png" in said
        assert said.count("shows no image") == 2
        found = "\n".join(barriers(opened))
        assert "critical: image-alt" in found
        assert "serious: color-contrast" in found
        assert "serious: html-has-lang" in found
        assert "too wide" in "\n".join(too_wide(opened))
        assert wrong_light(opened, dark=True) == ["the page has the wrong light"]


def test_cuts_are_seen(tmp_path: Path) -> None:
    """Tables and pictures that sheets cut, beside the same in the package's own style."""
    rows = "".join(f"<tr><td>{k}</td><td>{'word ' * 900}</td></tr>" for k in range(3))
    table = f"<table><thead><tr><th>k</th><th>text</th></tr></thead><tbody>{rows}</tbody></table>"
    style = "@page { size: A4; margin: 15mm } thead { display: table-row-group }"
    wide = f"<p style='white-space: nowrap'>{'wide ' * 400}</p>"
    long = Table(pd.DataFrame({"k": range(80), "name": "some text"}), title="Long").to_html()
    with chromium() as browser:
        with visit(browser, write(tmp_path, page("t", table + wide, style=style))) as opened:
            found = "\n".join(printed_problems(opened, margin=15 * MILLIMETRE, long=LONG))
        with visit(browser, write(tmp_path, page("t", long))) as opened:
            sound = printed_problems(opened, margin=15 * MILLIMETRE, long=LONG)
            assert read_printed(opened.page.pdf(tagged=True), margin=0).sheets > 1
    assert re.search(r"row \d of 'ktext' is cut", found)
    assert "lacks the heading 'ktext'" in found
    assert "is cut off" in found
    assert sound == []
