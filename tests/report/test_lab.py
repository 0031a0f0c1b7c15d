"""Notebooks in JupyterLab, in real Chromium: they open, and a report's runs to its own numbers."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import nbformat
import pytest
from browser import Visit, chromium, visit
from conftest import Written
from lab import (
    HOST,
    error_outputs,
    jupyter_lab,
    outputs,
    page_of,
    pictures,
    prompts,
    run_all,
    shown,
)

if TYPE_CHECKING:
    from playwright.sync_api import Browser

pytestmark = pytest.mark.slow

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder that JupyterLab shows."""
    return tmp_path_factory.mktemp("notebooks")


@pytest.fixture(scope="module")
def address(root: Path, tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    with jupyter_lab(root, tmp_path_factory.mktemp("lab")) as served:
        yield served


@pytest.fixture
def browser() -> Iterator[Browser]:
    with chromium(HOST) as started:
        yield started


@contextmanager
def opened(browser: Browser, address: str, notebook: str, *, code: int) -> Iterator[Visit]:
    """Open a notebook with so many cells of code; only the server is asked, no error is said."""
    with visit(browser, page_of(address, notebook)) as seen:
        shown(seen.page, code=code)
        yield seen
        assert seen.errors == []
        assert [url for url in seen.requests if not url.startswith((address, "data:"))] == []


def cells(path: Path, kind: str) -> list[nbformat.NotebookNode]:
    notebook = nbformat.read(path, as_version=4)
    return [cell for cell in notebook.cells if cell.cell_type == kind]


def test_a_report_runs(written: Written, root: Path, address: str, browser: Browser) -> None:
    report = written("recored").path
    folder = Path(shutil.copytree(report, root / "report"))
    (folder / "results.json").unlink()
    code = cells(report / "report.ipynb", "code")
    drawn = sum("image/png" in output.get("data", {}) for cell in code for output in cell.outputs)
    with opened(browser, address, "report/report.ipynb", code=len(code)) as seen:
        run_all(seen.page)
        assert error_outputs(seen.page) == []
        assert prompts(seen.page) == [f"[{k}]:" for k in range(1, len(code) + 1)]
        assert drawn >= 2
        assert pictures(seen.page) == [True] * drawn
        below = outputs(seen.page)
    assert (folder / "results.json").read_bytes() == (report / "results.json").read_bytes()
    results = json.loads((report / "results.json").read_text(encoding="utf-8"))
    answers = [text for text in below if all(told in text for told in results["summary"])]
    assert len(answers) == 1
    for response in results["responses"].values():
        at_the_end = response["differences"][-1]
        assert f" {at_the_end['estimate']:.2f}" in answers[0]


def test_notebooks_open(root: Path, address: str, browser: Browser) -> None:
    shutil.copytree(NOTEBOOKS, root / "notebooks")
    paths = sorted(NOTEBOOKS.glob("*.ipynb"))
    assert len(paths) == 3
    for path in paths:
        with opened(
            browser, address, f"notebooks/{path.name}", code=len(cells(path, "code"))
        ) as seen:
            heading = seen.page.locator(".jp-RenderedMarkdown h1").first.inner_text()
            title = cells(path, "markdown")[0].source.splitlines()[0]
            assert heading.rstrip("¶") == title.removeprefix("# ")


def test_what_stops_is_seen(root: Path, address: str, browser: Browser) -> None:
    """A notebook that stops half-way and shows a broken picture, so that the checks can fail."""
    broken = "from IPython.display import HTML\nHTML('<img src=\"data:image/png;base64,AA\">')"
    sources = (broken, "1 / 0", "'never reached'")
    notebook = nbformat.v4.new_notebook(
        cells=[nbformat.v4.new_code_cell(source) for source in sources],
        # Without it JupyterLab asks which kernel is meant, and nothing else can be clicked.
        metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}},
    )
    nbformat.write(notebook, root / "stops.ipynb")
    with opened(browser, address, "stops.ipynb", code=len(sources)) as seen:
        run_all(seen.page)
        assert prompts(seen.page) == ["[1]:", "[2]:", "[ ]:"]
        assert "ZeroDivisionError" in "".join(error_outputs(seen.page))
        assert pictures(seen.page) == [False]
