"""Bindings made one after the other and not in turn: runs count, not bales."""

from __future__ import annotations

from pathlib import Path

from analysis_designs import answer
from builders import make_trial, read_cells, write_cells


def in_runs(folder: Path, *, length: int) -> Path:
    """Number the bales anew: so many of one binding, then as many of the other, and again."""
    make_trial(folder, sites=1, pairs=6, limit=0.01)
    rows = read_cells(folder / "bales.csv")
    by = {name: [row for row in rows if row["binding"] == name] for name in ("net", "film")}
    order = 0
    for start in range(0, len(rows) // 2, length):
        for name in ("net", "film"):
            for row in by[name][start : start + length]:
                order += 1
                row["order"] = str(order)
    write_cells(folder / "bales.csv", rows)
    return folder


def test_all_net_then_all_film_has_no_error_to_test_by(tmp_path: Path) -> None:
    """Two runs, one a binding: their difference has no degrees of freedom, whatever the bales."""
    result = answer(in_runs(tmp_path, length=12))["butyric_acid"]
    assert not result.answered
    assert result.refusal is not None
    assert "no degrees of freedom among runs" in result.refusal.found


def test_four_runs_are_the_replicates(tmp_path: Path) -> None:
    result = answer(in_runs(tmp_path, length=6))["butyric_acid"]
    assert result.model is not None
    assert result.model.unit == "run"
    assert set(result.records.rows["run"]) == {
        f"Alder Farm, 2025-05-26, run {number}" for number in (1, 2, 3, 4)
    }


def test_bindings_in_turn_are_pairs_of_bales(tmp_path: Path) -> None:
    result = answer(in_runs(tmp_path, length=1))["butyric_acid"]
    assert result.answered
    assert result.model is not None
    assert result.model.unit == "bale"
    assert result.records.rows["run"].isna().all()
