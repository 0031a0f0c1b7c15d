"""What is shown is also laid beside the notebook, and linked there."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest
from bs4 import BeautifulSoup

from silagetrial.display import Table
from silagetrial.display.block import Folded, Linked, Picture, Prose
from silagetrial.report import shelf

HOSTILE = "</figcaption></div><script>alert(1)</script>"
FRAME = pd.DataFrame({"bale": ["A1"], "loss (%)": [1 / 3]})


@pytest.fixture
def published(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> list[object]:
    seen: list[object] = []
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(shelf, "_publish", seen.append)
    return seen


def test_pictures_and_tables_become_files_with_links(published: list[object]) -> None:
    picture = Picture(b"\x89PNG", b"<svg/>", FRAME, HOSTILE, HOSTILE, inches=3.3, name="loss")
    table = Table(FRAME, title=HOSTILE, shown=("bale",), name="loss_table")
    shelf.display(Prose(("words",)), [picture, Folded(HOSTILE, table)], ())
    shelf.display(table)
    assert {path.as_posix(): path.read_bytes() for path in Path().rglob("*.*")} == {
        "figures/loss.png": b"\x89PNG",
        "figures/loss.svg": b"<svg/>",
        "figures/loss.csv": f"bale,loss (%)\nA1,{1 / 3!r}\n".encode(),
        "tables/loss_table.csv": f"bale,loss (%)\nA1,{1 / 3!r}\n".encode(),
    }
    words, drawn, folded, shown = published
    assert words == Prose(("words",))
    linked = [_links(item) for item in (drawn, folded, shown)]
    assert linked[0] == {f"figures/loss.{k}": k.upper() for k in ("png", "svg", "csv")}
    assert linked[1] == linked[2] == {"tables/loss_table.csv": "CSV"}


def _links(item: object) -> dict[str, str]:
    assert isinstance(item, Linked)
    html = item._repr_mimebundle_()["text/html"]
    assert html == item._repr_html_()
    soup = BeautifulSoup(html, "html.parser")
    assert soup.find_all(["script", "link", "iframe"]) == []
    inside = soup.find(class_="st-files").parent.name
    assert inside in ("figcaption", "div", "details")
    return {str(link["href"]): link.get_text() for link in soup.find_all("a")}


def test_what_has_no_name_is_only_shown(published: list[object]) -> None:
    picture = Picture(b"\x89PNG", b"<svg/>", FRAME, "a", "c", inches=3.3)
    table = Table(FRAME)
    shelf.display(picture, table)
    assert published == [picture, table]
    assert list(Path().iterdir()) == []


def test_a_picture_with_links_is_still_a_picture_for_tools_without_html() -> None:
    picture = Picture(b"\x89PNG", b"<svg/>", FRAME, "what it says", "c", inches=3.3, name="loss")
    bundle = Linked(picture, {"PNG": "figures/loss.png"})._repr_mimebundle_()
    assert bundle["image/png"] == picture._repr_mimebundle_()["image/png"]
    assert bundle["text/plain"] == "Figure: c what it says"
    assert "image/png" not in Linked(Table(FRAME), {})._repr_mimebundle_()
