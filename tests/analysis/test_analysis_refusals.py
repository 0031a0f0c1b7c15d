"""What the design gives no answer about: never a p value, always what would be enough."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    answer,
    bales_in_runs,
    change,
    drop,
    effects,
    fitted,
    frame_of,
    recored_pairs,
    replace_text,
    separate_pairs,
    settings_of,
    unpaired_lots,
)
from builders import make_trial

from silagetrial.analysis import ResponseAnalysis, analyse, choose_model
from silagetrial.analysis.compare import comparison
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.strata import BindingUnit, counted
from silagetrial.data.read import read_trial
from silagetrial.data.settings import Settings
from silagetrial.display import Table
from silagetrial.errors import DataProblems, NoAnswer
from silagetrial.mixed import fit_mixed


def told_apart(column: str) -> pd.DataFrame:
    """Unpaired bales in one lot; the column tells the binding."""
    rows = unpaired_lots([{"net": 6, "film": 6}]).assign(lot=None)
    return rows.assign(**{column: rows["binding"].map({"net": "one", "film": "two"})})


FIELDS_BY_SITE = frame_of(
    [
        {"bale": f"{s}{b}{i}", "site": s, "binding": b, "opening": "A",
         "field": "1" if (s == "Alder") == (b == "net") else "2"}
        for s in ("Alder", "Birch") for b in ("net", "film") for i in range(3)
    ]
)  # fmt: skip
OPENINGS_APART = separate_pairs(6, "AB").pipe(
    lambda f: f[(f["opening"] == "A") == (f["binding"] == "net")].assign(pair=None)
)
BATCH_A_CELL = separate_pairs(6, "AB").assign(batch=lambda f: f["opening"] + f["binding"])
ONE_FULL_SITE = pd.concat(
    [
        separate_pairs(4, "A"),
        frame_of(
            [
                {"bale": f"s{k}{i}", "site": f"farm {k}", "binding": ("net", "film")[k % 2],
                 "opening": "A"}
                for k in range(5) for i in range(2)
            ]
        ),
    ],
    ignore_index=True,
)  # fmt: skip
BY_FACTOR = separate_pairs(6, "A").assign(
    layers=lambda f: f["binding"].map({"net": 6.0, "film": 4.0})
)
TWO_DAYS = separate_pairs(6, "A").assign(pair=None, day=lambda f: f["binding"])

# case: rows, settings, found, expected, remedy (parts of the texts)
REFUSED: dict[str, tuple[pd.DataFrame, Settings, str, str, str]] = {
    "one pair, cored four times": (
        recored_pairs(1, "ABCD"), settings_of("recored", openings="ABCD"),
        "1 pair in the comparison leaves no degrees of freedom among bales",
        "at least one more pair with all bindings at the same opening", "one more pair gives",
    ),
    "one pair at each of two openings": (
        separate_pairs(1, "AB"), settings_of(openings="AB"),
        "2 pairs in the comparison leave no degrees of freedom", "at least one more pair",
        "six or more make a usable comparison",
    ),
    "two unpaired bales": (
        unpaired_lots([{"net": 1, "film": 1}]).assign(lot=None), settings_of(),
        "2 bales in the comparison leave no degrees of freedom among bales",
        "at least one more bale of each binding", "one more bale gives",
    ),
    "one run each": (
        bales_in_runs(2, 12), settings_of(),
        "2 runs in the comparison leave no degrees of freedom among runs",
        "at least one more run of each binding", "one more run gives",
    ),
    "one lot each": (
        unpaired_lots([{"net": 8}, {"film": 8}]), settings_of(),
        "2 lots in the comparison leave no degrees of freedom among lots",
        "at least one more lot of each binding", "one more lot gives",
    ),
    **{
        column: (
            told_apart(column), settings_of(),
            f"each {column} has values of one binding only: binding and {column} are confounded",
            f"each binding in at least one common {column}",
            f"no statistics can part the binding from the {column} here",
        )
        for column in ("site", "field", "year", "cut", "crop", "additive", "baler",
                       "laboratory", "batch")
    },
    "field within each site": (
        FIELDS_BY_SITE, settings_of(), "each field has values of one binding only",
        "one common field", "compare only where one field has all bindings",
    ),
    "no opening in common": (
        OPENINGS_APART, settings_of(openings="AB"), "each opening has values of one binding only",
        "one common opening", "compare only where one opening has all bindings",
    ),
    "a laboratory batch for each binding and opening": (
        BATCH_A_CELL, settings_of(openings="AB"), "each batch has values of one binding only",
        "one common batch", "compare only where one batch has all bindings",
    ),
    "further factor": (
        BY_FACTOR, settings_of(factors=("layers",)), "each layers has values of one binding only",
        "one common layers", "from the layers here",
    ),
    "block of the plan": (
        TWO_DAYS, settings_of(blocks=("day",)), "each day has values of one binding only",
        "one common day", "from the day here",
    ),
    "one of six farms has both bindings": (
        ONE_FULL_SITE, settings_of(), "fewer than two of 6 sites have bales of every binding",
        "at least two sites with every binding", "make bales of every binding on each site",
    ),
    "one binding": (
        separate_pairs(4, "A").query("binding == 'net'"), settings_of(),
        "values of one binding only (net)", "values of at least two bindings",
        "look at the bales left out and why",
    ),
}  # fmt: skip


def refused(rows: pd.DataFrame, settings: Settings) -> ModelChoice:
    return choose_model(rows.reset_index(drop=True), settings)


@pytest.mark.parametrize("case", REFUSED)
def test_refusal_says_what_is_missing_and_what_would_be_enough(case: str) -> None:
    rows, settings, found, expected, remedy = REFUSED[case]
    choice = refused(rows, settings)
    assert choice.refusal is not None
    assert choice.error_df == 0
    assert found in choice.refusal.found
    assert expected in choice.refusal.expected
    assert remedy in choice.refusal.remedy
    assert choice.refusal.exit_code == 4


@pytest.mark.parametrize(
    ("rows", "settings"),
    [
        (recored_pairs(2, "ABCD"), settings_of("recored", openings="ABCD")),
        (bales_in_runs(3, 8), settings_of()),
        (unpaired_lots([{"net": 8}, {"film": 8}, {"net": 2}]), settings_of()),
        (unpaired_lots([{"net": 2, "film": 1}]).assign(lot=None), settings_of()),
    ],
)
def test_one_more_is_enough(rows: pd.DataFrame, settings: Settings) -> None:
    """What the refusals call enough gives the first degree of freedom."""
    choice = choose_model(rows, settings)
    assert choice.refusal is None
    assert choice.error_df == 1


def test_batches_of_one_sample_are_no_confounding() -> None:
    rows = separate_pairs(6, "A").assign(batch=lambda f: f["bale"])
    assert choose_model(rows, settings_of()).refusal is None


def test_two_terms_that_tell_the_binding_together() -> None:
    """Neither baler nor laboratory tells the binding; both in the model leave nothing of it."""
    rows = frame_of(
        [
            {"bale": f"b{i}", "binding": b, "opening": "A", "baler": x, "laboratory": y}
            for i, (b, x, y) in enumerate(
                [("net", "1", "N"), ("film", "2", "N"), ("net", "2", "S"), ("film", "3", "S")] * 3
            )
        ]
    )
    choice = choose_model(rows, settings_of())
    y = effects(rows, {}, times=1, seed=1)[0]
    fit = fit_mixed(
        rows.assign(y=y), "y ~ binding + baler + laboratory", levels={"binding": ("net", "film")}
    )
    assert choice.formula == fit.frame.formula
    with pytest.raises(NoAnswer, match="no opening at which the effects of two bindings") as seen:
        comparison(fit, settings_of(), openings=("A",))
    assert "alike in everything else" in seen.value.expected
    assert "which site, laboratory or factor goes with" in seen.value.remedy


def tables_of(result: ResponseAnalysis) -> list[pd.DataFrame]:
    """Every table in a result, with those of its parts."""
    parts = [result, result.records, *([result.model] if result.model else [])]
    found = [getattr(part, f.name) for part in parts for f in fields(part)]
    frames = [value.frame if isinstance(value, Table) else value for value in found]
    return [frame for frame in frames if isinstance(frame, pd.DataFrame)]


@pytest.mark.parametrize("design", ["separate", "recored"])
def test_one_pair_has_no_p_value_anywhere(tmp_path: Path, design: str) -> None:
    """However often it was cored: no table holds a test, and what was found is shown."""
    folder = make_trial(tmp_path, design=design, pairs=1, sites=1, openings=(30, 60, 120, 240))
    for result in answer(folder).responses.values():
        assert result.refusal is not None
        assert not result.answered
        assert result.fit is None
        assert result.witness is None
        for frame in tables_of(result):
            assert not {"p_value", "p_adjusted", "statistic", "std_error"} & set(frame.columns)
        assert len(result.summary)
        assert str(result.summary) == str(result)


Break = Callable[[Path], Path]


def _all_below(folder: Path) -> Path:
    return change(folder, "samples", {"kind": "opening"}, butyric_acid="<0.5")


NOTHING: dict[str, tuple[str, Break, str, str, str]] = {
    "all below the limit": (
        "butyric_acid", _all_below, "at every opening more than half of the values",
        "at least half of the values above the limit", "a laboratory with a lower limit",
    ),
    "not determined": (
        "butyric_acid",
        lambda folder: change(
            replace_text(folder, 'form = "full"', 'form = "none"'), "samples", {}, butyric_acid=""
        ),
        "no value of Butyric acid", "laboratory results of single bales",
        "see the list of values left out",
    ),
    "no day-0 sample": (
        "dm_loss", lambda folder: drop(folder, "samples", kind="day0"), "no value of DM loss",
        "laboratory results of single bales", "see the list of values left out",
    ),
    "never weighed": (
        "dm_loss", lambda folder: drop(folder, "weighings", scale="platform"),
        "no value of DM loss", "laboratory results", "see the list of values left out",
    ),
}  # fmt: skip


@pytest.mark.parametrize("case", NOTHING)
def test_response_without_values(tmp_path: Path, case: str) -> None:
    name, spoil, found, expected, remedy = NOTHING[case]
    folder = make_trial(tmp_path, sites=1)
    if case == "never weighed":
        text = (folder / "weighings.csv").read_text(encoding="utf-8").splitlines()
        (folder / "weighings.csv").write_text(text[0] + "\n", encoding="utf-8")
    else:
        spoil(folder)
    result = answer(folder)[name]
    assert result.refusal is not None
    assert found in result.refusal.found
    assert expected in result.refusal.expected
    assert remedy in result.refusal.remedy
    assert not result.answered
    assert len(result.records.left_out) or len(result.records.counts)


def test_other_response_is_still_answered(tmp_path: Path) -> None:
    found = answer(drop(make_trial(tmp_path, sites=1), "samples", kind="day0"))
    assert found["butyric_acid"].answered
    assert not found["dm_loss"].answered


def test_opening_missing_for_one_binding(tmp_path: Path) -> None:
    """The other opening is answered; the refused one is listed with what would be enough."""
    folder = make_trial(tmp_path, sites=1, pairs=5)
    for pair in range(6, 11):
        drop(folder, "samples", sample=f"A{pair:02d}-film-240")
    result = answer(folder)["butyric_acid"]
    assert list(result.differences.frame["opening"]) == ["60 days"]
    assert result.comparison is not None
    assert result.comparison.openings == ("60 days",)
    assert len(result.growth) == 0
    row = result.refused.frame.iloc[0]
    assert row["opening"] == "240 days"
    assert row["found"] == "no value of film"
    assert row["expected"] == "values of every binding at this opening"
    assert row["remedy"].startswith("one more pair opened at 240 days")
    assert set(result.means.frame["opening"]) == {"60 days", "240 days"}


def test_batch_that_tells_the_binding_at_one_opening(tmp_path: Path) -> None:
    """At 240 days net and film were analysed apart: that opening is refused, the other is not."""
    folder = make_trial(tmp_path, sites=1, pairs=5)
    for pair in range(6, 11):
        for binding in ("net", "film"):
            change(folder, "samples", {"sample": f"A{pair:02d}-{binding}-240"}, batch=binding)
    result = answer(folder)["butyric_acid"]
    assert list(result.differences.frame["opening"]) == ["60 days"]
    assert set(result.exact.frame["contrast"]) == {"60 days", "average"}
    row = result.refused.frame.iloc[0]
    assert row["found"] == "each batch has values of one binding only at this opening"
    assert row["expected"] == "values of each binding in one batch"
    assert row["remedy"] == "have bales of each binding from 240 days in one batch"


def test_no_opening_has_all_three_bindings() -> None:
    """Two comparisons at different openings: each is given, and nothing is averaged over them."""
    three = ("net", "film", "twine")
    rows = separate_pairs(5, "AB", bindings=three)
    rows = rows[~((rows["opening"] == "A") & (rows["binding"] == "twine"))]
    rows = rows[~((rows["opening"] == "B") & (rows["binding"] == "film"))].reset_index(drop=True)
    settings = settings_of(bindings=three, openings="AB")
    _, _, wanted = fitted(rows, settings, effects(rows, {}, times=1, seed=1)[0])
    assert list(wanted.differences.labels.itertuples(index=False, name=None)) == [
        ("film - net", "A"), ("twine - net", "B"),
    ]  # fmt: skip
    assert (wanted.average, wanted.growth, wanted.openings) == (None, None, ())


def test_trial_with_errors_is_not_analysed(tmp_path: Path) -> None:
    folder = change(make_trial(tmp_path), "bales", {"bale": "A01-net"}, binding="rope")
    with pytest.raises(DataProblems, match="binding"):
        analyse(read_trial(folder))


def test_response_without_variation_is_refused(tmp_path: Path) -> None:
    """The engine's own refusal is the answer's reason, not a crash."""
    folder = change(make_trial(tmp_path, sites=1), "samples", {"kind": "opening"},
                    butyric_acid="4.00")  # fmt: skip
    result = answer(folder)["butyric_acid"]
    assert result.refusal is not None
    assert "explains the response exactly" in result.refusal.found
    assert np.isfinite(result.summary.frame["mean"]).all()


def test_more_of_a_batch_is_a_batch() -> None:
    unit = BindingUnit("batch", "batch", ())
    assert unit.replicate == unit
    assert unit.named(1) == "batch"
    assert BindingUnit("field", "block", ()).replicate.named(2) == "field blocks"
    rows = pd.DataFrame({"bale": ["a", "b"], "batch": ["1", "2"]})
    assert counted(rows, "batch", unit.named) == "2 batches"
