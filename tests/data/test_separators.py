"""The same tables with other separators and decimal marks give the same trial."""

from __future__ import annotations

import contextlib
import csv
import re
from pathlib import Path

import pytest
from builders import make_trial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from workbooks import same_trial

from silagetrial.data import TABLES, read_trial
from silagetrial.data.files import ragged_rows, read_csv
from silagetrial.errors import DataProblems

NUMBERS = {c.name for t in TABLES.values() for c in t if c.kind in ("number", "measured")}


def rewrite(folder: Path, mark: str, *, comma: bool) -> None:
    """Write all tables with another separator, and numbers with a decimal comma."""
    for path in folder.glob("*.csv"):
        with path.open(newline="", encoding="utf-8") as file:
            heading, *rows = list(csv.reader(file))
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file, delimiter=mark)
            writer.writerow(heading)
            for row in rows:
                writer.writerow(
                    re.sub(r"(\d)\.(\d)", r"\1,\2", cell) if comma and name in NUMBERS else cell
                    for name, cell in zip(heading, row, strict=True)
                )


def declare(folder: Path, **keys: str) -> None:
    lines = [f'{key} = "{value}"' for key, value in keys.items()]
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write("\n".join(["", "[files]", *lines, ""]))


@pytest.mark.parametrize(("name", "mark"), [("comma", ","), ("semicolon", ";"), ("tab", "\t")])
@pytest.mark.parametrize("comma", [False, True])
def test_the_same_trial(name: str, mark: str, comma: bool, tmp_path: Path) -> None:
    plain, other, said = (make_trial(tmp_path / n) for n in ("plain", "other", "said"))
    rewrite(other, mark, comma=comma)
    same_trial(plain, other)
    rewrite(said, mark, comma=comma)
    declare(said, separator=name, decimal="," if comma else ".")
    trial = read_trial(said)
    assert trial.problem_list == ()
    assert trial.samples.equals(read_trial(plain).samples)


def test_another_separator_than_declared(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    declare(folder, separator="semicolon")
    problem = read_trial(folder).errors[0]
    assert problem.found == "headings separated by commas, separator = 'semicolon' in trial.toml"
    assert "correct separator under [files]" in problem.remedy


def test_a_row_that_is_too_long_in_a_file_of_semicolons(tmp_path: Path) -> None:
    path = tmp_path / "scales.csv"
    path.write_text("scale;kind\nplatform;a;b\nloader\n", encoding="utf-8")
    table, _ = read_csv(path)
    assert table is not None
    long, short = ragged_rows(table)
    assert (long.found, long.remedy) == (
        "3 cells",
        "put a text with a semicolon between double quotes",
    )
    assert short.remedy == "put the missing semicolons in"


@settings(max_examples=200, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    content=st.binary(max_size=200)
    | st.text(st.sampled_from('ab,;\t"\n\r 1\0é\u202e='), max_size=60).map(str.encode),
    separator=st.sampled_from([None, "comma", "semicolon", "tab"]),
)
def test_any_bytes_end_in_a_table_or_in_words(
    tmp_path_factory: pytest.TempPathFactory, content: bytes, separator: str | None
) -> None:
    path = tmp_path_factory.mktemp("bytes") / "bales.csv"
    path.write_bytes(content)
    table, problems = read_csv(path, separator=separator)
    assert table is not None or problems
    if table is not None:
        assert all(len(row) == len(table.heading) for row in table.rows)
        assert len(table.lines) == len(table.rows)


@settings(max_examples=50, deadline=None, suppress_health_check=list(HealthCheck))
@given(content=st.binary(max_size=300))
@pytest.mark.slow
def test_any_bytes_as_a_table_of_a_trial(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("trial"), pairs=1, sites=1)
    (folder / "events.csv").write_bytes(content)
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    with contextlib.suppress(DataProblems):
        assert all(item.remedy for item in read_trial(folder).problem_list)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
