"""A layout: every pair whole, all in balance, codes that tell nothing, the same for a seed."""

from __future__ import annotations

import datetime as dt
import math
from collections import Counter
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from invented_plans import BALING, make_plan
from scipy import stats

from silagetrial.data.schema import TABLES
from silagetrial.errors import UsageError
from silagetrial.planning.allocate import allocate
from silagetrial.planning.blind import code_is_sound
from silagetrial.planning.layout import Layout, plan_trial
from silagetrial.planning.plan import Factor, Laboratory, Plan, SitePlan
from silagetrial.planning.randomise import streams

FILM = Factor("film_layers", ("4", "6"))
NAMES = ("bales", "samples", "weighings", "events", "scales", "key")


@st.composite
def plans(draw: st.DrawFn) -> Plan:
    site = SitePlan(
        "",
        0,
        spare_pairs=draw(st.integers(0, 2)),
        fields=draw(st.sampled_from([(), ("Upper",), ("Upper", "Lower")])),
        baling=draw(st.sampled_from([None, BALING])),
        stores=draw(st.sampled_from([(), ("yard",), ("yard", "shed")])),
        tiers=draw(st.integers(1, 2)),
    )
    return make_plan(
        *draw(st.lists(st.integers(2, 9), min_size=1, max_size=3)),
        openings=draw(st.integers(1, 4)),
        bindings=draw(st.integers(2, 3)),
        design=draw(st.sampled_from(["separate", "recored"])),
        factors=draw(st.sampled_from([(), (FILM,)])),
        site=site,
        laboratory=Laboratory(
            batch=draw(st.integers(10, 24)),
            duplicates=draw(st.integers(0, 2)),
            reference=draw(st.booleans()),
            samples=draw(st.integers(1, 2)),
        ),
        seed=draw(st.integers(0, 999)),
    )


@given(plan=plans())
@settings(deadline=None, max_examples=60)
def test_pairs_are_whole_alike_and_in_balance(plan: Plan) -> None:
    bales = plan_trial(plan).bales
    alike = ["site", "field", "lot", "store", "tier", "planned_opening", "cut", "film_layers"]
    for _, pair in bales.groupby("pair"):
        assert Counter(pair["binding"]) == Counter(plan.settings.compare)
        assert all(pair[column].nunique(dropna=False) == 1 for column in alike)
        orders = pair["order"].tolist()
        assert max(orders) - min(orders) == len(orders) - 1, "made one after another"
    for site in plan.sites:
        mine = bales[bales["site"] == site.name]
        assert mine["order"].tolist() == list(range(1, len(mine) + 1))
        assert mine["pair"].nunique() == site.pairs + site.spare_pairs
    assert bales["bale"].is_unique


@given(plan=plans())
@settings(deadline=None, max_examples=60)
def test_consecutive_pairs_hold_each_opening_once(plan: Plan) -> None:
    if plan.settings.design == "recored":
        assert plan_trial(plan).bales["planned_opening"].isna().all()
        return
    names = [opening.name for opening in plan.settings.openings]
    bales = plan_trial(plan).bales
    for site in plan.sites:
        drawn = bales[bales["site"] == site.name].drop_duplicates("pair")["planned_opening"]
        opened, spare = drawn.tolist()[: site.pairs], drawn.tolist()[site.pairs :]
        assert set(spare) <= {"spare"}
        for start in range(0, site.pairs, len(names)):
            block = opened[start : start + len(names)]
            assert len(set(block)) == len(block)
            assert set(block) <= set(names)
        if site.pairs % len(names) == 0:
            assert set(Counter(opened).values()) == {site.pairs // len(names)}


@pytest.mark.parametrize(("pairs", "bindings"), [(4, 2), (2, 3)])
def test_every_order_of_every_pair_is_equally_likely(pairs: int, bindings: int) -> None:
    """All orders of all pairs together: what tests by permutation rest on."""
    plan = make_plan(pairs, openings=1, bindings=bindings)
    counts = Counter(
        tuple(tuple(b.binding for b in pair.bales) for pair in allocate(plan, streams(seed)))
        for seed in range(1800)
    )
    assert len(counts) == math.factorial(bindings) ** pairs
    assert stats.chisquare(list(counts.values())).pvalue > 1e-4


def test_factors_and_stores_are_crossed_with_openings() -> None:
    site = SitePlan("", 0, baling=BALING, stores=("yard", "shed"))
    plan = make_plan(24, openings=3, factors=(FILM, Factor("additive", ("none", "A"))), site=site)
    pairs = plan_trial(plan).bales.drop_duplicates("pair")
    cells = pairs.groupby(["planned_opening", "film_layers", "additive"]).size()
    assert len(cells) == 12
    assert set(cells) == {2}
    assert set(pairs.groupby(["planned_opening", "store"]).size()) == {4}


@given(plan=plans())
@settings(deadline=None, max_examples=60)
def test_batches_hold_whole_pairs_and_their_controls(plan: Plan) -> None:
    layout = plan_trial(plan)
    key, laboratory = layout.key, plan.laboratory
    pair_of = dict(zip(layout.bales["bale"], layout.bales["pair"], strict=True))
    sent = key[key["batch"].notna()]
    for _, batch in sent.groupby("batch"):
        assert len(batch) <= laboratory.batch
        assert batch["opening"].nunique(dropna=False) == batch["kind"].nunique() == 1
        roles = Counter(batch["role"])
        assert roles["reference"] == int(laboratory.reference)
        assert roles["duplicate"] == min(laboratory.duplicates, roles["sample"])
        twins = batch[batch["role"] == "duplicate"].merge(
            batch, left_on="of_sample", right_on="sample"
        )
        assert (twins["of_x"] == twins["of_y"]).all()
        assert (twins["sample_x"] != twins["sample_y"]).all()
    silage = sent[(sent["role"] == "sample") & (sent["kind"] != "day0")]
    together = silage.groupby([silage["of"].map(pair_of), "opening"])["batch"].nunique()
    assert set(together) == {1}
    assert key["sample"].is_unique
    assert all(map(code_is_sound, key["sample"]))


@pytest.mark.slow
def test_any_pair_may_lie_in_any_batch_and_any_sample_be_sent_twice() -> None:
    plan = make_plan(4, openings=1, laboratory=Laboratory(batch=6, duplicates=1))
    batches: Counter[str] = Counter()
    twice: Counter[str] = Counter()
    for seed in range(600):
        key = plan_trial(plan, seed=seed).key
        silage = key[key["kind"] == "opening"]
        batches[silage.loc[silage["of"] == "N01", "batch"].iloc[0]] += 1
        twice.update(silage.loc[silage["role"] == "duplicate", "of"])
    assert len(batches) == 2
    assert stats.chisquare(list(batches.values())).pvalue > 1e-4
    assert len(twice) == 8
    assert stats.chisquare(list(twice.values())).pvalue > 1e-4


def test_one_crop_sample_a_pair_and_the_planned_samples_a_bale() -> None:
    plan = make_plan(6, laboratory=Laboratory(batch=40, samples=2, analyses=3, duplicates=0))
    key = plan_trial(plan).key
    taken = key[key["role"] == "sample"]
    assert set(taken[taken["kind"] == "day0"]["of"].value_counts()) == {1}
    assert set(taken[taken["kind"] == "opening"]["of"].value_counts()) == {6}
    rows = plan_trial(plan).rows
    assert set(rows["bale"].value_counts()) == {2}, "analyses of one sample are averaged"


def test_sample_table_holds_codes_only() -> None:
    samples = plan_trial(make_plan(6)).samples
    filled = {column for column in samples if samples[column].notna().any()}
    assert filled == {"sample", "laboratory", "batch"}
    for _, batch in samples.groupby("batch"):
        assert batch["sample"].is_monotonic_increasing, (
            "in the order of the codes, not of the pairs"
        )


@pytest.mark.slow
def test_codes_tell_neither_binding_nor_order_nor_role() -> None:
    """Rank of the code within its batch against what it hides, over many seeds."""
    plan = make_plan(6, openings=1)
    first: Counter[str] = Counter()
    place: Counter[int] = Counter()
    role: Counter[str] = Counter()
    for seed in range(400):
        layout = plan_trial(plan, seed=seed)
        batch = layout.key[layout.key["kind"] == "opening"].sort_values("sample")
        role[batch.iloc[0]["role"]] += 1
        bales = layout.bales.set_index("bale").loc[batch[batch["role"] == "sample"]["of"]]
        first[bales.iloc[0]["binding"]] += 1
        place[bales.iloc[0]["order"]] += 1
    assert stats.chisquare([first["net"], first["film"]]).pvalue > 1e-4
    assert stats.chisquare([place[order] for order in range(1, 13)]).pvalue > 1e-4
    # One duplicate and one reference among fourteen.
    shares = [400 * n / 14 for n in (12, 1, 1)]
    found = [role[name] for name in ("sample", "duplicate", "reference")]
    assert stats.chisquare(found, shares).pvalue > 1e-4


@pytest.mark.parametrize("pairs", [7, 12])
def test_every_pair_gets_each_opening_order_and_place_equally_often(pairs: int) -> None:
    site = SitePlan("", 0, baling=BALING, stores=("yard", "shed", "wall"))
    plan = make_plan(pairs, pairs, openings=3, bindings=3, factors=(FILM,), site=site)
    counts: dict[str, list[Counter[object]]] = {
        name: [Counter() for _ in range(2 * pairs)]
        for name in ("opening", "order", "store", "level")
    }
    possible = {"opening": 3, "order": 6, "store": 3, "level": 2}
    for seed in range(600):
        for n, pair in enumerate(allocate(plan, streams(seed))):
            counts["opening"][n][pair.opening] += 1
            counts["order"][n][tuple(bale.binding for bale in pair.bales)] += 1
            counts["store"][n][pair.store] += 1
            counts["level"][n][pair.levels] += 1
    for name, units in counts.items():
        for unit in units:
            observed = [*unit.values(), *[0] * (possible[name] - len(unit))]
            assert stats.chisquare(observed).pvalue > 1e-4 / (8 * pairs), name


def test_opening_and_order_are_drawn_apart() -> None:
    plan = make_plan(4, openings=2)
    cells: Counter[tuple[object, object]] = Counter()
    for seed in range(800):
        pair = allocate(plan, streams(seed))[0]
        cells[pair.opening, pair.bales[0].binding] += 1
    assert stats.chisquare(list(cells.values())).pvalue > 1e-4
    assert len(cells) == 4


def test_opening_days_have_dates_windows_and_pairs_together() -> None:
    layout = plan_trial(make_plan(6, 6))
    calendar = layout.calendar.frame
    pair_of = dict(zip(layout.bales["bale"], layout.bales["pair"], strict=True))
    assert len(calendar) == 6
    assert calendar["date"].is_monotonic_increasing
    assert calendar["date"].iloc[0] == BALING + dt.timedelta(days=60)
    assert calendar["window"].iloc[0] == "2027-07-09 to 2027-07-29"
    for bales in calendar["bales"].str.split():
        assert len(bales) == 4
        assert pair_of[bales[0]] == pair_of[bales[1]] != pair_of[bales[2]] == pair_of[bales[3]]


@pytest.mark.slow
def test_order_of_an_opening_day_is_uniform() -> None:
    plan = make_plan(3, openings=1)
    counts = Counter(
        plan_trial(plan, seed=seed).calendar.frame["bales"].iloc[0] for seed in range(960)
    )
    assert len(counts) == 6 * 8
    assert stats.chisquare(list(counts.values())).pvalue > 1e-4


def test_weighings_are_due_at_wrapping_at_opening_and_three_times_for_one_bale() -> None:
    plan = make_plan(6, 6, site=SitePlan("", 0, spare_pairs=1, baling=BALING))
    layout = plan_trial(plan)
    weighings = layout.weighings
    wrapping = weighings[weighings["planned_opening"].isna()]
    assert set(wrapping["bales"]) == set(layout.bales["bale"])
    repeated = wrapping[wrapping["repeat"].notna()]
    assert repeated.groupby("bales")["repeat"].agg(list).tolist() == [[1, 2, 3], [1, 2, 3]]
    assert layout.bales.set_index("bale").loc[repeated["bales"].unique(), "site"].nunique() == 2
    opened = weighings[weighings["planned_opening"].notna()]
    planned = dict(zip(layout.bales["bale"], layout.bales["planned_opening"], strict=True))
    assert opened["planned_opening"].tolist() == opened["bales"].map(planned).tolist()
    assert len(opened) == 24
    assert weighings["weighing"].is_unique
    assert weighings[["weighed_at", "gross", "tare"]].isna().all(axis=None)
    assert set(weighings["scale"]) == set(layout.scales["scale"]) == {"S1", "S2"}


def test_each_scale_is_checked_on_every_day_it_weighs() -> None:
    plan = make_plan(6, 6)
    plan = replace(plan, sites=(plan.sites[0], replace(plan.sites[1], baling=None)))
    checks = plan_trial(plan).scales
    assert checks["scale"].tolist() == ["S1"] * 4 + ["S2"] * 4
    assert checks["note"].tolist()[:2] == [
        "Farm 1: before weighing at baling, 2027-05-20",
        "Farm 1: before weighing at 2 months, 2027-07-19",
    ]
    assert checks["note"].iloc[-1] == "Farm 2: before weighing at 6 months"
    assert checks[["check_mass", "check_reading"]].isna().all(axis=None)


def test_inspection_rounds_are_for_bales_in_store() -> None:
    layout = plan_trial(make_plan(6, inspections=(14, 100)))
    rounds = layout.events
    assert rounds["at"].isna().all()
    assert set(rounds["what"]) == {"inspected"}
    early = layout.bales[layout.bales["planned_opening"] == "2 months"]["bale"]
    assert Counter(rounds["note"]) == {
        "planned for 2027-06-03": 12,
        "planned for 2027-08-28": 8,
    }
    assert not set(rounds[rounds["note"] == "planned for 2027-08-28"]["bale"]) & set(early)
    usual = plan_trial(make_plan(3)).events["note"].unique().tolist()
    assert [text[-10:] for text in usual] == [
        (BALING + dt.timedelta(days=days)).isoformat() for days in (14, 30, 90, 150)
    ]


def test_tables_have_the_columns_of_the_schema_then_further_factors() -> None:
    layout = plan_trial(make_plan(6, factors=(Factor("shade", ("yes", "no")),)))
    for name in ("samples", "weighings", "events", "scales"):
        frame = getattr(layout, name)
        assert list(frame) == [column.name for column in TABLES[name]]
    assert list(layout.key) == [column.name for column in TABLES["blind_key"]]
    assert list(layout.bales) == [*(column.name for column in TABLES["bales"]), "shade"]
    assert set(layout.bales["film_layers"]) == {6}, "what is held equal is filled in"


def test_same_seed_same_layout_and_another_seed_another() -> None:
    plan = make_plan(6, 5)
    one, two, other = plan_trial(plan), plan_trial(plan), plan_trial(plan, seed=1)
    for name in NAMES:
        pd.testing.assert_frame_equal(getattr(one, name), getattr(two, name))
    assert one.calendar.frame.equals(two.calendar.frame)
    assert other.seed == other.plan.seed == 1
    assert not one.bales["binding"].equals(other.bales["binding"])


def test_another_laboratory_leaves_the_bales_as_they_were() -> None:
    plan = make_plan(6)
    with_more = replace(plan, laboratory=Laboratory(batch=50, samples=3, duplicates=2))
    pd.testing.assert_frame_equal(plan_trial(plan).bales, plan_trial(with_more).bales)


@given(made=st.integers(1, 10), seed=st.integers(0, 99))
@settings(deadline=None, max_examples=25)
def test_stopped_early_keeps_the_pairs_made(made: int, seed: int) -> None:
    plan = make_plan(9, 6, site=SitePlan("", 0, spare_pairs=1, baling=BALING), seed=seed)
    whole, left = plan_trial(plan), plan_trial(plan, stopped_early={"Farm 1": made})
    gone = (whole.bales["site"] == "Farm 1") & (whole.bales["order"] > 2 * made)
    pd.testing.assert_frame_equal(left.bales, whole.bales[~gone].reset_index(drop=True))
    codes = whole.key[whole.key["role"] == "sample"].set_index("sample")["of"]
    kept = left.key[left.key["role"] == "sample"].set_index("sample")["of"]
    assert codes[kept.index].tolist() == kept.tolist()
    controls = left.key[left.key["role"] != "sample"]["sample"]
    assert not set(controls) & set(codes.index), "no code of a pair that was not made"
    openings = left.bales[left.bales["site"] == "Farm 1"].drop_duplicates("pair")
    counts = Counter(openings["planned_opening"])
    counts.pop("spare", None)
    assert max(counts.values()) - min([counts[o.name] for o in plan.settings.openings]) <= 1


def test_stopped_early_is_told_and_batches_are_filled_anew() -> None:
    layout = plan_trial(make_plan(12, openings=4), stopped_early={"Farm 1": 7})
    assert "stopped early on Farm 1 after 7 pairs" in repr(layout)
    assert layout.model.error_df == 3
    assert layout.summary.frame["pairs"].tolist() == [7]
    assert set(layout.key["batch"].dropna()) == {"B01", "B02", "B03", "B04", "B05"}


@pytest.mark.parametrize(
    ("stopped", "found", "remedy"),
    [
        ({"Farm one": 3}, "'Farm one'", "name the site as in the plan"),
        ({"farm 1": 3}, "'farm 1'", "did you mean 'Farm 1'?"),
        ({"Farm 1": 7}, "7 pairs made on 'Farm 1'", "complete pairs only"),
        ({"Farm 1": -1}, "-1 pairs made on 'Farm 1'", "complete pairs only"),
        ({"Farm 1": 0}, "no pair that is to be opened", "another day"),
    ],
)
def test_stopped_early_that_cannot_be(stopped: dict[str, int], found: str, remedy: str) -> None:
    with pytest.raises(UsageError) as caught:
        plan_trial(make_plan(6), stopped_early=stopped)
    assert found in caught.value.found
    assert remedy in caught.value.remedy


def test_negative_seed_is_refused() -> None:
    with pytest.raises(UsageError, match="seed -1"):
        plan_trial(make_plan(6), seed=-1)


def test_runs_are_made_one_binding_after_the_other() -> None:
    plan = make_plan(8, openings=2, site=SitePlan("", 0, fields=("Upper", "Lower")), switch_every=3)
    bales = plan_trial(plan).bales
    lengths = bales.groupby("run", sort=False).size().tolist()
    assert lengths == [3, 3, 1, 1, 3, 3, 1, 1], "a run ends with the field"
    assert set(bales.groupby("run")["binding"].nunique()) == {1}
    assert set(bales.groupby("pair")["binding"].nunique()) == {2}
    switched = (bales["binding"] != bales["binding"].shift()).sum()
    assert switched <= bales["run"].nunique()
    assert plan_trial(make_plan(8)).bales["run"].isna().all()


def test_cuts_of_one_farm_are_planned_apart() -> None:
    plan = make_plan(6, 6)
    first, second = plan.sites
    sites = (replace(first, name="Farm", cut="1"), replace(second, name="Farm", cut="2"))
    layout = plan_trial(replace(plan, sites=sites), stopped_early={"Farm, cut 2": 4})
    assert layout.bales.groupby("cut")["pair"].nunique().to_dict() == {"1": 6, "2": 4}
    assert layout.bales["lot"].nunique() == 2
    assert layout.summary.frame["site"].tolist() == ["Farm, cut 1", "Farm, cut 2"]
    assert layout.summary.frame["pairs"].tolist() == [6, 4]


def test_layout_shows_itself_and_escapes_names() -> None:
    plan = make_plan(6, held_equal={})
    plan = replace(plan, sites=(replace(plan.sites[0], name="<b>Farm</b>", baling=None),))
    layout: Layout = plan_trial(plan)
    page = layout._repr_html_()
    assert "<b>" not in page
    assert "&lt;b&gt;Farm" in page
    assert "film_layers" in page
    assert "seed 20260101" in repr(layout)
    assert "day 50 to 70" in repr(layout)
