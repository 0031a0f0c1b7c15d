"""The command `plan`: what it prints, what it writes, and its exit codes."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path

import pytest

from silagetrial import cli, plan_trial

DEMO = Path(__file__).parents[1] / "data_demo" / "plan_two_farms"


def test_it_writes_the_folder_and_tells_seed_hash_warnings_and_next_steps(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "trial"
    assert cli.main(["plan", str(DEMO), "--out", str(out), "--date", "2027-04-01"]) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    digest = hashlib.sha256((out / "analysis_plan.json").read_bytes()).hexdigest()
    for said in (
        "Pairs of each site", "Opening days", "What would spoil the comparison",
        "answer will be about these 2 farms", f"Analysis plan, SHA-256: {digest}",
        "Seed: 20270520", f"silagetrial check {out}", "Butyric acid: a ratio below",
    ):  # fmt: skip
        assert said in shown.out
    assert (out / "plan.toml").read_bytes() == (DEMO / "plan.toml").read_bytes()
    assert json.loads((out / "analysis_plan.json").read_bytes())["filed"] == "2027-04-01"
    assert cli.main(["check", str(out)]) == 0


def test_seed_and_early_stop_reach_the_layout(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = str(DEMO / "plan.toml")
    words = ["plan", file, "--out", str(tmp_path / "t"), "--seed", "3"]
    assert cli.main([*words, "--stopped-early", "Farrowby=7", "Withenshaw = 9"]) == 0
    shown = capsys.readouterr().out
    assert "Seed: 3" in shown
    assert "stopped early on Farrowby after 7 pairs" in shown
    expected = plan_trial(file, seed=3, stopped_early={"Farrowby": 7, "Withenshaw": 9}).key
    read = (tmp_path / "t" / "blind_key.csv").read_text(encoding="utf-8").splitlines()[1:]
    assert [line.split(",")[0] for line in read] == list(expected["sample"])


@pytest.mark.parametrize("word", ["Farrowby", "=7", "Farrowby=-1", "Farrowby=x"])
def test_an_early_stop_of_another_form_is_a_usage_error(
    word: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["plan", str(DEMO), "--out", str(tmp_path / "t"), "--stopped-early", word])
    assert left.value.code == 2
    told = capsys.readouterr().err
    assert f"{word!r} is not of the form SITE=PAIRS, such as 'Mill Farm=7'" in told
    assert "Expected: silagetrial plan" in told
    assert "Remedy: see `silagetrial plan --help`" in told


def test_a_comparison_that_cannot_be_told_is_exit_code_four(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (DEMO / "plan.toml").read_text(encoding="utf-8")
    one_pair = text.replace("pairs = 12", "pairs = 1").replace("pairs = 9", "pairs = 1")
    one_pair = one_pair.replace('"Long Acre", "Mill Piece"', '"Long Acre"')
    assert one_pair.count("pairs = 1\n") == 3  # two sites, and the spare pair
    (tmp_path / "plan.toml").write_text(
        one_pair.replace("spare_pairs = 1\n", "spare_pairs = 0\n"), encoding="utf-8"
    )
    assert cli.main(["plan", str(tmp_path), "--out", str(tmp_path / "t")]) == 4
    assert "error" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["power", str(DEMO), "--response", "buteric_acid"], "'butyric_acid'"),
        (["plan", str(DEMO), "--out", "t", "--stopped-early", "Farowby=7"], "'Farrowby'"),
    ],
)
def test_a_misspelt_response_or_farm_names_the_right_one(
    words: list[str],
    meant: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(words) == 2
    assert f"Remedy: did you mean {meant}?" in capsys.readouterr().err


def test_data_are_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "bales.csv").write_text("bale\n", encoding="utf-8")
    assert cli.main(["plan", str(DEMO), "--out", str(tmp_path)]) == 2
    assert "it holds bales.csv" in capsys.readouterr().err


def test_a_report_that_is_none_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["plan", str(DEMO), "--out", str(tmp_path / "t"), "--from", str(tmp_path / "none")]
    assert cli.main(words) == 2
    assert "results.json" in capsys.readouterr().err
    assert not (tmp_path / "t").exists()
