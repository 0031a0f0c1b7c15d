"""Prose and pictures: every text is shown as text."""

from __future__ import annotations

import base64

import pandas as pd
from bs4 import BeautifulSoup

from silagetrial.display.block import Folded, Picture, Prose, show_text, unbroken

HOSTILE = "<script>alert(1)</script> & {{7*7}} [x](javascript:alert(1)) $x^2$ \"quoted\" 'so'"


def test_prose_shows_markup_of_the_data_as_text() -> None:
    for kind in ("text", "list", "steps", "answer", "refusal"):
        soup = BeautifulSoup(Prose((HOSTILE, HOSTILE), kind=kind)._repr_html_(), "html.parser")
        assert soup.get_text().count(HOSTILE) == 2
        assert {tag.name for tag in soup.find_all()} <= {"p", "ul", "ol", "li", "div"}


def test_prose_as_plain_text_is_wrapped_and_numbered() -> None:
    text = repr(Prose(("word " * 40, "second"), kind="steps"))
    lines = text.split("\n")
    assert lines[0].startswith("1. word")
    assert lines[1].startswith("   word")
    assert lines[-1] == "2. second"
    assert max(len(line) for line in lines) <= 88
    assert repr(Prose(("one", "two"))) == "one\n\ntwo"


def test_picture_is_one_figure_with_image_words_and_caption() -> None:
    picture = Picture(
        b"\x89PNG",
        b"<svg/>",
        pd.DataFrame({"loss (%)": [1 / 3], "bale": ["=A1"]}),
        alt=f"net 1.2 {HOSTILE}",
        caption=f"Means {HOSTILE}",
        inches=6.0,
    )
    data = picture.files().pop("csv").decode()
    assert data == f"loss (%),bale\n{1 / 3!r},'=A1\n"
    bundle = picture._repr_mimebundle_()
    soup = BeautifulSoup(bundle["text/html"], "html.parser")
    assert [tag.name for tag in soup.find_all()] == ["figure", "img", "figcaption"]
    image = soup.img
    assert image is not None
    assert image["alt"] == f"net 1.2 {HOSTILE}"
    assert image["width"] == "576"
    assert image["src"] == "data:image/png;base64," + bundle["image/png"]
    assert base64.b64decode(bundle["image/png"]) == b"\x89PNG"
    assert soup.figure is not None
    assert soup.figure.get_text().strip() == f"Means {HOSTILE}"
    assert bundle["text/plain"].startswith("Figure: Means <script>")


def test_characters_that_would_hide_or_reorder_text_are_marked() -> None:
    assert show_text("a\u202eb\x1b[31mc\u00a0d\ne") == "a\ufffdb\ufffd[31mc d e"


def test_lines_never_end_inside_a_number() -> None:
    kept = unbroken("p = 0.012, p < 0.001, 95 % of 3 bales, > 0.999, sharp = 3 kg")
    assert kept == (
        "p\u00a0=\u00a00.012, p\u00a0<\u00a00.001, 95\u00a0% of 3 bales, >\u00a00.999, "
        "sharp =\u00a03 kg"
    )
    assert "95\u00a0%" in Prose(("a 95 % interval",))._repr_html_()
    assert "95 % interval" in repr(Prose(("a 95 % interval",)))
    assert "p\u00a0&gt;\u00a00.999" in Prose(("p > 0.999",))._repr_html_()


def test_what_few_want_is_folded_away() -> None:
    folded = Folded(HOSTILE, Prose(("inside",)))
    soup = BeautifulSoup(folded._repr_html_(), "html.parser")
    assert [tag.name for tag in soup.find_all()] == ["details", "summary", "p"]
    assert soup.summary is not None
    assert soup.summary.get_text() == HOSTILE
    assert repr(folded) == "inside"
