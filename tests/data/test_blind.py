"""Blind samples: the key fills them in; controls stay out of the analysis and tell precision."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from builders import Cells, make_trial, read_cells, write_cells
from cases_blind import blind
from pandas.testing import assert_frame_equal
from problem_case import SAMPLE, cell

from silagetrial.analysis import analyse
from silagetrial.data import read_trial


def with_twins(folder: Path, names: list[str], *, add: float = 0.1) -> None:
    """Send a second part of these samples, and a reference sample, under other names."""
    rows = read_cells(folder / "samples.csv")
    by_name = {row["sample"]: row for row in rows}
    twins: Cells = []
    for number, name in enumerate(names):
        acid = f"{float(by_name[name]['acetic_acid']) + add:.1f}"
        twins.append({**by_name[name], "sample": f"K{number}", "taken_on": "", "acetic_acid": acid})
    reference = [
        {**by_name[names[0]], "sample": f"R{k}", "taken_on": "", "of": "", "kind": "", "batch": "",
         "acetic_acid": f"{15 + k}"}
        for k in range(3)
    ]  # fmt: skip
    extra = [
        {"sample": twin["sample"], "of": by_name[name]["of"], "kind": by_name[name]["kind"],
         "opening": f"{name.rsplit('-', 1)[1]} days", "batch": by_name[name]["batch"],
         "role": "duplicate", "of_sample": ""}
        for twin, name in zip(twins, names, strict=True)
    ]  # fmt: skip
    extra += [{"sample": row["sample"], "role": "reference", "of": ""} for row in reference]
    blind(extra=extra)(folder)
    whole = read_cells(folder / "samples.csv")
    blank = {"of": "", "kind": "", "batch": ""}
    write_cells(folder / "samples.csv", [*whole, *({**r, **blank} for r in (*twins, *reference))])


def opened(folder: Path) -> list[str]:
    return [r["sample"] for r in read_cells(folder / "samples.csv") if r["kind"] == "opening"]


def test_the_key_fills_in_what_is_blank(tmp_path: Path) -> None:
    open_trial = read_trial(make_trial(tmp_path / "open", pairs=2))
    folder = make_trial(tmp_path / "blind", pairs=2)
    blind()(folder)
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert_frame_equal(trial.samples, open_trial.samples)
    assert len(trial.blind_key) == len(trial.samples)


def test_samples_not_taken_yet_are_due_at_the_opening_of_the_key(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, design="recored", pairs=1, sites=1)
    blind((SAMPLE, "opening", "60 days"))(folder)
    rows = read_cells(folder / "samples.csv")
    for row in rows:
        if row["sample"] == SAMPLE:
            row |= {name: "" for name in row if name != "sample"}
    write_cells(folder / "samples.csv", rows)
    trial = read_trial(folder)
    assert trial.errors == ()
    assert trial.due.frame.to_numpy().tolist() == [
        ["samples", SAMPLE, "A01-net", "core", "60 days", 60.0]
    ]


def test_a_repeated_analysis_is_looked_up_under_the_first_name(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1)
    blind()(folder)
    rows = read_cells(folder / "samples.csv")
    old = next(row for row in rows if row["sample"] == SAMPLE)
    again = {**old, "sample": "again", "supersedes": SAMPLE}
    write_cells(folder / "samples.csv", [*({**r, "supersedes": ""} for r in rows), again])
    trial = read_trial(folder)
    assert trial.errors == ()
    assert trial.samples.set_index("sample").loc["again", ["of", "kind"]].tolist() == [
        "A01-net", "opening",
    ]  # fmt: skip


def test_controls_are_no_rows_of_the_analysis(tmp_path: Path) -> None:
    alone = make_trial(tmp_path / "alone", pairs=3)
    folder = make_trial(tmp_path / "controls", pairs=3)
    with_twins(folder, opened(folder)[:4])
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert trial.controls["role"].tolist() == ["duplicate"] * 4 + ["reference"] * 3
    # A duplicate was taken when its sample was.
    assert trial.controls["taken_on"].notna().sum() == 4
    expected = analyse(read_trial(alone))["butyric_acid"].differences.frame
    assert_frame_equal(analyse(trial)["butyric_acid"].differences.frame, expected)


def test_equally_many_duplicates_are_averaged_with_their_samples(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=3)
    with_twins(folder, opened(folder), add=1.0)
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert trial.controls["role"].tolist() == ["reference"] * 3
    assert (trial.samples["role"] == "duplicate").sum() == 24
    result = analyse(trial)["butyric_acid"]
    assert len(result.records.rows) == 24
    assert result.model is not None
    assert "bale:opening" not in result.model.random


@pytest.mark.slow
def test_cores_with_duplicates_take_their_mass_once(tmp_path: Path) -> None:
    folder = make_trial(tmp_path / "one", design="recored", pairs=3)
    rows = [{**r, "fresh_kg": "0.6"} for r in read_cells(folder / "samples.csv")]
    write_cells(folder / "samples.csv", rows)
    expected = analyse(read_trial(folder))["dm_loss"].records.rows["value"]
    names = [row["sample"] for row in rows if row["kind"] == "core"]
    with_twins(folder, names, add=0.0)
    found = analyse(read_trial(folder))["dm_loss"].records.rows["value"]
    np.testing.assert_allclose(found, expected, rtol=1e-12)


def test_precision_of_the_laboratory(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=3)
    with_twins(folder, opened(folder)[:5], add=1.4)
    told = read_trial(folder).laboratory_sd.frame.set_index(["term", "what", "scale"])
    twins = told.loc[("acetic_acid", "blind duplicates", "identity")]
    # Pairs that differ by d: s = d / sqrt(2), one degree of freedom each.
    assert twins["estimate"] == pytest.approx(1.4 / np.sqrt(2))
    assert (twins["sets"], twins["df"], twins["unit"]) == (5, 5, "g/kg DM")
    reference = told.loc[("acetic_acid", "reference sample", "identity")]
    assert reference["estimate"] == pytest.approx(1.0)  # 15, 16, 17
    assert reference["df"] == 2
    assert ("dm", "blind duplicates", "log") not in told.index


def test_binding_seen_that_agrees_says_nothing(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    cell("samples", SAMPLE, "binding_seen", "net")(folder)
    assert read_trial(folder).problem_list == ()
