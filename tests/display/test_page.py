"""The HTML page: whole, escaped, and without a request to anywhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest
from bs4 import BeautifulSoup

from silagetrial.display import STYLE, page
from silagetrial.display.page import scrolling


class Tags(HTMLParser):
    """Collects start tags, and checks that they are closed in order."""

    VOID = frozenset({"meta"})

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.open: list[str] = []
        self.feed(html)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_page_is_whole_and_accessible() -> None:
    html = page("A trial", "<p>Body</p>")
    parsed = Tags(html)
    assert html.startswith("<!DOCTYPE html>\n")
    assert parsed.open == []
    assert ("html", {"lang": "en"}) in parsed.tags
    assert ("meta", {"charset": "utf-8"}) in parsed.tags
    names = [tag for tag, _ in parsed.tags]
    assert names.count("main") == names.count("h1") == names.count("title") == 1


def test_title_is_escaped() -> None:
    html = page("</title><script>1</script>", "")
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 2


def test_no_outside_request() -> None:
    html = page("t", "<p>x</p>")
    assert not re.search(r"https?:|//|@import|url\(", html.replace("<!DOCTYPE html>", ""))
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)
    assert policy is not None
    assert policy[1].startswith("default-src 'none'")


def test_style_is_for_screen_and_print_and_can_be_replaced() -> None:
    assert "@page" in STYLE
    assert "@media print" in STYLE
    assert STYLE in page("t", "")
    assert STYLE not in page("t", "", style="p { color: red }\n")


def test_the_page_has_landmarks_and_a_way_past_its_contents() -> None:
    html = page("A trial", "<h2 id='a'>A</h2>", below_title="Dated <b>", contents=[("a", "A & B")])
    soup = BeautifulSoup(html, "html.parser")
    assert soup.body is not None
    parts = [tag.name for tag in soup.body.find_all(True, recursive=False)]
    assert parts == ["a", "header", "nav", "main"]
    skip, main = soup.a, soup.main
    assert skip is not None
    assert main is not None
    assert skip["href"] == f"#{main['id']}"
    assert soup.select("header h1")[0].get_text() == "A trial"
    assert soup.select("header p")[0].get_text() == "Dated <b>"
    assert [(link["href"], link.get_text()) for link in soup.select("nav a")] == [("#a", "A & B")]
    assert BeautifulSoup(page("t", ""), "html.parser").nav is None


def test_a_scrolling_table_is_reached_and_named() -> None:
    soup = BeautifulSoup(scrolling("<table></table>", name='"a" <b>'), "html.parser")
    assert soup.div is not None
    assert soup.div["tabindex"] == "0"
    assert soup.div["role"] == "group"
    assert soup.div["aria-label"] == '"a" <b>'


@pytest.mark.parametrize("dark", [False, True])
def test_text_colours_are_readable_on_every_ground(dark: bool) -> None:
    # WCAG 2.2, success criterion 1.4.3: contrast of at least 4.5 to 1 (W3C, 2023).
    light, darkness = re.findall(r":root \{([^}]*)\}", STYLE)[:2]
    colours = dict(re.findall(r"--(\w+): #(\w{6})", darkness if dark else light))
    for text in ("ink", "quiet", "key"):
        for ground in ("paper", "soft", "head"):
            if (text, ground) != ("key", "head"):
                assert contrast(colours[text], colours[ground]) >= 4.5, (text, ground)


def test_no_colour_is_for_one_light_alone() -> None:
    after = STYLE.split("* { box-sizing", 1)[1]
    assert re.findall(r"#\w{3,6}\b", after) == []


def contrast(first: str, second: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it, from relative luminances."""
    low, high = sorted((luminance(first), luminance(second)))
    return (high + 0.05) / (low + 0.05)


def luminance(colour: str) -> float:
    """Relative luminance of a colour written as six hexadecimal digits (WCAG 2.2)."""
    shares = [int(colour[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    red, green, blue = (s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
