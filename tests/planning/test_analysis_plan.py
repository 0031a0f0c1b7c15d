"""The analysis plan: what it says, and that the same plan is the same file."""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import asdict, replace

import pytest
from invented_plans import make_plan

from silagetrial import plan_trial
from silagetrial.planning.analysis_plan import analysis_plan, canonical
from silagetrial.planning.plan import Laboratory, Plan, SitePlan

DAY = dt.date(2027, 4, 1)


def record(plan: Plan, **options: object) -> dict[str, object]:
    return analysis_plan(plan_trial(plan, **options), filed=DAY)


def test_it_names_everything_that_decides_the_answer() -> None:
    found = record(make_plan(6, site=SitePlan("", 0, spare_pairs=1)))
    assert found["filed"] == "2027-04-01"
    settings = found["settings"]
    for name in (
        "primary", "contrast", "opening", "alpha", "families", "margins", "claim", "limits",
        "covariates", "curve", "residual_by", "serial", "responses", "blocks", "factors", "seed",
    ):  # fmt: skip
        assert name in settings["analysis"]
    model = found["responses"]["butyric_acid"]
    assert (model["scale"], model["random"]) == ("log", ["pair"])
    assert model["formula"] == "y ~ binding + opening + binding:opening"
    rules = found["rules"]
    assert {"estimation", "limits", "lost_bales", "late", "multiplicity"} <= set(rules)
    assert {"contrasts", "claims", "companion", "repeats"} <= set(rules)
    layout = found["layout"]
    assert layout["laboratory"] == asdict(Laboratory())
    assert layout["sites"] == [{"site": "Farm 1", "pairs": 6, "spare_pairs": 1}]
    assert len(layout["bales"]) == 14


def test_planned_covariates_are_in_the_planned_model() -> None:
    plan = make_plan(8)
    settings = plan.settings
    plan = replace(
        plan,
        settings=replace(settings, analysis=replace(settings.analysis, covariates=("day0_dm",))),
    )
    formula = record(plan)["responses"]["dm_loss"]["formula"]
    assert {"day0_dm", "binding:day0_dm"} <= set(formula.removeprefix("y ~ ").split(" + "))


def test_a_design_without_an_answer_says_so_beforehand() -> None:
    found = record(make_plan(1, openings=1))["responses"]["butyric_acid"]
    assert "no degrees of freedom" in found["no_answer"]
    assert found["error_df"] == 0


def test_pairs_made_before_an_early_stop_are_filed() -> None:
    layout = record(make_plan(6), stopped_early={"Farm 1": 4})["layout"]
    assert layout["stopped_early"] == {"Farm 1": 4}
    assert len(layout["bales"]) == 8


def test_the_same_content_is_the_same_bytes_in_any_order() -> None:
    found = record(make_plan(4))
    turned = dict(reversed(list(found.items())))
    assert canonical(turned) == canonical(found)
    assert json.loads(canonical(found)) == found
    assert canonical(found).endswith(b"}\n")


def test_another_seed_is_another_plan() -> None:
    assert canonical(record(make_plan(4))) != canonical(record(make_plan(4), seed=1))


def test_a_number_that_is_none_is_never_written() -> None:
    with pytest.raises(ValueError, match="Out of range float"):
        canonical({"power": float("nan")})
