"""Plans that start from a finished report: its variances, how well they are known, refusals."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from builders import make_trial
from power_plans import power_plan

from silagetrial.analysis import analyse
from silagetrial.data.read import read_trial
from silagetrial.errors import NoAnswer, SilageTrialError, UsageError
from silagetrial.planning.finished import Finished, finished
from silagetrial.planning.noncentral import variance_factor
from silagetrial.planning.plan import Spread
from silagetrial.planning.power import detectable_difference, pairs_needed, power
from silagetrial.report import results

R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "power.json").read_text(encoding="utf-8")
)


def paired_trial(pairs: int, sd: float) -> Finished:
    """What a paired trial says: SD of the difference `sd` on pairs - 1 degrees of freedom.

    Independent mean squares between and within pairs give the covariance of the estimates.
    """
    nu, within, pair = pairs - 1, sd**2 / 2, 0.3
    between = within + 2 * pair
    of_within, of_between = 2 * within**2 / nu, 2 * between**2 / nu
    covariance = np.array(
        [[(of_between + of_within) / 4, -of_within / 2], [-of_within / 2, of_within]]
    )
    return Finished("an invented report", "dm_loss", "separate", ("pair", "residual"),
                    np.array([pair, within]), covariance, "")  # fmt: skip


@pytest.mark.parametrize("row", R["expected"])
def test_expected_power_as_r_integrates_it(row: dict[str, float]) -> None:
    """Power averaged over s^2 nu / chi^2_nu, the paired t (tests/reference/make_power.R)."""
    past = paired_trial(int(row["nu"]) + 1, row["sd"])
    found = power(power_plan(int(row["n"])), spread=past)
    assert found.variance_df == pytest.approx(row["nu"], rel=1e-6)
    assert found.expected == pytest.approx(row["power"], abs=1e-7)
    assert found.power == pytest.approx(power(power_plan(int(row["n"]))).power, abs=1e-9)


@pytest.mark.parametrize(("pairs", "factor"), [(6, 2.1344), (12, 1.5740)])
def test_pairs_with_80_percent_confidence(pairs: int, factor: float) -> None:
    """As for a variance 2.1344 (5 df) or 1.5740 (11 df) times the one estimated."""
    found = pairs_needed(power_plan(), spread=paired_trial(pairs, 0.7))
    wider = Spread(bale=0.7 * math.sqrt(factor / 2))
    assert found.assured == pairs_needed(power_plan(), spread=wider).pairs
    assert found.pairs == 18
    assert found.assured is not None
    assert found.assured > 18
    assert found.wording.endswith(
        f"With 80 % confidence in the variation found before: {found.assured} pairs."
    )
    safe = power(power_plan(found.assured), spread=paired_trial(pairs, 0.7))
    assert safe.assured is not None
    assert safe.assured >= 0.8


def test_assured_power_is_at_the_upper_limit() -> None:
    found = power(power_plan(10), spread=paired_trial(6, 0.7))
    wide = Spread(bale=0.7 * math.sqrt(float(variance_factor(5.0)) / 2))
    assert found.assured == pytest.approx(power(power_plan(10), spread=wide).power, abs=1e-7)


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Write the results of a made trial, once for each kind."""
    made: dict[str, Path] = {}

    def write(**kind: Any) -> Path:
        key = repr(sorted(kind.items()))
        if key not in made:
            folder = tmp_path_factory.mktemp("report")
            make_trial(folder / "trial", **kind)
            results.write(analyse(read_trial(folder / "trial")), folder / "results.json")
            made[key] = folder
        return made[key]

    return write


def test_from_a_report_of_separate_bales(report: Callable[..., Path]) -> None:
    past = finished(report(pairs=6, sites=1, openings=(60,)), "dm_loss")
    assert past.terms == ("pair", "residual")
    assert "95 % intervals of the difference" in past.interval
    found = power(power_plan(8), spread=past)
    assert found.notes[0] == f"Variation: {past.source}; what it does not tell is the plan's."
    error = math.sqrt(2 * past.variances[1] / 8)
    assert found.std_error == pytest.approx(error, rel=1e-9)
    assert found.variance_df == pytest.approx(5.0, rel=1e-5)
    assert found.expected is not None
    assert detectable_difference(power_plan(8), spread=past).std_error == pytest.approx(error)


def test_from_a_report_of_cored_bales(report: Callable[..., Path]) -> None:
    past = finished(report(pairs=5, sites=1, design="recored"), "butyric_acid")
    assert past.terms == ("pair", "bale", "residual")
    plan = power_plan(8, response="butyric_acid", effect=(0.5,), design="recored", openings="AB")
    found = power(plan, spread=past)
    held = np.maximum(past.variances, 0.0)
    error = math.sqrt(2 * (held[1] + held[2]) / 8)
    assert found.std_error == pytest.approx(error, rel=1e-8)


def test_what_a_report_does_not_tell_is_the_plans() -> None:
    past = paired_trial(6, 0.7)
    spread = Spread(core=0.3, effect_between_sites=0.4)
    plan = power_plan(*[4] * 6, design="recored", openings="AB", spread=spread)
    variances, weights = past.to_components(plan)
    assert variances == pytest.approx([0.0, 0.08, 0.0, 0.3, 0.245 - 0.09, 0.09])
    assert weights[4, 1] == 1.0
    assert power(plan, spread=past).power > 0


def test_the_first_answered_response_when_none_is_named(report: Callable[..., Path]) -> None:
    folder = report(pairs=6, sites=1, openings=(60,))
    assert finished(folder).response == "butyric_acid"
    assert finished(folder / "results.json", "dm_loss").response == "dm_loss"


def _written(tmp_path: Path, content: object) -> Path:
    path = tmp_path / "results.json"
    path.write_text(json.dumps(content), encoding="utf-8")
    return path


def test_files_that_are_no_report(tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="cannot be read as a report's results"):
        finished(tmp_path)
    with pytest.raises(UsageError, match="holds no results of a report"):
        finished(_written(tmp_path, [1, 2]))


def test_reports_without_what_is_needed(tmp_path: Path, report: Callable[..., Path]) -> None:
    folder = report(pairs=6, sites=1, openings=(60,))
    with pytest.raises(NoAnswer, match="no variances of pH"):
        finished(folder, "pH")
    content = json.loads((folder / "results.json").read_text(encoding="utf-8"))
    content["responses"]["dm_loss"]["variances"]["terms"] = ["pair", "residual: net"]
    with pytest.raises(NoAnswer, match="variances by group or over time"):
        finished(_written(tmp_path, content), "dm_loss")


REFUSED: list[tuple[Callable[[], object], type[SilageTrialError], str]] = [
    (lambda: power(power_plan(design="recored", openings="AB", spread=Spread(bale=0.5)),
                   spread=paired_trial(6, 0.7)), NoAnswer, "cannot tell the bale from its cores"),
    (lambda: power(power_plan(), response="pH", spread=paired_trial(6, 0.7)), UsageError,
     "variances of dm_loss for a question about pH"),
]  # fmt: skip


@pytest.mark.parametrize(("call", "kind", "text"), REFUSED)
def test_refusals(call: Callable[[], object], kind: type[SilageTrialError], text: str) -> None:
    with pytest.raises(kind, match=text):
        call()


def test_negative_estimates_count_as_none_detected() -> None:
    past = replace(paired_trial(6, 0.7), variances=np.array([-0.05, 0.245]))
    assert past.to_components(power_plan(8))[0][3] == 0.0
    assert power(power_plan(8), spread=past).std_error == pytest.approx(math.sqrt(2 * 0.245 / 8))
