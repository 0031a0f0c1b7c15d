"""The HTML page: whole, escaped, and without a request to anywhere."""

from __future__ import annotations

import re
from html.parser import HTMLParser

from silagetrial.display import STYLE, page


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


def test_text_colours_are_readable_on_white() -> None:
    # WCAG 2.2, success criterion 1.4.3: contrast of at least 4.5 to 1 (W3C, 2023).
    for name in ("ink", "quiet", "key"):
        found = re.search(rf"--{name}: #(\w{{6}})", STYLE)
        assert found is not None
        assert contrast_with_white(found[1]) >= 4.5


def contrast_with_white(colour: str) -> float:
    """Contrast ratio as WCAG 2.2 defines it, from relative luminance."""
    shares = [int(colour[k : k + 2], 16) / 255 for k in (0, 2, 4)]
    linear = [s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares]
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    return 1.05 / (luminance + 0.05)
