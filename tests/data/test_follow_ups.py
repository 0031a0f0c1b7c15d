"""One fault gives its own problem and no advice that would do harm if it were followed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from builders import make_trial, read_cells, write_cells
from problem_case import FILM, NET, OPENED, SAMPLE, Edit, both, cell, event, every, toml

from silagetrial.data import read_trial


def replaced(name: str, old: bytes, new: bytes) -> Edit:
    """Replace bytes of a file once; they must be there."""

    def edit(folder: Path) -> None:
        content = (folder / name).read_bytes()
        assert old in content
        (folder / name).write_bytes(content.replace(old, new, 1))

    return edit


def in_line(name: str, begin: str, old: str, new: str) -> Edit:
    """Replace text in the line that begins with `begin`; it must be there."""

    def edit(folder: Path) -> None:
        lines = (folder / name).read_text(encoding="utf-8").splitlines()
        (k,) = (k for k, line in enumerate(lines) if line.startswith(f"{begin},"))
        assert old in lines[k]
        lines[k] = lines[k].replace(old, new, 1)
        (folder / name).write_text("\n".join(lines), encoding="utf-8")

    return edit


WAITING = "samples and weighings not checked against bales.csv until it is readable"
NO_UTF8 = "a byte (0xfc) that is no UTF-8; in Windows-1252 it is 'ü'"


def fresh_without_dm_unit(folder: Path) -> None:
    toml('butyric_acid = "g/kg DM"', 'butyric_acid = "g/kg fresh"')(folder)
    toml('dm = "g/kg"\n', "")(folder)


@pytest.mark.parametrize(
    ("edit", "found"),
    [
        # A table that cannot be read.
        (replaced("bales.csv", b"Birch", b"B\xfcrch"), [NO_UTF8, WAITING]),
        (
            replaced("bales.csv", b"bale,", b"Bale,"),
            ["the heading 'Bale', which is not known", "no column bale", WAITING],
        ),
        (
            replaced("bales.csv", b",pair,", b",Pair,"),
            ["the heading 'Pair', which is not known", WAITING],
        ),
        (
            both(
                replaced("bales.csv", b"Birch", b"B\xfcrch"),
                toml("seed =", 'factors = ["field"]\nseed ='),
            ),
            [NO_UTF8, WAITING],
        ),
        (
            lambda folder: (folder / "samples.csv").unlink(),
            [
                "no such file in the trial's folder",
                "bales not checked against samples.csv until it is readable",
            ],
        ),
        (
            replaced("weighings.csv", b"A01", b"A\xfc1"),
            [NO_UTF8, "bales not checked against weighings.csv until it is readable"],
        ),
        (
            both(
                event(NET, "2025-06-01", "lost"),
                replaced("events.csv", b"lost", b"l\xfcst"),
                lambda folder: write_cells(
                    folder / "samples.csv",
                    [row for row in read_cells(folder / "samples.csv") if row["of"] != NET],
                ),
            ),
            [NO_UTF8, "bales not checked against events.csv until it is readable"],
        ),
        (
            replaced("scales.csv", b"platform", b"pl\xfctform"),
            [NO_UTF8, "weighings not checked against scales.csv until it is readable"],
        ),
        # One row or cell that cannot be read.
        (in_line("bales.csv", NET, ",1.1,", ",1,1,"), ["13 cells"]),
        (in_line("samples.csv", SAMPLE, ",oven,", ",5,oven,"), ["14 cells"]),
        (in_line("samples.csv", "A01-day0", ",oven,", ",5,oven,"), ["14 cells"]),
        (in_line("weighings.csv", OPENED, ",75,", ",75,0,"), ["8 cells"]),
        (in_line("scales.csv", "platform", ",0.5", ",0,5"), ["4 cells"]),
        (cell("bales", NET, "film_wrapped_at", "26.5.2025"), ["'26.5.2025'"]),
        (cell("bales", NET, "binding", "nets"), ["'nets'"]),
        (cell("bales", NET, "binding", ""), ["a blank cell"]),
        (cell("samples", SAMPLE, "kind", "Opening"), ["'Opening'"]),
        (cell("samples", SAMPLE, "taken_on", "25.7.2025"), ["'25.7.2025'"]),
        (cell("samples", SAMPLE, "of", "A01 net"), ["'A01 net'"]),
        (cell("samples", "A01-day0", "kind", "day 0"), ["'day 0'"]),
        (cell("weighings", OPENED, "weighed_at", "25.7.2025"), ["'25.7.2025'"]),
        (cell("weighings", OPENED, "bales", "A01,net"), ["'A01,net'"]),
        (cell("samples", SAMPLE, "dm_basis", "Oven"), ["'Oven'"]),
        (
            cell("samples", SAMPLE, "butyric_acid", "0,84"),
            [
                "two decimal marks in one column: a comma in 1 cell, as '0,84' (line 10), and a "
                "point in 15 cells, as '1.17' (lines 11, 12, 13 and 12 more)"
            ],
        ),
        (
            both(
                toml('butyric_acid = "g/kg DM"', 'butyric_acid = "g/kg fresh"'),
                cell("samples", SAMPLE, "dm", "34x"),
            ),
            ["'34x'"],
        ),
        (
            both(
                every("samples", "supersedes", ""),
                cell("samples", SAMPLE, "supersedes", "older"),
                lambda folder: (folder / "samples.csv").write_text(
                    (folder / "samples.csv").read_text(encoding="utf-8") + "older,A01-net\n",
                    encoding="utf-8",
                ),
            ),
            ["2 cells"],
        ),
        (
            both(
                toml("seed =", 'factors = ["binding_layers"]\nseed ='),
                every("bales", "binding_layers", "3"),
                cell("bales", NET, "binding_layers", "2x"),
            ),
            ["'2x'"],
        ),
        (
            both(
                toml("seed =", 'factors = ["tier"]\nseed ='),
                every("bales", "Tier", "1"),
            ),
            ["the heading 'Tier', which is not known"],
        ),
        (
            replaced("samples.csv", b"dm_basis", b"dm_bases"),
            ["the heading 'dm_bases', which is not known"],
        ),
        (
            replaced("samples.csv", b"acetic_acid", b"acetic acid"),
            ["the heading 'acetic acid', which is not known"],
        ),
        (
            replaced("bales.csv", b"planned_opening", b"planned opening"),
            ["the heading 'planned opening', which is not known"],
        ),
        # A setting that is refused, and what hangs on it.
        (
            toml('butyric_acid = "g/kg DM"\n', ""),
            [
                "results in the column butyric_acid of samples.csv, whose unit is not declared",
            ],
        ),
        (toml('butyric_acid = "g/kg DM"', 'butyric_acid = "mg"'), ["butyric_acid = 'mg'"]),
        (toml("[units]", "[unit]"), ["'unit', which is not known here"]),
        (
            fresh_without_dm_unit,
            ["results in the column dm of samples.csv, whose unit is not declared"],
        ),
        (toml("window = [231, 249]", "window = [231]"), ["window = [231]"]),
        (toml('bales = "separate"', 'bales = "seperate"'), ["bales = 'seperate'"]),
        (
            toml('bales = "separate"', 'bales = "cored again"'),
            ["bales = 'cored again'"],
        ),
    ],
)
def test_one_fault_gives_one_problem(edit: Edit, found: list[str], tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    edit(folder)
    assert [item.found for item in read_trial(folder).problem_list] == found


def test_a_duplicate_bale_leaves_its_pair_complete_and_points_at_the_twins(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    numbered = read_cells(folder / "bales.csv")
    for name in ("bales", "samples", "weighings"):
        text = (folder / f"{name}.csv").read_text(encoding="utf-8")
        text = text.replace("A01-film", "A01-1").replace("A01-net", "A01-2")
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    (first,) = (k for k, row in enumerate(numbered, start=2) if row["bale"] == FILM)
    (second,) = (k for k, row in enumerate(numbered, start=2) if row["bale"] == NET)
    cell("bales", "A01-2", "bale", "A01-1")(folder)
    trial = read_trial(folder)
    at = sorted((first, second))
    assert {item.found for item in trial.errors} == {
        f"bale 'A01-1' again, first in line {at[0]}",
        "'A01-2', which is not in bales.csv",
    }
    assert {item.remedy for item in trial.errors if "not in bales.csv" in item.found} == {
        f"'A01-1' stands in lines {at[0]} and {at[1]} of bales.csv: "
        "see whether one of these is 'A01-2'"
    }


def test_a_bale_that_stands_in_its_own_line_is_not_suggested(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    for name in ("bales", "samples", "weighings"):
        text = (folder / f"{name}.csv").read_text(encoding="utf-8")
        text = text.replace("A01-film", "A01-1").replace("A01-net", "A01-2")
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    rows = read_cells(folder / "bales.csv")
    write_cells(folder / "bales.csv", [row for row in rows if row["bale"] != "A01-2"])
    remedies = [
        item.remedy for item in read_trial(folder).errors if "not in bales.csv" in item.found
    ]
    assert remedies == ["correct the name, or add the bale"] * 3


@pytest.mark.parametrize("name", ["a01-NET", "A01_net", "A1-net", "A01net"])
def test_a_bale_written_in_another_way_is_suggested_though_it_is_used(
    name: str, tmp_path: Path
) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    cell("weighings", OPENED, "bales", name)(folder)
    (problem,) = read_trial(folder).errors
    assert problem.found == f"{name!r}, which is not in bales.csv"
    assert problem.remedy == f"did you mean {NET!r}? If not, correct the name, or add the bale"


COLUMNS: list[tuple[str, Callable[[Path], object], set[str]]] = [
    ("butyric_acid", cell("samples", SAMPLE, "butyric_acid", "61"), {"warning"}),
    ("butyric_acid", cell("samples", SAMPLE, "butyric_acid", "200.1"), {"error"}),
    ("butyric_acid", cell("samples", SAMPLE, "butyric_acid", "60"), set()),
    ("lactic_acid", cell("samples", SAMPLE, "lactic_acid", "160"), {"warning"}),
    ("lactic_acid", cell("samples", SAMPLE, "lactic_acid", "840"), {"error"}),
    ("ammonia_n", cell("samples", SAMPLE, "ammonia_n", "61"), {"warning"}),
    ("ammonia_n", cell("samples", SAMPLE, "ammonia_n", "100.5"), {"error"}),
]


@pytest.mark.parametrize(("column", "edit", "severities"), COLUMNS)
def test_results_far_from_usual_are_warnings_and_beyond_that_errors(
    column: str, edit: Edit, severities: set[str], tmp_path: Path
) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    edit(folder)
    problems = read_trial(folder).problem_list
    assert {item.severity for item in problems} == severities
    assert {item.column for item in problems} <= {column}


@pytest.mark.parametrize(("kg", "warned"), [("0.6", False), ("", True)])
def test_cores_are_weighed_where_the_bale_is_examined_again(
    kg: str, warned: bool, tmp_path: Path
) -> None:
    folder = make_trial(tmp_path, design="recored", pairs=1, sites=1)
    every("samples", "fresh_kg", kg)(folder)
    found = [item.found for item in read_trial(folder).problem_list]
    first = next(
        row["sample"] for row in read_cells(folder / "samples.csv") if "-60" in row["sample"]
    )
    expected = f"core {first} not weighed, and 1 more, of bales examined again later"
    assert found == ([expected] if warned else [])
    # The last core of a bale takes nothing from a later result.
    for name in (NET, FILM):
        cell("samples", f"{name}-60", "fresh_kg", "0.6")(folder)
    assert read_trial(folder).problem_list == ()
