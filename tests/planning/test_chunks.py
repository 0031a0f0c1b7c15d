"""Chunks, checkpoints and workers: the same bits however a simulation is cut, stopped, killed."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from planning.simulation_plans import plan_of

from silagetrial.errors import SilageTrialError, UsageError
from silagetrial.planning.chunks import Progress
from silagetrial.planning.draws import Drawn
from silagetrial.planning.from_plan import ANALYSES
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.outcomes import Outcome
from silagetrial.planning.plan import Spread
from silagetrial.planning.questions import Question
from silagetrial.planning.simulate import Simulation, simulate_power
from silagetrial.planning.trial_analyses import RemlAnalysis

PLAN = plan_of(5, openings=(60, 150), effect=(0.4,), lost=0.2, spread=Spread(pair=0.3, core=0.5))
TRIALS = 2500
GRID = {"lost": (0.0, 0.3)}


def run(**options: object) -> Simulation:
    return simulate_power(PLAN, **{"trials": TRIALS, "seed": 11, "grid": GRID, **options})


def same(one: Simulation, other: Simulation) -> None:
    pd.testing.assert_frame_equal(one.table.frame, other.table.frame, check_exact=True)
    pd.testing.assert_frame_equal(one.failures.frame, other.failures.frame)


@pytest.fixture(scope="module")
def whole() -> Simulation:
    return run()


def interrupting(after: int) -> Callable[[Progress], None]:
    """A press of Ctrl-C once so many trials are there."""

    def tell(progress: Progress) -> None:
        if progress.done >= after:
            raise KeyboardInterrupt

    return tell


def test_an_interrupted_run_keeps_what_is_done_and_goes_on_to_the_same_bits(
    tmp_path: Path, whole: Simulation
) -> None:
    file = tmp_path / "chunks"
    stopped = run(checkpoint=file, progress=interrupting(2000))
    assert stopped.interrupted
    assert 2000 <= stopped.table.frame.groupby("lost")["trials"].first().sum() < 2 * TRIALS
    seen: list[Progress] = []
    resumed = run(checkpoint=file, progress=seen.append)
    assert seen[0].done > 2000
    assert not resumed.interrupted
    same(resumed, whole)
    again = run(checkpoint=file, progress=interrupting(0))
    assert not again.interrupted, "nothing is left to do, so nothing is told"
    same(again, whole)


def test_an_interrupt_before_anything_is_done_gives_an_empty_table() -> None:
    class Broken(RemlAnalysis):
        def __call__(self, *_: object) -> Outcome:
            raise KeyboardInterrupt

    out = simulate_power(PLAN, trials=300, analyses=(Broken(),))
    assert out.interrupted
    assert len(out.table) == 0
    assert "simulated trials" in str(out)


@pytest.mark.slow
def test_a_line_cut_off_by_a_kill_is_drawn_again(tmp_path: Path, whole: Simulation) -> None:
    file = tmp_path / "chunks"
    run(checkpoint=file, progress=interrupting(3000))
    text = file.read_text(encoding="utf-8")
    file.write_text(text[:-40], encoding="utf-8")
    same(run(checkpoint=file), whole)
    lines = file.read_text(encoding="utf-8").splitlines()
    with pytest.raises(ValueError, match=r"Expecting|Unterminated|delimiter"):
        [json.loads(line) for line in lines if line]


@pytest.mark.slow
def test_more_trials_than_before_take_no_short_chunk_from_the_checkpoint(tmp_path: Path) -> None:
    file = tmp_path / "chunks"
    run(checkpoint=file, trials=300)
    longer = run(checkpoint=file, trials=700)
    same(longer, run(trials=700))
    same(run(checkpoint=file, trials=300), run(trials=300))


@pytest.mark.slow
def test_a_checkpoint_of_other_assumptions_or_another_seed_is_not_taken(tmp_path: Path) -> None:
    file = tmp_path / "chunks"
    run(checkpoint=file, trials=256)
    same(run(checkpoint=file, trials=256, seed=12), run(trials=256, seed=12))
    same(run(checkpoint=file, trials=256, effect=0.9), run(trials=256, effect=0.9))


def test_a_checkpoint_that_is_none_is_refused(tmp_path: Path) -> None:
    file = tmp_path / "notes.txt"
    file.write_text("milk\n", encoding="utf-8")
    with pytest.raises(UsageError, match="no checkpoint of this version") as caught:
        run(checkpoint=file)
    assert "give another file name" in str(caught.value)
    with pytest.raises(UsageError, match="a file that can be written, in a folder that is there"):
        run(checkpoint=tmp_path / "none" / "chunks")


@pytest.mark.slow
def test_precision_stops_at_the_same_chunk_when_resumed(tmp_path: Path) -> None:
    file = tmp_path / "chunks"
    once = run(precision=0.015)
    assert set(once.table.frame["trials"]) != {TRIALS}
    run(checkpoint=file, precision=0.015, progress=interrupting(1))
    same(run(checkpoint=file, precision=0.015), once)


@pytest.mark.slow
def test_progress_tells_what_is_left() -> None:
    seen: list[Progress] = []
    run(progress=seen.append)
    assert [p.asked for p in seen] == [2 * TRIALS] * len(seen)
    assert seen[-1].done == 2 * TRIALS
    assert seen[-1].left == 0
    assert seen[0].left > 0
    assert str(replace(seen[0], done=1024, left=7.2)) == "1,024 of 5,000 trials, 7 s left"
    assert str(replace(seen[0], done=0, left=float("inf"))) == "0 of 5,000 trials"
    assert str(replace(seen[0], left=4500)).endswith("1 h 15 min left")
    assert str(replace(seen[0], left=150)).endswith("2 min left")


def test_failed_trials_are_listed_and_can_be_drawn_again() -> None:
    plan = plan_of(2, openings=(60,), design="separate", effect=(5.0,), lost=0.4,
                   spread=Spread(bale=0.1))  # fmt: skip
    out = simulate_power(plan, trials=600, seed=5)
    frame = out.failures.frame
    assert list(frame["analysis"].value_counts()) == [20, 20]
    for place in frame[frame["analysis"] == "paired t"].itertuples():
        rows = out.trial(place.chunk, place.trial, scenario=place.scenario)
        whole = rows.dropna().groupby("pair")["binding"].nunique()
        assert (whole == 2).sum() < 2, "two whole pairs would have been enough"
    failed = out.table.frame.set_index("analysis").loc["paired t", "failed"] * 600
    assert f"paired t: {failed:.0f}" in out.failures.notes[0]
    assert "0:" in str(out)
    with pytest.raises(UsageError, match="chunks 0 to 4, and a trial of the chunk"):
        out.trial(5, 0)


@pytest.mark.slow
def test_one_two_and_four_processes_give_the_same_bits(whole: Simulation) -> None:
    stopped = run(precision=0.015)
    for workers in (2, 4):
        same(run(workers=workers), whole)
        same(run(workers=workers, precision=0.015), stopped)


@dataclass(frozen=True)
class Deadly:
    """Kills the process it works in, at the first chunk that finds the file there."""

    file: str
    parent: int
    name: str = "deadly"

    def __call__(self, question: Question, grid: Grid, drawn: Drawn, level: float) -> Outcome:
        if os.getpid() != self.parent and Path(self.file).exists():
            Path(self.file).unlink()
            os.kill(os.getpid(), signal.SIGKILL)
        return RemlAnalysis()(question, grid, drawn, level)


@pytest.mark.slow
def test_a_killed_process_is_an_error_that_says_so_and_the_checkpoint_goes_on(
    tmp_path: Path,
) -> None:
    deadly = Deadly(str(tmp_path / "kill"), os.getpid())
    file = tmp_path / "chunks"
    options = {"analyses": (deadly,), "checkpoint": file, "trials": 8000}

    def tell(progress: Progress) -> None:
        if progress.done > 3000 and progress.left > 0:
            Path(deadly.file).touch()

    with pytest.raises(SilageTrialError, match="ended before its work was done") as caught:
        run(workers=2, progress=tell, **options)
    assert "taken from the checkpoint" in str(caught.value)
    Path(deadly.file).unlink(missing_ok=True)
    seen: list[Progress] = []
    resumed = run(workers=2, progress=seen.append, **options)
    assert seen[0].done > 3000
    same(resumed, run(trials=8000, analyses=(deadly,)))


SCRIPT = """
import sys
from planning.test_chunks import PLAN, GRID
from silagetrial.planning.simulate import simulate_power
if __name__ == "__main__":
    out = simulate_power(PLAN, trials=4_000_000, seed=11, grid=GRID, workers=int(sys.argv[1]),
                         checkpoint=sys.argv[2], progress=lambda p: print(p, flush=True))
    print("interrupted" if out.interrupted else "whole", out.table.frame["trials"].sum())
"""


@pytest.mark.slow
@pytest.mark.parametrize("workers", [1, 2])
def test_ctrl_c_ends_all_processes_and_keeps_what_is_done(tmp_path: Path, workers: int) -> None:
    script, file = tmp_path / "script.py", tmp_path / "chunks"
    script.write_text(SCRIPT, encoding="utf-8")
    # A session of its own, all of whose processes get the signal, as from a terminal.
    with subprocess.Popen(
        [sys.executable, str(script), str(workers), str(file)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    ) as process:
        assert process.stdout is not None
        for _ in range(3):
            assert "trials" in process.stdout.readline()
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    # joblib's own thread can lose the race against its workers' end, and then says so itself.
    assert "Traceback" not in err.split("Exception in thread ExecutorManagerThread")[0]
    assert out.splitlines()[-1].startswith("interrupted ")
    assert int(out.split()[-1]) >= 3 * 8 * 128
    deadline = time.monotonic() + 20
    while alive(process.pid) and time.monotonic() < deadline:
        time.sleep(0.2)
    assert not alive(process.pid)
    seen: list[Progress] = []
    resumed = run(trials=4096, checkpoint=file, progress=seen.append)
    assert not seen or seen[0].done > 3 * 8 * 128
    same(resumed, run(trials=4096))


def alive(session: int) -> list[int]:
    """Processes of a session."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()
        except OSError:  # it ended while we looked
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def test_further_analyses_join_the_two() -> None:
    @dataclass(frozen=True)
    class Half(RemlAnalysis):
        name: str = "half"

    out = simulate_power(PLAN, trials=128, analyses=(*ANALYSES, Half()))
    by = out.table.frame.set_index(["analysis", "contrast"])["rejected"].unstack()
    assert list(by.loc["half"]) == list(by.loc["REML, Kenward-Roger"])
    assert np.isfinite(by.to_numpy()).all()
