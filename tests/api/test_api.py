"""The page of public names is whole, says what the docstrings say, and is up to date."""

from __future__ import annotations

import webbrowser
from pathlib import Path

import pytest
from bs4 import BeautifulSoup, Tag
from docutils.utils import SystemMessage
from make_api import MODULES, PAGE, make_page

import silagetrial
from silagetrial import cli
from silagetrial.cli.api import PAGE as SHIPPED


@pytest.fixture(scope="module")
def soup() -> BeautifulSoup:
    return BeautifulSoup(PAGE.read_text(encoding="utf-8"), "html.parser")


def section(soup: BeautifulSoup, name: str) -> Tag:
    found = soup.find(id=name)
    assert isinstance(found, Tag), name
    return found


def test_the_page_is_up_to_date() -> None:
    assert PAGE == SHIPPED
    written = PAGE.read_text(encoding="utf-8")
    assert written == make_page(), "out of date: run python tests/api/make_api.py"


def test_a_changed_docstring_would_make_it_out_of_date(monkeypatch: pytest.MonkeyPatch) -> None:
    words = "Return the <b>power</b> of `Plan` & others."
    monkeypatch.setattr(silagetrial.power, "__doc__", words)
    changed = make_page()
    assert changed != PAGE.read_text(encoding="utf-8")
    assert "Return the &lt;b&gt;power&lt;/b&gt; of <code>Plan</code> &amp; others." in changed


def test_markup_that_cannot_be_read_stops_the_script(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(silagetrial.power, "__doc__", "Return *half an emphasis.")
    with pytest.raises(SystemMessage, match="without end-string"):
        make_page()


def test_every_public_name_is_in_the_contents_and_described_once(soup: BeautifulSoup) -> None:
    ids = [tag["id"] for tag in soup.find_all("section")]
    assert len(ids) == len(set(ids))
    contents = soup.nav
    assert contents is not None
    listed = {str(link["href"]).removeprefix("#") for link in contents.find_all("a")}
    assert listed == set(ids)
    for module in MODULES:
        for name in module.__all__:
            assert name.startswith("_") or any(key.endswith(f".{name}") for key in ids), name


def test_every_link_stays_on_the_page(soup: BeautifulSoup) -> None:
    ids = {tag["id"] for tag in soup.find_all(id=True)}
    links = [str(link["href"]) for link in soup.find_all("a")]
    assert len(links) > 100
    assert {link.removeprefix("#") for link in links if link.startswith("#")} <= ids
    assert all(link.startswith("#") for link in links)
    assert not soup.find_all(["img", "script", "link", "iframe"])


def test_signature_parameters_results_errors_and_references_are_there(soup: BeautifulSoup) -> None:
    power = section(soup, "silagetrial.power")
    text = power.get_text()
    assert "pairs: int | tuple[int, ...] | None = None" in text
    assert "spread : Spread, Finished or array, optional" in text
    assert "UsageErrorNo effect or no variation assumed" in text
    assert [tag.get_text() for tag in power.find_all("h4")] == [
        "Parameters", "Returns", "Raises", "Notes", "Examples",
    ]  # fmt: skip
    assert power.find("a", href="#silagetrial.Plan") is not None
    example = section(soup, "silagetrial.fit_mixed").find_all("pre")[-1].get_text()
    assert '...     "pair": ["1", "1", "2", "2", "3", "3"],\n' in example
    assert ">>> fit.names\n('Intercept', 'binding[net]')" in example
    layout = section(soup, "silagetrial.Layout").get_text()
    assert "rowsOne row a value of the analysis to come" in layout.replace("\n", "")


def test_references_of_a_docstring_stand_on_the_page(soup: BeautifulSoup) -> None:
    assert "References" in {tag.get_text() for tag in soup.find_all("h4")}


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    calls: list[str] = []
    monkeypatch.setattr(webbrowser, "open", lambda url: calls.append(url) is None)
    return calls


def test_the_command_says_where_the_page_is(
    opened: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert cli.main(["api"]) == 0
    assert Path(capsys.readouterr().out.strip()) == PAGE
    assert opened == []
    assert cli.main(["api", "--open"]) == 0
    assert opened == [PAGE.as_uri()]


def test_without_a_browser_the_command_says_what_to_do(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(webbrowser, "open", lambda url: False)
    assert cli.main(["api", "--open"]) == 1
    shown = capsys.readouterr()
    assert Path(shown.out.strip()) == PAGE
    assert "no browser that could be started" in shown.err
    assert f"open the file in one: {PAGE}" in shown.err
