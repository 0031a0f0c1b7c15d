"""What lowers the power, power against pairs, their pictures and the folder of a simulation."""

from __future__ import annotations

import hashlib
import json
import math
import struct
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from planning.simulation_plans import plan_of

from silagetrial import what_lowers
from silagetrial.cli import main
from silagetrial.display.style import COLUMN
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.figures_simulation import lowers_chart, simulated_chart
from silagetrial.planning.lowers import AS_PLANNED
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.power import power
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.simulated_curve import simulated_by_pairs
from silagetrial.planning.simulated_folder import simulated_page, write_simulated

pytestmark = pytest.mark.slow

DEMO = Path(__file__).parents[2] / "data_demo" / "plan_two_farms"
ALL = {
    AS_PLANNED,
    "all variation a quarter higher",
    "1 bale in 10 lost",
    "1 bale in 10 lost, sooner the worse",
    "1 result in 10 missing",
    "one binding varies twice as much",
    "heavy tails: t with 4 df",
}


def farms() -> Plan:
    spread = Spread(pair=0.4, bale=0.3, core=0.3)
    return plan_of(4, sites=3, response="butyric_acid", effect=(0.7,), spread=spread)


@pytest.fixture(scope="module")
def lowered() -> pd.DataFrame:
    return what_lowers(farms(), trials=1280, seed=1).frame


def test_the_first_row_is_the_plan_as_simulate_power_has_it(lowered: pd.DataFrame) -> None:
    frame = simulate_power(farms(), trials=1280, seed=1).table.frame
    here = frame[frame["contrast"] == "at 270 days"].set_index("analysis")["rejected"]
    own = lowered.iloc[0]
    assert own["change"] == AS_PLANNED
    assert own["trials"] == 1280
    assert own["power"] == here["REML, Kenward-Roger"]
    assert own["paired_t"] == here["paired t"]
    assert own["difference"] == own["difference_mc"] == 0.0


def test_differences_are_to_the_plan_with_the_error_of_both(lowered: pd.DataFrame) -> None:
    own, rest = lowered.iloc[0], lowered.iloc[1:]
    assert rest["power"].is_monotonic_increasing
    assert (rest["difference"] == rest["power"] - own["power"]).all()
    for row in rest.itertuples():
        assert row.difference_mc == pytest.approx(math.hypot(row.power_mc, own["power_mc"]))
    for size in ("size", "paired_t_size"):
        assert own[size] == pytest.approx(0.05, abs=4 * own[f"{size}_mc"])


def test_changes_without_a_meaning_in_the_layout_are_left_out(lowered: pd.DataFrame) -> None:
    several = {
        "spread doubles over storage",
        "cores alike: half-life 60 days",
        "effect varies by half from farm to farm",
        "3 results in 10 below the limit",
    }
    assert set(lowered["change"]) == ALL | several
    plain = plan_of(6, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5))
    assert set(what_lowers(plain, trials=128).frame["change"]) == ALL


def test_more_spread_and_lost_bales_cost_what_the_formula_says() -> None:
    plan = plan_of(
        16, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5)
    )  # fmt: skip
    wider = plan_of(
        16, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.625)
    )  # fmt: skip
    found = what_lowers(plan, trials=5000, seed=2).frame.set_index("change")
    for change, here in (
        (AS_PLANNED, plan),
        ("all variation a quarter higher", wider),
        ("1 bale in 10 lost", replace(plan, lost=0.1)),
    ):
        row = found.loc[change]
        assert row["power"] == pytest.approx(power(here).power, abs=4 * row["power_mc"] + 0.005)


def test_one_can_name_ones_own_changes() -> None:
    plan = plan_of(6, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5))
    table = what_lowers(plan, trials=640, changes={"bales twice as unlike": {"bale": 1.0}})
    assert list(table.frame["change"]) == [AS_PLANNED, "bales twice as unlike"]
    assert table.frame["difference"].iloc[1] < -4 * table.frame["difference_mc"].iloc[1]
    with pytest.raises(UsageError, match="'colour' among the changes") as caught:
        what_lowers(plan, changes={"blue": {"colour": 1.0}})
    assert "name what is changed as in Truth or Spread" in str(caught.value)


def test_a_simulation_interrupted_too_early_has_no_answer() -> None:
    def stop(_: object) -> None:
        raise KeyboardInterrupt

    with pytest.raises(NoAnswer, match="interrupted before its first trials") as caught:
        what_lowers(farms(), trials=1280, progress=stop)
    assert "let it run longer" in str(caught.value)


def test_the_curve_lies_by_the_formula_and_has_the_plan_on_it() -> None:
    plan = plan_of(8, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5))
    data = simulated_by_pairs(plan, trials=2560, seed=3)
    assert 8 in set(data["pairs"])
    assert data["pairs"].is_monotonic_increasing
    assert len(data) >= 5
    for row in data.itertuples():
        assert row.power == pytest.approx(row.formula, abs=4 * row.power_mc)
        # One opening, complete pairs: the model is the paired t.
        assert row.power == row.paired_t


def width_of(png: bytes) -> int:
    return int(struct.unpack(">I", png[16:20])[0])


def test_pictures_are_one_column_wide_and_say_what_they_show(lowered: pd.DataFrame) -> None:
    chart = lowers_chart(lowered, target=0.8, alpha=0.05)
    assert width_of(chart.png) == int(300 * COLUMN)
    for row in lowered.itertuples():
        assert f"{row.change}: {100 * row.power:.0f} %" in chart.alt
    assert chart.data.equals(lowered)
    data = pd.DataFrame(
        {
            "pairs": [4, 8, 12], "power": [0.2, 0.5, 0.7], "power_mc": 0.01, "paired_t": 0.4,
            "paired_t_mc": 0.01, "formula": [float("nan"), 0.52, 0.71],
        }
    )  # fmt: skip
    curve = simulated_chart(data, target=0.8, planned=8, unit="pairs in all")
    assert width_of(curve.png) == int(300 * COLUMN)
    assert curve.alt == (
        "Simulated power by pairs in all. 4: 20 %; 8: 50 %, formula 52 %; 12: 70 %, formula 71 %."
    )
    assert b"<svg" in curve.svg


def test_a_broken_size_is_written_in_the_picture(lowered: pd.DataFrame) -> None:
    sound = lowered.assign(size=0.05)
    broken = lowered.assign(size=0.12)
    first = lowers_chart(sound, target=0.8, alpha=0.05).svg
    second = lowers_chart(broken, target=0.8, alpha=0.05).svg
    assert len(second) > len(first) + 1000


def test_the_folder_holds_page_tables_pictures_and_their_hashes(tmp_path: Path) -> None:
    plan = plan_of(4, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5))
    settings = replace(plan.settings, title="<b>bold</b>")
    page = simulated_page(replace(plan, settings=settings), trials=256, seed=4)
    out = tmp_path / "out"
    files = {path.relative_to(out).as_posix() for path in write_simulated(page, out)}
    pictures = {f"pictures/{name}.{kind}" for name in ("pairs", "what_lowers")
                for kind in ("png", "svg", "csv")}  # fmt: skip
    rest = {"simulated.html", "simulated.csv", "what_lowers.csv", "simulated_files.json"}
    assert files == pictures | rest
    html = (out / "simulated.html").read_text(encoding="utf-8")
    assert "<b>bold" not in html
    assert "&lt;b&gt;bold" in html
    for wanted in ("What lowers the power", "at 60 days", "Before you begin", "silage gas"):
        assert wanted.lower() in html.lower()
    listed = json.loads((out / "simulated_files.json").read_text(encoding="utf-8"))["outputs"]
    for entry in listed:
        digest = hashlib.sha256((out / entry["file"]).read_bytes()).hexdigest()
        assert digest == entry["sha256"]
    before = (out / "simulated.csv").read_bytes()
    write_simulated(page, out)  # an earlier one as it was written is replaced
    assert (out / "simulated.csv").read_bytes() == before
    (out / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(UsageError, match="mine"):
        write_simulated(page, out)


def test_an_interrupted_simulation_has_its_table_and_no_pictures() -> None:
    def stop(_: object) -> None:
        raise KeyboardInterrupt

    plan = plan_of(4, openings=(60,), design="separate", effect=(0.5,), spread=Spread(bale=0.5))
    page = simulated_page(plan, trials=12_800, progress=stop)
    assert page.interrupted
    assert page.lowers is None
    assert not page.charts
    assert len(page.simulation.table.frame)


def test_the_command_writes_the_folder(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    command = ["power", str(DEMO), "--simulate", "128", "--workers", "1", "--out", str(out)]
    assert main(command) == 0
    shown = capsys.readouterr().out
    assert f"Page: {out / 'simulated.html'}" in shown.replace("\n", "")
    assert "What lowers the power" in shown
    assert (out / "pictures" / "pairs.png").is_file()
