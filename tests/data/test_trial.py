"""What a Trial shows of itself."""

from __future__ import annotations

import pickle
from pathlib import Path

from builders import make_trial, read_cells, write_cells

from silagetrial.data import read_trial


def test_summary_counts_what_is_there(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=3, sites=2, openings=(60, 240))
    write_cells(folder / "events.csv", [{"bale": "A01-net", "at": "2025-09-30", "what": "lost"}])
    for name in ("trial.toml", "bales.csv"):
        text = (folder / name).read_text(encoding="utf-8")
        (folder / name).write_text(text.replace("240 days", "8 months"), encoding="utf-8")
    trial = read_trial(folder)
    summary = dict(trial.summary.frame.itertuples(index=False, name=None))
    assert summary == {
        "question": "Does the binding change the silage?",
        "numbers": "invented",
        "bindings": "net (12 bales), film (12 bales)",
        "design": "each bale opened once",
        "openings": "60 days, 8 months (240 days)",
        "bales": "24 in 12 pairs on 2 sites, 1 lost",
        "samples": "12 at baling, 0 cores, 24 at opening",
        "weighings": "48",
        "problems": "0 errors, 0 warnings",
    }
    assert str(trial) == repr(trial)
    assert str(trial).startswith("Invented trial\n")
    assert trial.source == folder


def test_titles_are_text_not_markup(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    path = folder / "trial.toml"
    path.write_text(
        path.read_text(encoding="utf-8").replace("Invented trial", "<b onload=x>"),
        encoding="utf-8",
    )
    html = read_trial(folder)._repr_html_()
    assert "<b " not in html
    assert "&lt;b onload=x&gt;" in html


def test_problems_as_a_table(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "samples.csv")
    rows[0]["dm"], rows[1]["taken_on"] = "345,125", "2024-01-01"
    write_cells(folder / "samples.csv", rows)
    (folder / "weather.csv").write_text("day\n", encoding="utf-8")
    trial = read_trial(folder)
    table = trial.problems
    assert list(table.frame) == [
        "severity",
        "file",
        "line",
        "column",
        "found",
        "expected",
        "remedy",
    ]
    assert len(table) == len(trial.problem_list) == len(trial.errors) + len(trial.warnings)
    assert table.title == f"Problems: {len(trial.errors)} error, {len(trial.warnings)} warnings"
    first = table.frame.iloc[0]
    assert (first["file"], first["line"], first["column"]) == ("samples.csv", 2, "dm")
    assert "'345,125', a decimal or thousands comma" in str(table)
    stray = table.frame[table.frame["file"] == "weather.csv"]
    assert stray["line"].isna().all()


def test_a_trial_travels_between_processes(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path))
    back = pickle.loads(pickle.dumps(trial))
    assert back.settings == trial.settings
    assert back.samples.equals(trial.samples)
