"""`silagetrial power --simulate`: what is printed where, and the exit codes."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pandas as pd
import pytest

import silagetrial
from silagetrial import cli
from silagetrial.cli import plans
from silagetrial.planning import from_plan, simulate
from silagetrial.planning.chunks import Progress
from silagetrial.planning.simulate import Simulation, simulate_power

DEMO = str(Path(__file__).parents[2] / "data_demo" / "plan_two_farms")


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_the_table_goes_to_standard_output_and_whole_to_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "table.csv"
    words = ["power", DEMO, "--simulate", "200", "--seed", "9", "--pairs", "8", "--csv", str(file)]
    assert cli.main(words) == 0
    shown = capsys.readouterr()
    assert shown.err == ""
    assert "Butyric acid: simulated trials" in shown.out
    assert "Seed 9." in shown.out
    written = pd.read_csv(file)
    found = simulate_power(DEMO, trials=200, seed=9, pairs=8).table.frame
    pd.testing.assert_frame_equal(written, found, check_dtype=False, rtol=1e-15)


def test_progress_is_told_on_a_terminal_now_and_then(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    terminal, times = Terminal(), iter([10.0, 10.0, 11.0, 12.5, 12.5])
    monkeypatch.setattr(sys, "stderr", terminal)
    monkeypatch.setattr(plans.time, "monotonic", lambda: next(times))
    tell = plans._seldom(plans.progress)
    for done in (100, 200, 300):
        tell(Progress(done, 1000, 1.0, 9.0))
    assert terminal.getvalue().splitlines() == [
        "silagetrial: 100 of 1,000 trials, 9 s left",
        "silagetrial: 300 of 1,000 trials, 9 s left",
    ]
    assert capsys.readouterr().out == ""


@pytest.mark.parametrize(("extra", "told"), [([], True), (["--quiet"], False)])
def test_progress_goes_to_a_terminal_only(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    extra: list[str],
    told: bool,
) -> None:
    terminal = Terminal()
    monkeypatch.setattr(sys, "stderr", terminal)
    assert cli.main(["power", DEMO, "--simulate", "100", *extra]) == 0
    assert terminal.getvalue() == ("silagetrial: 100 of 100 trials, 0 s left\n" if told else "")
    assert "simulated trials" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("extra", "kept"),
    [([], "with --checkpoint FILE would have kept it"), (["--checkpoint"], "goes on from there")],
)
def test_an_interrupt_shows_what_is_done_and_how_to_go_on(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
    extra: list[str],
    kept: str,
) -> None:
    def pressed(*given: object, **options: object) -> Simulation:
        def tell(_: Progress) -> None:
            raise KeyboardInterrupt

        return simulate_power(*given, **{**options, "progress": tell})

    monkeypatch.setattr(silagetrial, "simulate_power", pressed, raising=False)
    file = [str(tmp_path / "chunks")] if extra else []
    assert cli.main(["power", DEMO, "--simulate", "3000", *extra, *file]) == 130
    shown = capsys.readouterr()
    assert "1,024" in shown.out
    assert "interrupted: the table holds what was done" in shown.err
    assert kept in shown.err


def test_options_are_passed_on(monkeypatch: pytest.MonkeyPatch) -> None:
    class Seen(Exception):  # noqa: N818 - no error
        pass

    def look(plan: str, **options: object) -> None:
        raise Seen(plan, options)

    monkeypatch.setattr(silagetrial, "simulate_power", look, raising=False)
    words = ["--response", "dm_loss", "--precision", "0.01", "--seed", "3", "--workers", "2",
             "--cluster", "tcp://a:1", "--checkpoint", "c", "--from", "r"]  # fmt: skip
    with pytest.raises(Seen) as caught:
        cli.main(["power", "p", "--simulate", "500", *words])
    plan, options = caught.value.args
    assert plan == "p"
    assert options == {
        "trials": 500, "progress": None, "response": "dm_loss", "pairs": None, "report": "r",
        "precision": 0.01, "seed": 3, "workers": 2, "cluster": "tcp://a:1", "checkpoint": "c",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("words", "found"),
    [
        (["--simulate", "100", "--budget"], "--budget with --simulate"),
        (["--workers", "2"], "--workers without --simulate"),
        (["--seed", "2"], "--seed without --simulate"),
        (["--simulate", "0"], "trials=0"),
        (["--simulate", "100", "--csv", "none/here.csv"], "no folder for 'none/here.csv'"),
    ],
)
def test_options_that_do_not_go_together(
    capsys: pytest.CaptureFixture[str], words: list[str], found: str
) -> None:
    assert cli.main(["power", DEMO, *words]) == 2
    assert found in capsys.readouterr().err


def test_several_processes_are_taken_where_the_work_is_long(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    counts: list[int] = []
    here = simulate.local_workers

    def count(workers: int) -> object:
        counts.append(workers)
        return here(1)

    monkeypatch.setattr(simulate, "local_workers", count)
    monkeypatch.setattr(simulate, "_cores", lambda: 6)
    options = {"grid": {}, "analyses": (from_plan.PairedTAnalysis(),), "workers": None}
    rows = len(simulate_power(DEMO, trials=1, **options).scenarios[0].grid.bale)
    monkeypatch.setattr(simulate, "LONG", 1000 * rows)
    for trials in (999, 1000):
        simulate_power(DEMO, trials=trials, **options)
    assert counts == [1, 1, 6]
    assert simulate_power(DEMO, trials=20, **{**options, "workers": 1}).table is not None
    assert counts[-1] == 1
