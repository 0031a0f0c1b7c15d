"""Several bales as one value: composites and group weighings are units in the place of bales.

Arithmetic by the mass balance ``S0 = (M0 - p0) D0``, ``L = 1 - S1 / S0``, worked by hand beside
each number; paired t by scipy.stats.ttest_rel.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import change, drop, replace_text
from builders import make_trial, read_cells, write_cells
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from several_bales import composites, in_threes, read, reasons, records, together, trial_of_many

from silagetrial.analysis import Analysis, analyse
from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.data.read import read_trial
from silagetrial.errors import NoAnswer
from silagetrial.planning.finished import finished
from silagetrial.report import box, figures, methods, results, tables
from silagetrial.report.symbols import of_models


@pytest.fixture(scope="module")
def threes(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analyse(read(in_threes(tmp_path_factory.mktemp("threes"))))


# ---- composites ----


def test_a_composite_is_one_row_and_its_pairs_are_its_pair(threes: Analysis) -> None:
    rows = threes["butyric_acid"].records.rows
    assert threes["butyric_acid"].records.unit.counted(len(rows)) == "8 composites of 3 bales"
    assert rows["bale"].iloc[0] == "A01-film+A02-film+A03-film"
    assert set(rows["pair"]) == {"A01+A02+A03", "A04+A05+A06", "A07+A08+A09", "A10+A11+A12"}
    assert (rows.groupby("pair")["binding"].nunique() == 2).all()


def test_paired_t_of_composites_is_scipys(threes: Analysis) -> None:
    result = threes["butyric_acid"]
    exact = result.exact.frame.set_index("contrast")
    for opening in ("60 days", "240 days"):
        rows = result.records.rows.query("opening == @opening")
        y = rows.pivot(index="pair", columns="binding", values="y")
        expected = stats.ttest_rel(y["film"], y["net"])
        found = exact.loc[opening]
        assert found["p_value"] == pytest.approx(expected.pvalue, rel=1e-10)
        assert (found["df"], found["pairs"]) == (expected.df, 2)


def test_composites_of_other_pairs_have_no_partner(tmp_path: Path) -> None:
    """Film of pairs 1 to 3 and net of 2 to 4: not the same pairs, so no pair at all."""
    folder = in_threes(tmp_path)
    parts = read_cells(folder / "sample_parts.csv")
    moved = [
        {**row, "bale": "A04-net"} if row == {"sample": "A01-net-60", "bale": "A01-net"} else row
        for row in parts
    ]
    moved = [row for row in moved if not row["sample"].startswith("A04-net-60")]
    write_cells(folder / "sample_parts.csv", moved)
    drop(folder, "samples", sample="A04-net-60")
    rows = records(folder).rows.set_index("bale")
    assert rows.loc[["A01-film+A02-film+A03-film", "A02-net+A03-net+A04-net"], "pair"].isna().all()
    assert rows["pair"].notna().sum() == 4  # those of 240 days
    assert records(folder).rows["bale"].str.contains("A04-film").sum() == 1


def test_bales_of_different_openings_in_a_composite_are_refused(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1)
    change(folder, "samples", {"sample": "A01-net-60"}, of="")
    parts = [{"sample": "A01-net-60", "bale": bale} for bale in ("A01-net", "A05-net")]
    write_cells(folder / "sample_parts.csv", parts)
    (found,) = [item.found for item in read_trial(folder).errors]
    assert found == "sample A01-net-60, a composite of bales of different openings"


def test_re_cored_composites_are_the_same_units_again(tmp_path: Path) -> None:
    folder = composites(make_trial(tmp_path, design="recored", sites=1, pairs=6, limit=0.01), 2)
    result = analyse(read(folder))["butyric_acid"]
    assert result.records.rows.groupby("bale")["opening"].nunique().tolist() == [2] * 6
    assert result.model is not None
    assert result.model.random == ("pair", "bale")
    reason = result.model.terms.frame.set_index("term").loc["bale", "reason"]
    assert reason == "each composite of 2 bales was cored again and again"


def test_days_of_a_composite_are_the_mean_of_its_bales(tmp_path: Path) -> None:
    """Wrapped on May 26 and 24, taken on July 25: 60 and 62 days, 61 on average."""
    folder = composites(make_trial(tmp_path, sites=1), 2)
    change(folder, "bales", {"bale": "A02-net"}, baled_at="2025-05-24 10:00",
           film_wrapped_at="2025-05-24 11:00")  # fmt: skip
    rows = records(folder).rows.set_index("bale")
    assert rows.loc["A01-net+A02-net", "days"] == 61.0


# ---- groups ----


def test_dm_loss_of_a_group_by_hand(tmp_path: Path) -> None:
    """Three bales: M0 1806, p0 1.2, M1 1788, p1 4.5, D0 352, D1 338, no correction.

    S0 = (1806 - 1.2) 352 / 1000 = 635.2896; S1 = (1788 - 4.5) 338 / 1000 = 602.823;
    L = 1 - 602.823 / 635.2896 = 5.1105 %, as of one bale with a third of each mass. Its error with
    1 kg and 5 g/kg: (1 - L) sqrt((1/1804.8)^2 + (5/352 / sqrt 3)^2 + (1/1783.5)^2 + (5/338)^2)
    = 0.948895 sqrt(3.070e-7 + 6.7256e-5 + 3.144e-7 + 2.18830e-4) = 1.6067 points: three day-0
    samples, one composite.
    """
    folder = in_threes(tmp_path, form="none")
    for at, gross, flags in (("0", "2031", ""), ("60", "2013", "film_on")):
        change(folder, "weighings", {"weighing": f"all-A01-net-w{at}"}, gross=gross, flags=flags)
    for bale in ("A01-net", "A02-net", "A03-net"):
        change(folder, "samples", {"sample": f"{bale[:3]}-day0"}, dm="352")
    change(folder, "samples", {"sample": "A01-net-60"}, dm="338")
    found = records(folder, loss=True)
    row = found.rows.set_index("bale").loc["A01-net+A02-net+A03-net"]
    assert found.unit.each == "group of 3 bales"
    assert (row["m0"], row["m1"]) == pytest.approx((1804.8, 1783.5))
    assert row["value"] == pytest.approx(5.1105, abs=5e-5)
    assert row["measurement_se"] == pytest.approx(1.6067, abs=5e-5)


def test_dm_of_a_group_from_its_bales_own_samples(tmp_path: Path) -> None:
    """D1 is the plain mean of the three, and the notes say when that is exact."""
    folder = together(make_trial(tmp_path, sites=1, pairs=6, form="none"), 3)
    for name, dm in zip(("A01", "A02", "A03"), ("330", "336", "345"), strict=True):
        change(folder, "samples", {"sample": f"{name}-net-60"}, dm=dm)
    found = records(folder, loss=True)
    row = found.rows.set_index("bale").loc["A01-net+A02-net+A03-net"]
    assert row["d1"] == 337.0
    assert row["value"] == pytest.approx(100 * (1 - row["m1"] * 337 / (row["m0"] * row["d0"])))
    assert any("exact only where the bales weigh alike" in note for note in found.notes)
    assert len(found.left_out) == 0  # the bales' own samples are used, in their groups


def test_single_weights_of_a_composites_bales_are_added_up(tmp_path: Path) -> None:
    folder = make_trial(tmp_path / "sum", sites=1, pairs=6, limit=0.01)
    added = records(composites(folder, 3), loss=True)
    weighed = records(in_threes(tmp_path / "once"), loss=True)
    for name in ("value", "m0", "m1"):
        assert added.rows[name].to_numpy() == pytest.approx(weighed.rows[name].to_numpy())


def test_bales_with_weights_of_their_own_count_and_the_group_is_listed(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1, pairs=6)
    single = read_cells(folder / "weighings.csv")
    all_of = read_cells(together(folder, 3) / "weighings.csv")
    write_cells(folder / "weighings.csv", [*single, *all_of])
    found = records(folder, loss=True)
    assert (found.unit.word, len(found.rows)) == ("bale", 24)
    assert len(found.left_out) == 8
    why = reasons(found)["A01-net+A02-net+A03-net"]
    assert why.endswith("these lack what a DM loss needs, or each bale has it by itself")


def test_a_group_of_both_bindings_gives_nothing(tmp_path: Path) -> None:
    folder = together(make_trial(tmp_path, sites=1, pairs=6), 3)
    for at in ("0", "60"):
        change(folder, "weighings", {"weighing": f"all-A01-net-w{at}"},
               bales="A01-net A02-net A03-film")  # fmt: skip
    why = reasons(records(folder, loss=True))
    assert why["A01-net+A02-net+A03-film"] == (
        "bales of different bindings as one value (net, film)"
    )
    assert "A01-net+A02-net+A03-net" not in set(records(folder, loss=True).rows["bale"])


def test_cores_of_a_composite_with_other_bales_are_not_shared_out(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, design="recored", sites=1, pairs=4)
    change(folder, "samples", {"kind": "core"}, fresh_kg="0.6")
    change(folder, "samples", {"sample": "A01-net-60"}, of="")
    parts = [{"sample": "A01-net-60", "bale": bale} for bale in ("A01-net", "A02-net")]
    write_cells(folder / "sample_parts.csv", parts)
    drop(folder, "samples", sample="A02-net-60")
    frame = records(folder, loss=True).left_out.frame
    late = frame[frame["opening"] == "240 days"]
    assert set(late["bale"]) == {"A01-net", "A02-net"}
    assert set(late["reason"]) == {
        "earlier cores went into a composite with other bales: what each gave is not known"
    }


# ---- identities ----


@pytest.mark.parametrize("design", ["separate", "recored"])
def test_units_of_one_bale_are_the_bales(tmp_path: Path, design: str) -> None:
    """Composites of one bale, which the check refuses as needless, change nothing."""
    trial = read(make_trial(tmp_path, design=design, sites=1))
    silage = trial.samples["kind"] != "day0"
    parts = pd.DataFrame({"sample": trial.samples["sample"], "bale": trial.samples["of"]})[silage]
    of = trial.samples["of"].where(~silage)
    alike = replace(trial, samples=trial.samples.assign(of=of), sample_parts=parts)
    for response in (BUTYRIC_ACID, DM_LOSS):
        one, other = (records_of(t, response) for t in (trial, alike))
        pd.testing.assert_frame_equal(one.rows, other.rows)
        pd.testing.assert_frame_equal(one.left_out.frame, other.left_out.frame)


def test_groups_of_like_bales_give_the_answer_of_single_bales(tmp_path: Path) -> None:
    """Three bales alike, weighed at once and sampled as one, are one bale three times as heavy."""
    options = {"sites": 1, "pairs": 4, "limit": 0.01}
    one = analyse(read(make_trial(tmp_path / "one", **options)))
    many = analyse(read(trial_of_many(tmp_path / "many", 3, **options)))
    for name in ("butyric_acid", "dm_loss"):
        for table in ("differences", "average", "growth", "means", "exact"):
            found, wanted = (getattr(part[name], table).frame for part in (many, one))
            numbers = wanted.select_dtypes("number").columns
            np.testing.assert_allclose(found[numbers], wanted[numbers], rtol=1e-6, atol=1e-9)


@settings(max_examples=4, deadline=None)
@given(order=st.randoms(use_true_random=False))
def test_neither_order_nor_names_matter(
    order: object, tmp_path_factory: pytest.TempPathFactory
) -> None:
    """Rows in any order, bales under other names: the same values of the same sets."""
    folder = in_threes(tmp_path_factory.mktemp("order"), openings=(60,))
    before = _values(records(folder, loss=True), {})
    names = [row["bale"] for row in read_cells(folder / "bales.csv")]
    shuffled = [*names]
    order.shuffle(shuffled)
    new = {name: f"N{k}" for k, name in enumerate(shuffled)}
    for table, columns in {"bales": ("bale",), "weighings": ("bales",), "samples": ("of",),
                           "sample_parts": ("bale",)}.items():  # fmt: skip
        rows = read_cells(folder / f"{table}.csv")
        for row in rows:
            for column in columns:
                row[column] = " ".join(new.get(word, word) for word in row[column].split())
        order.shuffle(rows)
        write_cells(folder / f"{table}.csv", rows)
    assert _values(records(folder, loss=True), {v: k for k, v in new.items()}) == before


def _values(found: Records, old: dict[str, str]) -> dict[tuple[frozenset[str], str], float]:
    return {
        (frozenset(old.get(bale, bale) for bale in row["members"]), row["opening"]): round(
            row["value"], 9
        )
        for row in found.rows.to_dict("records")
    }


# ---- what stands beside, and words ----


def test_the_report_counts_units_not_bales(threes: Analysis) -> None:
    """Page one, methods, tables and the file of results say what is one value."""
    butyric, loss = threes["butyric_acid"], threes["dm_loss"]
    seen = box.seen(threes).lines[0]
    assert seen.startswith("The comparison rests on 8 composites of 3 bales (net 4, film 4) in 4 ")
    assert seen.endswith("For DM loss it rests on 8 groups of 3 bales in 4 pairs.")
    assert str(methods.notes(butyric)).startswith("- Each value is of one composite of 3 bales")
    assert "never divided among its bales" in str(methods.methods(threes))
    assert "pairs of them are the replicates" in str(methods.notes(butyric))
    model = str(methods.model(butyric))
    assert "A composite of 3 bales stands in the place of a bale" in model
    assert "such pairs are the replicates" in model
    symbols = " ".join(str(of_models(threes)).split())
    assert (
        "its composites of 3 bales and groups of 3 bales are of the same pairs of bales" in symbols
    )
    assert "share swath," not in symbols
    assert "composites of 3 bales" in str(tables.found(butyric))
    assert "groups of 3 bales" in str(tables.found(loss))
    assert "of every composite of 3 bales" in figures.raw(threes.trial, butyric).caption
    reasons = " ".join(threes["butyric_acid"].model.terms.frame["reason"])
    assert "each composite of 3 bales was opened once" in reasons
    assert "composites of 3 bales of one pair share their swaths" in reasons


def test_variances_of_several_bales_start_no_plan(threes: Analysis, tmp_path: Path) -> None:
    results.write(threes, tmp_path / "results.json")
    with pytest.raises(NoAnswer) as caught:
        finished(tmp_path)
    assert caught.value.found == "variances of composites of 3 bales in results.json"
    assert caught.value.remedy == "give spreads in the plan"


def test_shares_and_limits_are_of_units(tmp_path: Path) -> None:
    """Composites vary less than bales, so that their share over a limit is none of bales."""
    folder = composites(make_trial(tmp_path, sites=1, pairs=6, limit=0.01, openings=(60,)), 2)
    replace_text(folder, "[analysis]", "[analysis.limits]\nbutyric_acid = 2\n\n[analysis]")
    result = analyse(read(folder))["butyric_acid"]
    assert result.shares.title == (
        "Butyric acid: share of composites of 2 bales over 2 g/kg DM, by the model"
    )
    assert "share of composites of 2 bales, not of bales" in result.shares.notes[0]
    assert result.shares_counted.frame["composites"].tolist() == [3, 3]


def test_covariates_of_composites_are_the_means_of_their_pairs(tmp_path: Path) -> None:
    folder = composites(make_trial(tmp_path, sites=1, pairs=6, limit=0.01), 2)
    replace_text(folder, "[analysis]", '[analysis]\ncovariates = ["day0_dm"]')
    result = analyse(read(folder))["butyric_acid"]
    assert result.model is not None
    kept = result.model.terms.frame.set_index("term").loc["day0_dm", "kept"]
    assert kept
