"""The model for every design: which terms, why, and how many degrees of freedom."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    bales_in_runs,
    effects,
    fitted,
    frame_of,
    recored_pairs,
    separate_pairs,
    settings_of,
    unpaired_lots,
)

from silagetrial.analysis import ModelChoice, choose_model
from silagetrial.data.settings import Settings
from silagetrial.mixed import contrasts, term_tests

OPENED = "y ~ binding + opening + binding:opening"
FACTOR = recored_pairs(6, "AB").assign(
    film_layers=lambda f: np.where(f["pair"] < "03", 4.0, 6.0)  # numbers, as read from the file
)
MIXTURE = pd.concat(
    [
        separate_pairs(4, "A"),
        frame_of(
            [
                {"bale": f"u{i}", "site": "site 0", "binding": b, "opening": "A"}
                for i, b in enumerate(("net", "film") * 3)
            ]
        ),
    ],
    ignore_index=True,
)

# design: rows, settings, formula, random terms, unit, error df among the units of the binding
DESIGNS: dict[str, tuple[pd.DataFrame, Settings, str, tuple[str, ...], str, int]] = {
    "separate pairs": (
        separate_pairs(6, "AB"), settings_of(openings="AB"), OPENED, ("pair",), "bale", 10,
    ),
    "separate pairs, one opening": (
        separate_pairs(8, "A"), settings_of(), "y ~ binding", ("pair",), "bale", 7,
    ),
    "re-cored pairs": (
        recored_pairs(6, "ABC"), settings_of("recored", openings="ABC"),
        OPENED, ("pair", "bale"), "bale", 5,
    ),
    "two re-cored pairs": (
        recored_pairs(2, "ABC"), settings_of("recored", openings="ABC"),
        OPENED, ("pair", "bale"), "bale", 1,
    ),
    "sets of three": (
        recored_pairs(5, "AB", bindings=("net", "film", "twine")),
        settings_of("recored", bindings=("net", "film", "twine"), openings="AB"),
        OPENED, ("pair", "bale"), "bale", 8,
    ),
    # Within lots of 6+3 and 2+7 bales: 18 bales less two lots, binding, binding by lot.
    "unpaired lots": (
        unpaired_lots([{"net": 6, "film": 3}, {"net": 2, "film": 7}]), settings_of(),
        "y ~ binding + lot + binding:lot", (), "bale", 14,
    ),
    "six unpaired lots": (
        unpaired_lots([{"net": 2, "film": 2}] * 6), settings_of(),
        "y ~ binding", ("lot",), "bale", 17,
    ),
    "lots of one binding": (
        unpaired_lots([{"net": 4}, {"film": 4}] * 3), settings_of(),
        "y ~ binding", ("lot",), "lot", 4,
    ),
    # 24 bales in 4 runs rest on 2 df, not on 22.
    "runs": (bales_in_runs(4, 6), settings_of(), "y ~ binding", ("run",), "run", 2),
    "one site, no blocks": (
        unpaired_lots([{"net": 5, "film": 5}]), settings_of(), "y ~ binding", (), "bale", 8,
    ),
    "four sites": (
        separate_pairs(3, "A", sites=4), settings_of(),
        "y ~ binding + site + binding:site", ("pair",), "bale", 8,
    ),
    "five sites": (
        separate_pairs(3, "A", sites=5), settings_of(),
        "y ~ binding", ("site", "site:binding", "pair"), "site", 4,
    ),
    "five sites, two openings": (
        separate_pairs(3, "AB", sites=5), settings_of(openings="AB"), OPENED,
        ("site", "site:binding", "site:binding:opening", "pair"), "site", 4,
    ),
    "one pair on every farm": (
        separate_pairs(1, "A", sites=6), settings_of(), "y ~ binding", ("site",), "site", 5,
    ),
    "one pair on each of three farms": (
        separate_pairs(1, "A", sites=3), settings_of(), "y ~ binding + site", (), "bale", 2,
    ),
    "further factor": (
        FACTOR, settings_of("recored", openings="AB", factors=("film_layers",)),
        OPENED + " + film_layers + binding:film_layers", ("pair", "bale"), "bale", 4,
    ),
    "paired and unpaired bales": (
        MIXTURE, settings_of(), "y ~ binding", ("pair",), "bale", 3,
    ),
}  # fmt: skip


def row_of(choice: ModelChoice, term: str) -> pd.Series:
    frame = choice.terms.frame
    return frame[frame["term"] == term].iloc[0]


@pytest.mark.parametrize("design", DESIGNS)
def test_model_of_each_design(design: str) -> None:
    rows, settings, formula, random, unit, df = DESIGNS[design]
    choice = choose_model(rows, settings)
    assert choice.refusal is None
    assert (choice.formula, choice.random, choice.unit) == (formula, random, unit)
    assert choice.error_df == df
    assert choice.terms.frame["reason"].str.len().gt(5).all()


@pytest.mark.parametrize("design", [d for d in DESIGNS if d != "paired and unpaired bales"])
def test_average_has_the_df_of_its_units(design: str) -> None:
    """KR df of the averaged difference are the design's, whatever the data (balanced designs)."""
    rows, settings, _, _, _, df = DESIGNS[design]
    y = effects(rows, {"pair": 0.5, "bale": 0.5, "site": 0.5, "run": 0.5, "lot": 0.5},
                times=1, seed=len(design))[0]  # fmt: skip
    _, fit, wanted = fitted(rows, settings, y)
    assert wanted.average is not None
    found = contrasts(fit, wanted.average).frame["df"].to_numpy()
    assert found == pytest.approx(df, rel=1e-6)


def test_unpaired_bales_add_to_the_df_of_the_pairs() -> None:
    """Four pairs have 3 df; six more bales without partners can only add."""
    rows, settings, *_ = DESIGNS["paired and unpaired bales"]
    _, fit, wanted = fitted(rows, settings, effects(rows, {"pair": 0.7}, times=1, seed=3)[0])
    assert contrasts(fit, wanted.differences).frame["df"].iloc[0] > 3


def test_bales_alone_are_not_counted_as_pairs() -> None:
    reason = row_of(choose_model(MIXTURE, settings_of()), "pair")["reason"]
    assert reason == "4 pairs and 6 bales alone: bales of one pair share the swath"
    whole = row_of(choose_model(separate_pairs(4, "A"), settings_of()), "pair")["reason"]
    assert whole == "4 pairs: bales of one pair share the swath"


def test_one_pair_on_every_farm_is_not_separable() -> None:
    """Farm by binding equals the residual there; the table says so, without an SD."""
    choice = choose_model(separate_pairs(1, "A", sites=6), settings_of())
    assert not row_of(choice, "site:binding")["kept"]
    assert row_of(choice, "site:binding")["reason"].startswith("not separable from residual")
    assert row_of(choice, "pair")["reason"].startswith("not separable from site")
    assert choice.scope == "farms like these 6"


def test_few_sites_speak_of_these_sites() -> None:
    choice = choose_model(separate_pairs(3, "A", sites=3), settings_of())
    assert choice.scope == "these 3 farms"
    assert "so the answer is about these sites" in row_of(choice, "site")["reason"]
    assert choose_model(separate_pairs(3, "A"), settings_of()).scope == "this farm"


def test_fixed_sites_weigh_equally() -> None:
    """Six pairs on one site and two on the other: the average is that of the two sites' means."""
    rows = pd.concat(
        [
            separate_pairs(6, "A").assign(site="Alder"),
            separate_pairs(2, "A").assign(
                site="Birch", pair=lambda f: "b" + f["pair"], bale=lambda f: "b" + f["bale"]
            ),
        ],
        ignore_index=True,
    )
    y = effects(rows, {"pair": 1.0}, times=1, seed=8)[0]
    _, fit, wanted = fitted(rows, settings_of(), y)
    cells = rows.assign(y=y).groupby(["site", "binding"])["y"].mean().unstack()
    by_hand = (cells["film"] - cells["net"]).mean()
    assert wanted.average is not None
    assert contrasts(fit, wanted.average).frame["estimate"].iloc[0] == pytest.approx(by_hand)


def test_number_of_layers_is_a_factor_not_a_line() -> None:
    """Main effects are tested at the mean of the levels, not extrapolated to zero layers."""
    rows, settings, *_ = DESIGNS["further factor"]
    y = effects(rows, {"bale": 0.5}, times=1, seed=2)[0]
    _, fit, wanted = fitted(rows, settings, y)
    assert fit.frame.levels["film_layers"] == ("4.0", "6.0")
    assert wanted.average is not None
    average = contrasts(fit, wanted.average).frame.iloc[0]
    tests = term_tests(fit).frame.set_index("term")
    assert tests.loc["binding", "statistic"] == pytest.approx(average["statistic"] ** 2)
    assert tests.loc["binding", "p_value"] == pytest.approx(average["p_value"])


@pytest.mark.parametrize(
    ("rows", "name", "reason"),
    [
        (FACTOR.assign(crop_dm=350.0), "crop_dm", "only one crop_dm"),
        (FACTOR.assign(crop_dm=np.where(FACTOR["pair"] < "02", np.nan, 1.0)), "crop_dm",
         "not recorded for every bale"),
        (FACTOR.assign(**{"film layers": FACTOR["film_layers"]}), "film layers",
         "the column name 'film layers' cannot stand in a formula"),
    ],
)  # fmt: skip
def test_factor_that_cannot_enter_says_why(rows: pd.DataFrame, name: str, reason: str) -> None:
    choice = choose_model(rows, settings_of("recored", openings="AB", factors=(name,)))
    assert not row_of(choice, name)["kept"]
    assert row_of(choice, name)["reason"].startswith(reason)


@pytest.mark.parametrize(
    ("site_two", "reason"),
    [
        (("net", "film"), "one bale a site and binding"),
        (("net", "net"), "some site has not every binding"),
    ],
)
def test_interaction_that_cannot_be_estimated(site_two: tuple[str, str], reason: str) -> None:
    rows = pd.concat(
        [
            separate_pairs(4, "A"),
            frame_of(
                [
                    {"bale": f"z{i}", "pair": f"z{i if site_two == ('net', 'net') else 0}",
                     "site": "Birch", "binding": b, "opening": "A"}
                    for i, b in enumerate(site_two)
                ]
            ),
        ],
        ignore_index=True,
    )  # fmt: skip
    choice = choose_model(rows, settings_of())
    assert not row_of(choice, "binding:site")["kept"]
    assert row_of(choice, "binding:site")["reason"].startswith(reason)


def test_unpaired_lots_are_compared_within_lots() -> None:
    """The difference is that of lot means with equal weight: nothing from between lots."""
    rows, settings, *_ = DESIGNS["unpaired lots"]
    y = effects(rows, {"lot": 20.0}, times=1, seed=4)[0]
    _, fit, wanted = fitted(rows, settings, y)
    cells = rows.assign(y=y).groupby(["lot", "binding"])["y"].mean().unstack()
    found = contrasts(fit, wanted.differences).frame["estimate"].iloc[0]
    assert found == pytest.approx((cells["film"] - cells["net"]).mean())


def test_lots_within_sites_stand_for_the_sites() -> None:
    rows = unpaired_lots([{"net": 3, "film": 3}] * 4).assign(
        site=lambda f: np.where(f["lot"] < "lot 2", "Alder", "Birch")
    )
    choice = choose_model(rows, settings_of())
    assert choice.formula == "y ~ binding + lot + binding:lot"
    assert row_of(choice, "site")["reason"] == "its lots stand for it"
    assert choice.error_df == 24 - 8


def test_one_lot_a_site_is_the_site() -> None:
    rows = unpaired_lots([{"net": 3, "film": 3}] * 3).assign(site=lambda f: f["lot"] + " farm")
    choice = choose_model(rows, settings_of())
    assert choice.formula == "y ~ binding + site + binding:site"
    assert row_of(choice, "lot")["reason"].startswith("not separable: the fixed part takes up")


def test_bale_without_a_run_is_a_run_of_its_own() -> None:
    """Not recording some runs must not turn the bales of the others into replicates."""
    rows = bales_in_runs(4, 6)
    some = rows["run"].where(rows["run"] != "run 3")
    choice = choose_model(rows.assign(run=some), settings_of())
    assert (choice.random, choice.unit) == (("run",), "run")
    assert choice.error_df == (3 + 6) - 2


def test_laboratories_that_split_pairs_enter_the_model() -> None:
    """Net to one laboratory, film to another, but for two pairs: without a term their shift
    would be the difference. With it, the difference rests on those two pairs."""
    rows = separate_pairs(8, "A")
    home = np.where(rows["binding"] == "net", "North", "South")
    rows["laboratory"] = np.where(rows["pair"] < "0A2", "North", home)
    choice, fit, wanted = fitted(rows, settings_of(), effects(rows, {}, times=1, seed=1)[0])
    assert choice.formula == "y ~ binding + laboratory"
    assert "would enter the difference" in row_of(choice, "laboratory")["reason"]
    shift = 5.0 * (rows["laboratory"] == "South").to_numpy()
    _, moved, _ = fitted(rows, settings_of(), effects(rows, {}, times=1, seed=1)[0] + shift)
    before, after = (contrasts(f, wanted.differences).frame["estimate"].iloc[0]
                     for f in (fit, moved))  # fmt: skip
    assert after == pytest.approx(before)


@pytest.mark.parametrize("column", ["field", "year", "cut", "crop", "additive", "baler"])
def test_circumstance_spread_unevenly_over_unpaired_bales_enters(column: str) -> None:
    """Nine net and two film bales of one year, two and nine of the other: year is in the model."""
    rows = unpaired_lots([{"net": 9, "film": 2}, {"net": 2, "film": 9}])
    rows = rows.assign(**{column: rows["lot"], "lot": None})
    choice = choose_model(rows, settings_of())
    assert choice.formula == f"y ~ binding + {column}"
    assert choice.error_df == 22 - 3


def test_what_pairs_share_cancels() -> None:
    """A laboratory, batch or baler that is the same for both bales of each pair needs no term."""
    rows = separate_pairs(6, "A")
    late = np.where(rows["pair"] < "0A3", "1", "2")
    choice = choose_model(rows.assign(laboratory=late, batch=late, baler=late), settings_of())
    assert (choice.formula, choice.random) == ("y ~ binding", ("pair",))


@pytest.mark.parametrize(
    ("batches", "formula", "random"),
    [(4, "y ~ binding + batch", ("pair",)), (6, "y ~ binding", ("pair", "batch"))],
)
def test_batches_that_split_pairs(batches: int, formula: str, random: tuple[str, ...]) -> None:
    """Few are fixed, as few sites are: a variance from three df weighs nothing reliably."""
    rows = separate_pairs(8, "A")
    rows["batch"] = [str((i + i // 2) % batches) for i in range(len(rows))]
    choice = choose_model(rows, settings_of())
    assert (choice.formula, choice.random) == (formula, random)


def test_batches_within_openings_leave_the_differences() -> None:
    """Two batches at each opening split the pairs: no mean over batches of other openings can be
    had, but every difference can, and it is not moved by a shift of one batch."""
    rows = separate_pairs(6, "AB")
    rows["batch"] = rows["opening"] + np.where(np.arange(len(rows)) % 3 == 0, "1", "2")
    y = effects(rows, {"pair": 0.5}, times=1, seed=9)[0]
    settings = settings_of(openings="AB")
    choice, fit, wanted = fitted(rows, settings, y)
    assert choice.formula == OPENED + " + batch"
    assert len(wanted.means) == 0
    assert wanted.openings == ("A", "B")
    _, moved, _ = fitted(rows, settings, y + 3.0 * (rows["batch"] == "B2").to_numpy())
    assert contrasts(moved, wanted.differences).frame["estimate"].to_numpy() == pytest.approx(
        contrasts(fit, wanted.differences).frame["estimate"].to_numpy()
    )


def test_field_names_hold_within_a_site() -> None:
    """Field 1 of one farm is not field 1 of another: no field is split by the binding here."""
    rows = separate_pairs(3, "A", sites=2).assign(field="1")
    assert "field" not in set(choose_model(rows, settings_of()).terms.frame["term"])


def test_block_of_the_plan() -> None:
    rows = separate_pairs(8, "A").assign(store=lambda f: (f["pair"] < "0A4").map(str))
    choice = choose_model(rows, settings_of(blocks=("store",)))
    assert row_of(choice, "store")["reason"] == "block named in trial.toml"
    assert choice.error_df == 7


def test_block_of_one_binding_each_is_the_unit() -> None:
    """Days on which only one binding was made: four days give 2 df, not those of the bales."""
    rows = bales_in_runs(4, 6).assign(day=lambda f: f["run"], run=None)
    choice = choose_model(rows, settings_of(blocks=("day",)))
    assert (choice.unit, choice.random, choice.error_df) == ("day", ("day",), 2)


def test_unequal_repeat_analyses_get_a_term() -> None:
    rows = separate_pairs(6, "A")
    twice = pd.concat([rows, rows.iloc[:5]], ignore_index=True)
    choice = choose_model(twice, settings_of())
    assert choice.random == ("pair", "bale:opening")
    assert row_of(choice, "bale")["reason"] == "each bale was opened once: see bale:opening"
