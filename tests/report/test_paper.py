"""The paragraph for a paper: its length, its numbers, and what it leaves out."""

from __future__ import annotations

from pathlib import Path

import pytest
from conftest import Analysed

from silagetrial.report import paper
from silagetrial.report.looks import Log, Look


@pytest.mark.parametrize(
    "name",
    ["separate", "recored", "three bindings", "one pair", "all below", "no day-0", "no samples",
     "one opening", "five farms", "in runs", "alike", "not worse", "unpaired"],
)  # fmt: skip
def test_it_is_as_long_as_a_paper_has_room_for(analysed: Analysed, name: str) -> None:
    (text,) = paper.paragraph(analysed(name)).lines
    assert 120 <= len(text.split()) <= 280, len(text.split())


def test_its_numbers_are_those_of_the_analysis(analysed: Analysed) -> None:
    analysis = analysed("recored")
    (text,) = paper.paragraph(analysis).lines
    rows = analysis["butyric_acid"].records.rows
    assert f"({rows['below'].sum()} of {len(rows)}) were set to half the limit; openings" in text
    frame = analysis["butyric_acid"].differences.frame
    (df,) = frame.loc[frame["opening"] == "8 months", "df"]
    assert f"(twine against net at 8 months: {df:.1f} in butyric acid and" in text
    assert "in 20 bales in 10 pairs on 1 farm; the same bales were cored after 45, 90," in text
    assert "Lost bales (1) were not imputed after their loss." in text
    assert "silagetrial 0.1.0 (The silagetrial authors 2026), Python 3." in text


def test_what_was_analysed_and_what_not_is_counted(analysed: Analysed) -> None:
    analysis = analysed("separate")
    (text,) = paper.paragraph(analysis).lines
    records = analysis["butyric_acid"].records
    out = records.left_out.frame["what"].value_counts()
    assert f"Analysed were {len(records.rows)} results each of butyric acid and DM loss;" in text
    assert f"bale lost ({out['bale lost']})" in text
    assert f"outside the window ({out['outside the window']})" in text
    assert "With farms fixed, results hold for these farms." in text
    (text,) = paper.paragraph(analysed("recored")).lines
    assert "With farms fixed" not in text


def test_nothing_is_said_of_what_was_not_run(analysed: Analysed) -> None:
    (text,) = paper.paragraph(analysed("no weighings")).lines
    assert "mass balance" not in text
    assert "no test of the binding in DM loss." in text
    (text,) = paper.paragraph(analysed("no samples")).lines
    for word in ("Variance", "Kenward", "simultaneous", "contrast", "statsmodels"):
        assert word not in text
    (text,) = paper.paragraph(analysed("not worse")).lines
    assert "Non-inferiority within margins was tested one-sided." in text
    assert "deviated from the plan of 2024-04-01 as listed in the report." in text


def test_a_look_before_the_end_is_told(analysed: Analysed) -> None:
    analysis = analysed("one opening")
    look = Look(("1 month",), 4, "2025-01-31", "a")
    (text,) = paper.paragraph(analysis, Log(True, look, (look,))).lines
    assert text.endswith("This was an interim look (1 of 4 openings) without a decision rule.")
    (text,) = paper.paragraph(analysis, Log(earlier=(look,))).lines
    assert text.endswith("1 look preceded it.")


def test_it_is_written_as_text_of_one_line(analysed: Analysed, tmp_path: Path) -> None:
    text = paper.paragraph(analysed("hostile"))
    paper.write(text, tmp_path / "methods.txt")
    assert (tmp_path / "methods.txt").read_text(encoding="utf-8") == text.lines[0] + "\n"
