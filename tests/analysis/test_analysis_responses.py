"""From the files to one value per bale and opening, and the list of what is left out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import answer, change, drop, replace_text
from builders import make_trial, read_cells, write_cells

from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.data.read import read_trial

TRIAL = {"sites": 1, "pairs": 4, "limit": 0.01}


def records(folder: Path, *, loss: bool = False) -> Records:
    trial = read_trial(folder)
    assert trial.errors == ()
    return records_of(trial, DM_LOSS if loss else BUTYRIC_ACID)


def set_butyric(folder: Path, opening: int, binding: str, results: list[str]) -> Path:
    """Write the butyric acid of the bales of one opening and binding."""
    pairs = range(1, 5) if opening == 60 else range(5, 9)
    for pair, result in zip(pairs, results, strict=True):
        change(folder, "samples", {"sample": f"A{pair:02d}-{binding}-{opening}"},
               butyric_acid=result)  # fmt: skip
    return folder


def left_out(found: Records) -> list[tuple[str, str, str]]:
    frame = found.left_out.frame
    return list(frame[["bale", "what", "reason"]].itertuples(index=False, name=None))


def of_bale(found: Records, bale: str) -> pd.Series:
    return found.rows[found.rows["bale"] == bale].iloc[0]


# ---- limits ----


def test_below_the_limit_counts_as_half_of_it(tmp_path: Path) -> None:
    folder = set_butyric(make_trial(tmp_path, **TRIAL), 60, "net", ["<0.4", "1.0", "2.0", "3.0"])
    found = records(folder)
    row = of_bale(found, "A01-net")
    assert (row["below"], row["limit"], row["value_used"]) == (True, 0.4, 0.2)
    assert np.isnan(row["value"])
    assert row["y"] == pytest.approx(np.log(0.2))
    assert "1 of 16 results are below the laboratory's limit (0.4 g/kg DM)" in found.notes[1]
    assert "each counts as half the limit" in found.notes[1]


@pytest.mark.parametrize(
    ("below", "counted"), [(["<1", "<1", "<1", "3"], True), (["<1", "<1", "2", "3"], False)]
)
@pytest.mark.parametrize("binding", ["net", "film"])
def test_opening_mostly_below_in_any_binding_is_counted(
    tmp_path: Path, below: list[str], counted: bool, binding: str
) -> None:
    """More than half below in one binding: counts; exactly half stays in the model."""
    result = answer(set_butyric(make_trial(tmp_path, **TRIAL), 60, binding, below))["butyric_acid"]
    counts = result.records.counts.frame
    assert ("60 days" in set(counts.get("opening", []))) == counted
    assert ("60 days" in set(result.differences.frame["opening"])) != counted
    assert "240 days" in set(result.differences.frame["opening"])
    if counted:
        here = counts.set_index("binding")
        assert list(here.loc[binding, ["results", "below_limit"]]) == [4, 3]
        assert result.fit is not None
        assert len(result.fit.frame.y) == 8


def test_summary_counts_what_is_below(tmp_path: Path) -> None:
    folder = set_butyric(make_trial(tmp_path, **TRIAL), 60, "net", ["<1", "<1", "<1", "3"])
    result = answer(folder)["butyric_acid"]
    row = result.summary.frame.set_index(["opening", "binding"]).loc[("60 days", "net")]
    assert (row["bales"], row["below_limit"], row["median"], row["mean"]) == (4, 3, 0.5, 1.125)
    assert "count as half the limit" in result.summary.notes[0]


def test_day_0_samples_are_no_rows(tmp_path: Path) -> None:
    """A day-0 result, even one with butyric acid, enters neither model."""
    folder = make_trial(tmp_path, **TRIAL)
    before = answer(folder)
    change(folder, "samples", {"kind": "day0"}, butyric_acid="9.0")
    after = answer(folder)
    for name, result in after.responses.items():
        pd.testing.assert_frame_equal(result.differences.frame, before[name].differences.frame)
        assert not result.records.rows["sample"].str.contains("day0").any()
        assert len(result.records.rows) == 16


# ---- left out, with the reason ----


def test_values_that_are_not_there_are_listed(tmp_path: Path) -> None:
    folder = set_butyric(make_trial(tmp_path, **TRIAL), 60, "net", ["0", "", "2.0", "3.0"])
    replace_text(folder, 'form = "full"', 'form = "none"')
    found = left_out(records(folder))
    assert found == [
        ("A01-net", "no value",
         "a value of zero has no logarithm; write the laboratory's limit as <limit"),
        ("A02-net", "no value", "butyric acid not determined"),
    ]  # fmt: skip


def with_events(folder: Path, *rows: dict[str, str]) -> Path:
    blank = {"bale": "", "at": "", "what": "", "cause": "", "note": ""}
    write_cells(folder / "events.csv", [{**blank, **row} for row in rows])
    return folder


def test_lost_bale_and_missing_sample(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, **TRIAL)
    for sample in ("A01-film-60", "A02-film-60", "A03-film-60", "A05-net-240"):
        drop(folder, "samples", sample=sample)
    with_events(
        folder,
        {"bale": "A01-film", "at": "2025-07-01", "what": "lost", "cause": "torn by birds"},
        {"bale": "A02-film", "at": "2025-07-25", "what": "inspected", "note": "bag lost"},
        {"bale": "A03-film", "at": "2025-07-01", "what": "lost"},
    )
    found = records(folder)
    assert left_out(found) == [
        ("A01-film", "bale lost", "torn by birds (2025-07-01)"),
        ("A02-film", "no sample", "bag lost"),
        ("A03-film", "bale lost", "cause not recorded (2025-07-01)"),
        ("A05-net", "no sample", "no laboratory result"),
    ]
    assert len(found.rows) == 12
    assert answer(folder)["butyric_acid"].answered


def test_sample_missing_before_a_bale_was_lost_has_its_own_reason(tmp_path: Path) -> None:
    """Re-cored: lost at 200 days explains the sample of 240 days, not that of 60."""
    folder = make_trial(tmp_path, design="recored", **TRIAL)
    drop(folder, "samples", of="A01-film")
    with_events(folder, {"bale": "A01-film", "at": "2025-12-14", "what": "lost", "cause": "rats"})
    assert left_out(records(folder)) == [
        ("A01-film", "no sample", "no laboratory result"),
        ("A01-film", "bale lost", "rats (2025-12-14)"),
    ]


# ---- repeat analyses ----


def repeated(folder: Path, bales: list[str], factor: float) -> Path:
    """Add a second result of some bales, `factor` times the first."""
    path = folder / "samples.csv"
    rows = read_cells(path)
    again = [
        {**row, "sample": row["sample"] + "-2",
         "butyric_acid": f"{float(row['butyric_acid']) * factor:.4f}"}
        for row in rows if row["of"] in bales and row["kind"] == "opening"
    ]  # fmt: skip
    assert again
    write_cells(path, rows + again)
    return folder


def test_equal_repeats_are_averaged_before_the_logarithm(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, **TRIAL)
    first = records(folder).rows.set_index("bale")["value"]
    found = records(repeated(folder, list(first.index), 3.0))
    assert len(found.rows) == len(first)
    value = found.rows.set_index("bale")["value"]
    assert value.to_numpy() == pytest.approx(2.0 * first[value.index].to_numpy(), rel=1e-3)
    assert found.rows["y"].to_numpy() == pytest.approx(np.log(found.rows["value"]).to_numpy())
    assert "bale:opening" not in set(answer(folder)["butyric_acid"].model.terms.frame["term"])


def test_unequal_repeats_get_a_random_term(tmp_path: Path) -> None:
    folder = repeated(make_trial(tmp_path, **TRIAL), ["A01-net", "A02-film", "A06-net"], 1.3)
    result = answer(folder)["butyric_acid"]
    assert len(result.records.rows) == 19
    assert result.model is not None
    assert "bale:opening" in result.model.random


# ---- DM loss (mass balance) ----


def worked(folder: Path) -> Path:
    """Bale A01-net with the worked example's masses and DM: L 5.11 %, SE 1.96 points.

    M0 602.0, p0 0.4, D0 352, M1 596.0, p1 1.5, D1 338; SD 1 kg and 5 g/kg.
    """
    make_trial(folder, **TRIAL)
    change(folder, "bales", {"bale": "A01-net"}, binding_kg="0.4", film_kg="1.1")
    change(folder, "weighings", {"weighing": "A01-net-w0"}, gross="602", tare="", flags="")
    change(folder, "weighings", {"weighing": "A01-net-w60"}, gross="596", tare="")
    change(folder, "samples", {"sample": "A01-day0"}, dm="352")
    return change(folder, "samples", {"sample": "A01-net-60"}, dm="338", dm_basis="corrected")


def test_worked_example(tmp_path: Path) -> None:
    row = of_bale(records(worked(tmp_path), loss=True), "A01-net")
    assert (row["m0"], row["m1"]) == pytest.approx((601.6, 594.5))
    assert row["value"] == pytest.approx(5.11, abs=0.005)
    assert row["measurement_se"] == pytest.approx(1.96, abs=0.005)
    assert row["day0_of"] == "pair"
    assert np.isnan(row["uncorrected"])  # the laboratory gave corrected DM only


def test_oven_dm_is_corrected_and_stands_beside_the_uncorrected_loss(tmp_path: Path) -> None:
    """Full form by hand: DMc = DMo + 0.95 VFA + 0.08 LA, g/kg fresh (from memory)."""
    folder = change(worked(tmp_path), "samples", {"sample": "A01-net-60"}, dm_basis="oven",
                    lactic_acid="60", acetic_acid="15", butyric_acid="<2")  # fmt: skip
    row = of_bale(records(folder, loss=True), "A01-net")
    d1 = 338 + (0.95 * (15 + 1) + 0.08 * 60) * 338 / 1000
    assert row["d1"] == pytest.approx(d1)
    assert row["value"] == pytest.approx(100 * (1 - 594.5 * d1 / (601.6 * 352)))
    assert row["uncorrected"] == pytest.approx(100 * (1 - 594.5 * 338 / (601.6 * 352)))
    found = answer(folder)["dm_loss"]
    assert "mean_uncorrected" in found.summary.frame
    assert any("by the full form (Weissbach & Kuhla 1995)" in n for n in found.records.notes)
    assert any("the uncorrected values stand beside it" in note for note in found.records.notes)


def test_short_form_and_no_correction(tmp_path: Path) -> None:
    """Short form by hand: DMc% = 2.08 + 0.975 DM% (from memory)."""
    folder = change(worked(tmp_path), "samples", {"sample": "A01-net-60"}, dm_basis="oven")
    replace_text(folder, 'form = "full"', 'form = "short"')
    found = records(folder, loss=True)
    assert of_bale(found, "A01-net")["d1"] == pytest.approx(20.8 + 0.975 * 338)
    assert "hardly the difference between bindings" in found.notes[1]
    replace_text(folder, 'form = "short"', 'form = "none"')
    found = records(folder, loss=True)
    assert of_bale(found, "A01-net")["d1"] == 338
    assert "DM loss is overstated" in found.notes[1]


def test_film_weighed_with_the_bale_is_taken_off(tmp_path: Path) -> None:
    """The flag decides: 1.1 kg of film on at opening, none at wrapping."""
    folder = worked(tmp_path)
    change(folder, "weighings", {"weighing": "A01-net-w60"}, flags="")
    assert of_bale(records(folder, loss=True), "A01-net")["m1"] == pytest.approx(595.6)
    change(folder, "weighings", {"weighing": "A01-net-w0"}, flags="film_on")
    assert of_bale(records(folder, loss=True), "A01-net")["m0"] == pytest.approx(600.5)


def test_cores_are_added_back(tmp_path: Path) -> None:
    """A core of 2 kg fresh at 60 days, 340 g DM/kg, is not lost at 240 days."""
    folder = make_trial(tmp_path, design="recored", **TRIAL)
    change(folder, "samples", {"kind": "core"}, fresh_kg="0")
    whole = records(folder, loss=True).rows.set_index(["bale", "opening"])
    change(folder, "samples", {"sample": "A01-net-60"}, fresh_kg="2", dm="340")
    cored = records(folder, loss=True).rows.set_index(["bale", "opening"])
    at = ("A01-net", "240 days")
    ensiled = whole.loc[at, "m0"] * whole.loc[at, "d0"] / 1000
    gain = 100 * 2 * 0.340 / ensiled
    assert whole.loc[at, "value"] - cored.loc[at, "value"] == pytest.approx(gain)
    assert (
        cored.loc[("A02-net", "240 days"), "value"] == whole.loc[("A02-net", "240 days"), "value"]
    )


NO_LOSS: dict[str, tuple[str, dict[str, str], str]] = {
    "film": ("bales", {"film_kg": ""},
             "film on the bale at one weighing only, its mass not recorded (bales.csv, film_kg)"),
    "dm": ("samples", {"dm": ""}, "DM not determined"),
}  # fmt: skip


@pytest.mark.parametrize("case", NO_LOSS)
def test_no_dm_loss_without(tmp_path: Path, case: str) -> None:
    table, cells, reason = NO_LOSS[case]
    which = {"bale": "A01-net"} if table == "bales" else {"sample": "A01-net-60"}
    folder = change(worked(tmp_path), table, which, **cells)
    assert left_out(records(folder, loss=True)) == [("A01-net", "no value", reason)]


def test_no_dm_loss_without_weighings_or_day_0(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, **TRIAL)
    drop(folder, "weighings", weighing="A01-net-w0")
    drop(folder, "weighings", weighing="A02-net-w60")
    drop(folder, "samples", sample="A03-day0")
    assert left_out(records(folder, loss=True)) == [
        ("A01-net", "no value", "no weighing at wrapping"),
        ("A02-net", "no value", "no weighing at this opening"),
        ("A03-film", "no value", "no DM of the crop at baling (day 0)"),
        ("A03-net", "no value", "no DM of the crop at baling (day 0)"),
    ]


def test_no_dm_loss_when_it_cannot_be_corrected(tmp_path: Path) -> None:
    """An acid measured elsewhere and missing here is not taken for zero."""
    folder = make_trial(tmp_path, **TRIAL)
    others = ("propionic_acid", "ethanol", "propanediol")
    change(folder, "samples", {"kind": "opening"}, **dict.fromkeys(others, "1.0"))
    change(folder, "samples", {"sample": "A01-net-60"}, propionic_acid="")
    # More than there is dry matter: the checks say so, and the value is left out all the same.
    most = ("lactic_acid", "acetic_acid", "butyric_acid", *others)
    change(folder, "samples", {"sample": "A02-net-60"}, **dict.fromkeys(most, "200"))
    units = "".join(f'\n{name} = "g/kg DM"' for name in others)
    replace_text(folder, "[units]", f"[units]{units}")
    trial = read_trial(folder)
    assert [problem.line for problem in trial.errors] == [13]
    found = {bale: reason for bale, _, reason in left_out(records_of(trial, DM_LOSS))}
    assert list(found) == ["A01-net", "A02-net"]
    assert found["A01-net"] == "DM cannot be corrected: propionic_acid not determined"
    assert found["A02-net"].startswith("DM cannot be corrected: more volatiles than dry matter")


def test_earlier_cores_of_unknown_mass(tmp_path: Path) -> None:
    found = left_out(records(make_trial(tmp_path, design="recored", **TRIAL), loss=True))
    assert {reason for _, _, reason in found} == {
        "the fresh mass of earlier cores is not recorded (samples.csv, fresh_kg)"
    }
    assert len(found) == 8


def test_loss_below_zero_is_kept(tmp_path: Path) -> None:
    folder = change(worked(tmp_path), "samples", {"sample": "A01-net-60"}, dm="362")
    assert of_bale(records(folder, loss=True), "A01-net")["value"] < 0


def test_error_of_a_day_0_sample_shared_by_a_lot_is_told(tmp_path: Path) -> None:
    """SE of the level by hand: (1 - L) sd / D0 of one shared sample."""
    folder = change(make_trial(tmp_path, **TRIAL), "bales", {}, lot="L1")
    drop(folder, "samples", kind="day0")
    rows = read_cells(folder / "samples.csv")
    day0 = {**dict.fromkeys(rows[0], ""), "sample": "L1-day0", "of": "L1", "kind": "day0",
            "taken_on": "2025-05-26", "dm": "350", "dm_basis": "oven"}  # fmt: skip
    write_cells(folder / "samples.csv", [day0, *rows])
    found = records(folder, loss=True)
    error = 100 * (1 - found.rows["value"].mean() / 100) * 5.0 / 350
    assert f"its error of {error:.2f} points" in found.notes[-1]
    assert "cancels in differences between bindings" in found.notes[-1]
