"""A trick of the spreadsheet is one problem, and the rest of the table is read as it was."""

from __future__ import annotations

from pathlib import Path

from builders import make_trial, read_cells
from cases_tricks import rows_put, units_below
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data import TABLES, read_trial
from silagetrial.data.files import RawTable
from silagetrial.data.tricks import without_tricks


def test_a_row_that_is_none_leaves_the_others_as_they_are(tmp_path: Path) -> None:
    plain = make_trial(tmp_path / "plain")
    whole = read_trial(plain).weighings.reset_index(drop=True)
    heading = ",".join(read_cells(plain / "weighings.csv")[0])
    edits = {
        "units": units_below,
        "means": rows_put("weighings", -1, "Mean,,,,612.5,75,", "SD,,,,10.1,,"),
        "title": rows_put("weighings", 0, "Weighings", "", "of 2025,,"),
        "again": rows_put("weighings", 9, heading),
        "second": rows_put("weighings", -1, "bale,at,what,,,,", "A01-net,2025-06-01,moved,,,,"),
    }
    for name, edit in edits.items():
        folder = make_trial(tmp_path / name)
        edit(folder)
        trial = read_trial(folder)
        assert len(trial.errors) == (2 if name == "means" else 1)
        assert trial.weighings.reset_index(drop=True).equals(whole)


def test_lots_may_be_named_by_their_day_and_texts_may_look_like_units(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    text = (folder / "bales.csv").read_text(encoding="utf-8").splitlines()
    lines = [f"{text[0]},lot,note", *(f"{line},2025-05-26,kg" for line in text[1:])]
    (folder / "bales.csv").write_text("\n".join(lines), encoding="utf-8")
    assert read_trial(folder).problem_list == ()


CELL = st.sampled_from(
    ["", "bale", "at", "what", "kg", "Mean", "2026-01-01", "1E+05", "#REF!", "-", "A1", "007", "7"]
) | st.text(max_size=5)


@given(st.sampled_from(sorted(TABLES)), st.integers(1, 5), st.data())
def test_any_cells(table: str, wide: int, data: st.DataObject) -> None:
    row = st.tuples(*[CELL] * wide).filter(any)
    names = [column.name for column in TABLES[table]]
    heading = data.draw(st.tuples(*[st.sampled_from(names) | CELL] * wide))
    rows = data.draw(st.lists(row, max_size=6))
    raw = RawTable("x.csv", heading, tuple(range(2, len(rows) + 2)), tuple(rows))
    kept, problems = without_tricks(table, raw)
    gone = {*raw.lines} - {*kept.lines} - {*kept.left_out}
    heading_at = max((p.line or 0 for p in problems if "below other text" in p.found), default=0)
    above = {line for line in gone if line < heading_at}
    # Nothing leaves without a word; lines above a heading leave by that of the heading.
    assert gone - above <= {problem.line for problem in problems}
    assert all(len(cells) == len(kept.heading) for cells in kept.rows)
    assert all(p.found and p.expected and p.remedy for p in problems)
