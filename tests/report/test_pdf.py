"""The PDF and the page: the same bytes again, tagged, offline, nothing cut."""

from __future__ import annotations

import datetime as dt
import io
import json
import os
import shutil
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from importlib import import_module
from pathlib import Path
from typing import Any

import pytest

from silagetrial import cli
from silagetrial.display import page
from silagetrial.errors import UsageError
from silagetrial.report import pdf, write_report
from silagetrial.report.pdf import check_pdf, html_pdf

DEMO = Path(__file__).parents[2] / "data_demo" / "three_farms"
DATE = dt.date(2026, 5, 31)
MILLIMETRE = 72.0 / 25.4


def without(monkeypatch: pytest.MonkeyPatch, error: Exception) -> None:
    """A machine on which the package cannot be loaded."""

    def fail(name: str) -> None:
        assert name == "weasyprint"
        raise error

    monkeypatch.setattr(pdf, "import_module", fail)


def test_without_the_extra_the_command_says_how_to_get_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    without(monkeypatch, ModuleNotFoundError("No module named 'weasyprint'", name="weasyprint"))
    out = tmp_path / "report"
    assert cli.main(["report", str(DEMO), "--out", str(out), "--pdf"]) == 2
    assert capsys.readouterr().err == (
        "Found: no PDF can be made: the package weasyprint is not installed\n"
        "Expected: the extra silagetrial[pdf]\n"
        "Remedy: install it with `pip install 'silagetrial[pdf]'`, or leave out --pdf and print "
        "report.html from a browser\n"
    )
    assert not out.exists()


def test_without_a_library_of_the_system_its_package_is_named(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    without(monkeypatch, OSError("cannot load library 'libpango-1.0-0'"))
    with pytest.raises(UsageError) as caught:
        check_pdf()
    assert caught.value.found == (
        "no PDF can be made: a library of the system is missing "
        "(cannot load library 'libpango-1.0-0')"
    )
    assert caught.value.expected == "the libraries Pango and HarfBuzz"
    assert "apt install libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0" in caught.value.remedy


@pytest.fixture(scope="module")
def pypdf() -> Any:
    """What reads PDFs; the tests that make one need the extra and its libraries."""
    try:
        check_pdf()
    except UsageError as error:
        pytest.skip(f"{error.found}: {error.remedy}")
    return import_module("pypdf")


@pytest.mark.slow
def test_nothing_is_asked_of_the_outside(
    pypdf: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Loading the package takes seconds, so that this is a long test."""
    (tmp_path / "secret.css").write_text("h1::after { content: 'secret' }", encoding="utf-8")
    asked: list[str] = []
    opened = urllib.request.OpenerDirector.open

    def listen(self: Any, request: Any, *rest: Any, **options: Any) -> Any:
        asked.append(request.full_url)
        return opened(self, request, *rest, **options)

    monkeypatch.setattr(urllib.request.OpenerDirector, "open", listen)
    dot = "data:image/svg+xml;utf8,%3Csvg xmlns='http://www.w3.org/2000/svg'/%3E"
    outside = ["http://127.0.0.1:9/a.png", (tmp_path / "secret.css").as_uri(), "ftp://127.0.0.1/a"]
    body = "".join(f'<img alt="x" src="{url}"><link rel="stylesheet" href="{url}">'
                   for url in (*outside, dot))  # fmt: skip
    text = pypdf.PdfReader(io.BytesIO(html_pdf(page("Bales", body)))).pages[0].extract_text()
    assert "secret" not in text
    assert "Bales" in text
    assert asked
    assert all(url.startswith("data:image/svg+xml") for url in asked)


@pytest.fixture(scope="module")
def two(pypdf: Any, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """One trial reported twice: in other folders, seconds apart, for users of other habits."""
    place = tmp_path_factory.mktemp("two")
    first = write_report(DEMO, place / "one", date=DATE, pdf=True).path
    trial = shutil.copytree(first / "data", place / "far away" / "trial")
    (place / "matplotlibrc").write_text("lines.linewidth: 5\nfont.size: 20\n", encoding="utf-8")
    habits = {"TZ": "Asia/Tokyo", "LC_ALL": "C", "PYTHONHASHSEED": "7", "MPLCONFIGDIR": str(place)}
    second = place / "far away" / "two"
    command = [sys.executable, "-m", "silagetrial.cli", "report", str(trial), "--out", str(second)]
    command += ["--date", DATE.isoformat(), "--pdf"]
    subprocess.run(command, check=True, capture_output=True, env={**os.environ, **habits})
    return first, second


@pytest.mark.slow
def test_only_the_manifest_tells_two_runs_apart(two: tuple[Path, Path]) -> None:
    first, second = two
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    assert {"report.html", "report.ipynb", "report.pdf", "results.json"} < set(map(str, names))
    apart = [str(n) for n in names if (first / n).read_bytes() != (second / n).read_bytes()]
    assert apart == ["manifest.json"]
    old, new = (json.loads((folder / "manifest.json").read_text("utf-8")) for folder in two)
    assert {key for key in old if old[key] != new[key]} == {"command", "time"}


@pytest.mark.slow
def test_the_pdf_is_tagged_and_holds_the_whole_report(two: tuple[Path, Path], pypdf: Any) -> None:
    """ISO 14289-1 (PDF/UA-1): marked, with language, title shown, alternative texts, fonts inside.

    Clauses 7.1 (tagged content, title), 7.2 (language), 7.3 (figures), 7.21.4 (embedded fonts); 5
    (the identifier in the metadata).
    """
    reader = pypdf.PdfReader(two[0] / "report.pdf")
    root = reader.trailer["/Root"]
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en"
    assert root["/ViewerPreferences"]["/DisplayDocTitle"]
    metadata = root["/Metadata"].get_data().decode("utf-8")
    assert 'xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/"' in metadata
    results = json.loads((two[0] / "results.json").read_text(encoding="utf-8"))
    assert reader.metadata.title == results["title"]
    assert reader.metadata.creation_date is None
    tags = list(_tags(root["/StructTreeRoot"]))
    kinds = [tag["/S"] for tag in tags]
    assert kinds.count("/H1") == 1
    assert {"/H2", "/Table", "/TH", "/TD", "/Figure", "/L"} <= set(kinds)
    figures = [tag for tag in tags if tag["/S"] == "/Figure"]
    assert all(len(tag["/Alt"]) > 60 for tag in figures)
    fonts = [font.get_object() for sheet in reader.pages
             for font in sheet["/Resources"]["/Font"].values()]  # fmt: skip
    described = [font["/DescendantFonts"][0].get_object()["/FontDescriptor"] for font in fonts]
    assert all("/FontFile2" in item or "/FontFile3" in item for item in described)
    text = " ".join(" ".join(sheet.extract_text().split()) for sheet in reader.pages)
    for said in results["summary"]:
        assert " ".join(said.replace("\u00a0", " ").split()) in text.replace("\u00a0", " ")
    # What is folded on the page stands open on paper; its code does not.
    assert "Best linear unbiased predictions" in text
    assert "display(" not in text


def _tags(item: Any) -> Iterator[Any]:
    """Every structure element below one."""
    below = item.get("/K", []) if hasattr(item, "get") else []
    for child in below if isinstance(below, list) else [below]:
        tag = child.get_object() if hasattr(child, "get_object") else child
        if hasattr(tag, "get") and "/S" in tag:
            yield tag
            yield from _tags(tag)


@pytest.mark.slow
def test_no_sheet_is_cut(two: tuple[Path, Path], pypdf: Any) -> None:
    """Every text begins within the margins, and no heading stands last on its sheet."""
    reader = pypdf.PdfReader(two[0] / "report.pdf")
    headings = set(_titles(reader.outline))
    assert {"The answer", "Methods", "References"} <= headings
    for sheet in reader.pages:
        shown = _texts(sheet)
        width, height = float(sheet.mediabox.width), float(sheet.mediabox.height)
        for _, x, y in shown:
            assert 14 * MILLIMETRE <= x <= width - 15 * MILLIMETRE
            assert 5 * MILLIMETRE <= y <= height - 14 * MILLIMETRE
        above_number = [place for place in shown if place[2] > 18 * MILLIMETRE]
        lowest = min(place[2] for place in above_number)
        last = " ".join(text for text, _, y in above_number if y < lowest + 1.0)
        assert last not in headings


def _texts(sheet: Any) -> list[tuple[str, float, float]]:
    """Every text of a sheet, and where it begins, in points from the lower left corner."""
    places: list[tuple[str, float, float]] = []

    def note(text: str, matrix: list[float], own: list[float], *_: object) -> None:
        if text.strip():
            x, y = own[4] * matrix[0] + matrix[4], own[5] * matrix[3] + matrix[5]
            places.append((text.strip(), x, y))

    sheet.extract_text(visitor_text=note)
    return places


def _titles(outline: list[Any]) -> Iterator[str]:
    for item in outline:
        if isinstance(item, list):
            yield from _titles(item)
        else:
            yield item.title
