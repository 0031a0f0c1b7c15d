"""The three notebooks run from top to bottom, say what their text says, and their checks check."""

from __future__ import annotations

import shutil
import time
from copy import deepcopy
from importlib import import_module
from pathlib import Path

import nbformat
import pytest
from exercise_answers import ANSWERS, SAID, Exercise
from nbformat import NotebookNode

from silagetrial.report.kernel import execute

ROOT = Path(__file__).parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
LIMIT = 60.0
"""Seconds a notebook may take on two cores."""


def read(path: Path) -> NotebookNode:
    return nbformat.read(path, as_version=4)


def cells_of(notebook: NotebookNode, kind: str) -> dict[str, NotebookNode]:
    """Code cells called ``kind-...`` by the rest of their name."""
    return {
        cell.id.removeprefix(f"{kind}-"): cell
        for cell in notebook.cells
        if cell.cell_type == "code" and cell.id.startswith(f"{kind}-")
    }


def answered(notebook: NotebookNode, exercises: dict[str, Exercise]) -> NotebookNode:
    """Put each wrong answer, then the right one, after the empty exercise and its check."""
    copy = deepcopy(notebook)
    empty, checks = cells_of(notebook, "exercise"), cells_of(notebook, "check")
    cells: list[NotebookNode] = []
    for cell in copy.cells:
        cells.append(cell)
        name = cell.id.removeprefix("check-")
        if cell.cell_type != "code" or name == cell.id:
            continue
        exercise = exercises[name]
        for answer in (*(wrong for wrong, _ in exercise.wrong), exercise.right):
            filled, again = deepcopy(empty[name]), deepcopy(checks[name])
            filled.source = filled.source.replace("...", answer)
            filled.id, again.id = (f"{kind}-{name}-{len(cells)}" for kind in ("try", "reply"))
            cells += [filled, again]
    copy.cells = cells
    return copy


def output(cell: NotebookNode) -> str:
    """What a cell printed or showed, as text; nothing may go to standard error."""
    assert all(out.get("name") != "stderr" for out in cell.outputs), cell.outputs
    shown = [out.get("data", {}) for out in cell.outputs]
    texts = [out.get("text", "") for out in cell.outputs]
    return "\n".join([*texts, *(part for data in shown for part in data.values())])


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_runs_and_its_checks_tell_right_from_wrong(path: Path, tmp_path: Path) -> None:
    for folder in ("notebooks", "data_demo"):
        shutil.copytree(ROOT / folder, tmp_path / folder)
    exercises = ANSWERS[path.name]
    began = time.perf_counter()
    done = execute(answered(read(path), exercises), tmp_path / "notebooks")
    assert time.perf_counter() - began < LIMIT

    said = {cell.id: output(cell) for cell in done.cells if cell.cell_type == "code"}
    for name, exercise in exercises.items():
        assert said[f"check-{name}"].startswith("Not done yet"), said[f"check-{name}"]
        replies = [text for key, text in said.items() if key.startswith(f"reply-{name}-")]
        for (wrong, words), reply in zip(exercise.wrong, replies[:-1], strict=True):
            assert reply.startswith("Not yet"), (wrong, reply)
            assert words in reply, (wrong, reply)
        assert replies[-1].startswith("Right: "), (exercise.right, replies[-1])
    for cell, parts in SAID[path.name].items():
        for part in parts:
            assert part in said[cell], (cell, part, said[cell][:3000])


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.name)
def test_notebook_is_kept_without_outputs_and_every_exercise_has_its_check(path: Path) -> None:
    notebook = read(path)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(cell.outputs == [] and cell.execution_count is None for cell in code)
    ids = [cell.id for cell in notebook.cells]
    assert len(ids) == len(set(ids))
    empty, checks = cells_of(notebook, "exercise"), cells_of(notebook, "check")
    assert set(empty) == set(checks) == set(ANSWERS[path.name])
    for name, exercise in ANSWERS[path.name].items():
        assert empty[name].source == f"{exercise.name} = ..."
        assert ids.index(f"check-{name}") == ids.index(f"exercise-{name}") + 1
    assert set(SAID[path.name]) <= set(ids)


@pytest.mark.parametrize(
    ("answer", "reply"),
    [
        (..., "Not done yet: put your answer in the place of the three dots"),
        (5.04, "Right: five farms."),
        (6, "Not yet: six is the number of pairs."),
        (7, "Not yet: count the farms."),
        ("5", "Not yet: '5' was found, a number is asked for."),
        (None, "Not yet: None was found, a number is asked for."),
    ],
)
def test_a_check_says_what_is_wrong(
    answer: float, reply: str, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.syspath_prepend(str(ROOT / "notebooks"))
    check = import_module("exercises").check
    hints = {6: "six is the number of pairs."}
    words = {"why": "five farms.", "hints": hints, "otherwise": "count the farms."}
    check(answer, right=5, tolerance=0.05, **words)
    assert capsys.readouterr().out.startswith(reply)
    check("Net ", right="net", why="seen.")
    check(5, right="net", why="seen.")
    assert capsys.readouterr().out == (
        "Right: seen.\nNot yet: 5 was found, a text in quotation marks is asked for.\n"
    )


def test_each_user_has_a_notebook_and_the_readme_leads_there() -> None:
    assert sorted(ANSWERS) == sorted(SAID) == [path.name for path in NOTEBOOKS]
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for path in NOTEBOOKS:
        assert f"(notebooks/{path.name})" in readme
