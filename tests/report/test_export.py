"""The page: one file, no outside request, no markup out of the data."""

from __future__ import annotations

import datetime as dt
import re
import tempfile
from pathlib import Path

import pytest
from bs4 import BeautifulSoup

from silagetrial.errors import SilageTrialError
from silagetrial.report.export import notebook_html
from silagetrial.report.kernel import execute
from silagetrial.report.template import report_notebook

pytestmark = pytest.mark.slow

HOSTILE = "<script>alert(1)</script> {{7*7}} {% raw %} [x](javascript:alert(1)) <img src=x>"

SOURCE = """\
# %% id="first" tags=["only-in-notebook"]
import os
import sys
from pathlib import Path

text = Path("title.txt").read_text(encoding="utf-8")
sys.executable, os.getcwd()

# %% [markdown] id="heading"
# ## The answer

# %% id="hostile"
from IPython.display import display

import pandas as pd

from silagetrial.display.block import Picture, Prose

display(Prose((text,), kind="answer"))
display(Picture(b"png", b"svg", pd.DataFrame(), alt=text, caption=text, inches=5))
print(text)
text
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("kernel")
    (path / "title.txt").write_text(HOSTILE, encoding="utf-8")
    return path


def test_the_notebook_runs_in_this_python_and_exports_to_a_safe_page(folder: Path) -> None:
    notebook = report_notebook(date=dt.date(2026, 5, 31), source=SOURCE)
    started: list[str] = []
    executed = execute(notebook, folder, started=started.append)
    assert started == ["first", "heading", "hostile"]
    assert [cell.id for cell in executed.cells] == started
    where = executed.cells[0].outputs[0]["data"]["text/plain"]
    assert str(folder) in where
    assert all("outputs" not in cell or cell.outputs == [] for cell in notebook.cells)
    _check_page(notebook_html(executed, title=HOSTILE))


def _check_page(html: str) -> None:
    soup = BeautifulSoup(html, "html.parser")
    assert soup.find_all(["script", "iframe", "object", "link", "style"])[1:] == []
    assert [link["href"] for link in soup.find_all("a")] == ["#main-part", "#heading"]
    assert soup.find(id="heading") is not None
    assert soup.h1 is not None
    assert soup.h1.get_text() == HOSTILE
    assert soup.title is not None
    assert soup.title.get_text() == HOSTILE
    assert [heading.get_text() for heading in soup.find_all("h2")] == ["The answer"]
    assert [image["src"] for image in soup.find_all("img")] == ["data:image/png;base64,cG5n"]
    assert [image["alt"] for image in soup.find_all("img")] == [HOSTILE]
    assert soup.select(".st-answer p")[0].get_text() == HOSTILE
    assert HOSTILE in soup.select(".st-results pre")[0].get_text()
    assert "Dated 2026-05-31" in soup.get_text()
    assert "sys.executable" not in soup.get_text(), "cells of the notebook alone stay there"
    assert "display(Prose" in soup.select("details.st-code")[0].get_text()
    assert not re.search(r"(https?:)?//\w", html), "no address of the outside in the page"


def test_without_a_date_none_is_shown() -> None:
    notebook = report_notebook(source='# %% [markdown] id="a"\n# ## One\n')
    assert "Dated" not in notebook_html(notebook, title="t")


def test_what_shows_nothing_is_not_on_the_page(folder: Path) -> None:
    """No heading of an empty section, no code without its result; the notebook keeps both."""
    source = """\
# %% [markdown] id="gone"
# ## Nothing here

# %% id="silent"
from silagetrial.display.block import Prose
Prose(())

# %% [markdown] id="empty-part"
# ### Nothing below it either

# %% [markdown] id="stays"
# ## Something

# %% id="silent-too"
silent = 1

# %% [markdown] id="part"
# ### A part

# %% id="loud"
Prose(("said",))

# %% [markdown] id="last"
# ## Nothing at the end
"""
    executed = execute(report_notebook(source=source), folder)
    soup = BeautifulSoup(notebook_html(executed, title="t"), "html.parser")
    assert [tag.get_text() for tag in soup.find_all(["h2", "h3"])] == ["Something", "A part"]
    assert [link.get_text() for link in soup.select("nav a")] == ["Something"]
    assert len(soup.find_all("details")) == 1
    assert len(executed.cells) == 8


def test_two_runs_give_the_same_notebook(folder: Path) -> None:
    source = '# %% id="a"\nimport pandas as pd\npd.DataFrame({"x": [1]})\n'
    first, second = (execute(report_notebook(source=source), folder) for _ in range(2))
    assert first == second


def test_a_text_printed_in_pieces_is_one_output(folder: Path) -> None:
    source = (
        '# %% id="a"\nimport time\n'
        'for piece in ("4", " pairs"):\n    print(piece, end="", flush=True)\n    time.sleep(0.3)\n'
    )
    (cell,) = execute(report_notebook(source=source), folder).cells
    assert [output["text"] for output in cell.outputs] == ["4 pairs"]


def test_an_error_in_a_cell_is_one_line_and_a_log_file(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    source = '# %% id="fine"\n1\n\n# %% id="broken"\nraise KeyError("no such bale")\n'
    with pytest.raises(SilageTrialError) as caught:
        execute(report_notebook(source=source), folder)
    assert caught.value.found == (
        "the notebook stopped in its cell 'broken': KeyError: 'no such bale'"
    )
    (log,) = tmp_path.glob("silagetrial-*.log")
    assert caught.value.remedy.endswith(f"please report it with the file {log}")
    trace = log.read_text(encoding="utf-8")
    assert "Traceback" in trace
    assert "\x1b" not in trace
    assert len(str(caught.value).splitlines()) == 3
    assert caught.value.expected == "a notebook that runs from top to bottom"
    assert "silagetrial check" in caught.value.remedy
    assert caught.value.exit_code == 1


def test_start_up_files_of_the_user_stay_out(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    startup = tmp_path / "profile_default" / "startup"
    startup.mkdir(parents=True)
    (startup / "00.py").write_text("surprise = 1\n", encoding="utf-8")
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path))
    executed = execute(report_notebook(source='# %% id="a"\n"surprise" in globals()\n'), folder)
    assert executed.cells[0].outputs[0]["data"]["text/plain"] == "False"
