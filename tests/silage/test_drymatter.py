"""Dry matter: the worked examples, the error by three routes, and every refusal read.

The coefficients are from memory (F. Weissbach and S. Kuhla 1995, Uebersichten zur Tierernaehrung
23, 189-214). The worked numbers were computed by hand from the printed equations.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.errors import NoAnswer, SilageTrialError, UsageError
from silagetrial.silage import corrected_dm, dm_loss, dm_loss_se, rebase, volatile_load

BALE = {"m0": 602.0, "p0": 0.4, "d0": 352.0, "m1": 596.0, "p1": 1.5, "d1": 338.0}
MASS_SD = {"sd_m0": 1.0, "sd_m1": 1.0}
DM_SD = {"sd_d0": 5.0, "sd_d1": 5.0}


def test_full_form_worked_by_hand() -> None:
    # 300 + 0.95*8 + 0.08*20 + 0.77*1 + 1.00*4 = 313.97 (coefficients from memory).
    result = corrected_dm(300.0, form="full", vfa=8.0, lactic=20.0, propanediol=1.0, alcohols=4.0)
    assert result.dm == pytest.approx(313.97, abs=1e-9)
    assert result.uncorrected == 300.0
    assert result.added == pytest.approx(13.97, abs=1e-9)
    assert "coefficients from memory (Weissbach & Kuhla 1995)" in result.basis


def test_short_form_worked_by_hand() -> None:
    # 2.08 + 0.975 * 30 = 31.33 % (from memory).
    result = corrected_dm(300.0, form="short")
    assert result.dm == pytest.approx(313.3, abs=1e-9)
    assert "coefficients from memory (Weissbach & Kuhla 1995)" in result.basis
    assert "grass" in result.basis


def test_short_form_adds_less_to_drier_silage() -> None:
    # Per cent of the dry matter added at 30, 40 and 50 % DM, by hand.
    dm = np.array([300.0, 400.0, 500.0])
    added = corrected_dm(dm, form="short").added
    assert 100 * added / dm == pytest.approx([4.433333, 2.7, 1.66], abs=1e-6)


def test_form_none_leaves_the_value_and_says_so() -> None:
    result = corrected_dm([300.0, np.nan], form="none")
    assert result.dm == pytest.approx([300.0, np.nan], nan_ok=True)
    assert result.basis == "dry matter as given, not corrected"
    assert result.form == "none"


def test_optional_volatiles_count_as_nothing_and_missing_ones_as_missing() -> None:
    without = corrected_dm(300.0, form="full", vfa=8.0, lactic=20.0)
    assert without.dm == pytest.approx(309.2)
    missing = corrected_dm([300.0, 300.0], form="full", vfa=[8.0, np.nan], lactic=20.0)
    assert missing.dm == pytest.approx([309.2, np.nan], nan_ok=True)


def test_volatiles_per_kg_dm_are_brought_to_fresh_matter() -> None:
    assert volatile_load(8.4, dm=350.0) == pytest.approx(2.94)
    # Left per kg DM they would over-correct by 1000/DM: about three-fold at 350.
    right = corrected_dm(350.0, form="full", vfa=volatile_load(24.0, dm=350.0), lactic=0.0).added
    wrong = corrected_dm(350.0, form="full", vfa=24.0, lactic=0.0).added
    assert wrong / right == pytest.approx(1000 / 350)


@given(st.floats(0.0, 300.0), st.floats(100.0, 900.0), st.floats(1.0, 1.2))
def test_rebase_keeps_the_content_of_fresh_matter(x: float, dm: float, factor: float) -> None:
    moved = rebase(x, dm_old=dm, dm_new=dm * factor)
    assert volatile_load(moved, dm=dm * factor) == pytest.approx(volatile_load(x, dm=dm))


def test_loss_worked_by_hand() -> None:
    # S0 = 601.6 * 0.352 = 211.7632, S1 = 594.5 * 0.338 = 200.941 kg.
    loss = dm_loss(**BALE)
    assert loss == pytest.approx(1 - 200.941 / 211.7632, rel=1e-14)
    assert 100 * loss == pytest.approx(5.11, abs=0.005)


@pytest.mark.parametrize(("sd", "points"), [(2, 0.81), (5, 1.96), (8, 3.12), (10, 3.90)])
def test_se_worked_by_hand_over_dm_sd(sd: float, points: float) -> None:
    se = dm_loss_se(**BALE, **MASS_SD, sd_d0=sd, sd_d1=sd)
    assert 100 * se == pytest.approx(points, abs=0.005)


@pytest.mark.parametrize(("sd", "points"), [(1, 0.22), (2, 0.45), (5, 1.12), (10, 2.24)])
def test_mass_part_of_se_worked_by_hand(sd: float, points: float) -> None:
    assert 100 * dm_loss_se(**BALE, sd_m0=sd, sd_m1=sd) == pytest.approx(points, abs=0.005)


def test_dm_part_of_se_worked_by_hand() -> None:
    assert 100 * dm_loss_se(**BALE, **DM_SD) == pytest.approx(1.95, abs=0.005)


def test_scales_that_differ_by_one_per_cent() -> None:
    # Worked by hand: 0.9489 * 1 % = 0.95 percentage points.
    shifted = {**BALE, "m1": BALE["m1"] * 1.01, "p1": BALE["p1"] * 1.01}
    assert 100 * (dm_loss(**BALE) - dm_loss(**shifted)) == pytest.approx(0.95, abs=0.005)


def numerical_se(bale: Mapping[str, float], sds: Mapping[str, float]) -> float:
    """First-order error from central differences of the loss itself."""
    variance = 0.0
    for name, sd in sds.items():
        key, step = name.removeprefix("sd_"), 1e-3
        up, down = ({**bale, key: bale[key] + sign * step} for sign in (1, -1))
        variance += float((dm_loss(**up) - dm_loss(**down)) / (2 * step) * sd) ** 2
    return float(np.sqrt(variance))


@given(
    st.floats(300, 1000), st.floats(200, 600), st.floats(0.9, 1.05), st.floats(0.85, 1.05),
    st.floats(0, 5), st.floats(0.1, 10), st.floats(0.1, 10),
)  # fmt: skip
def test_se_is_the_first_order_error(
    mass: float, dm: float, kept: float, dm_kept: float, cores: float, sd_m: float, sd_d: float
) -> None:
    bale = {
        "m0": mass,
        "p0": 0.4,
        "d0": dm,
        "m1": mass * kept,
        "p1": 1.5,
        "d1": dm * dm_kept,
        "cored_dm": cores,
    }
    sds = {"sd_m0": sd_m, "sd_m1": 2 * sd_m, "sd_d0": sd_d, "sd_d1": 0.5 * sd_d}
    assert dm_loss_se(**bale, **sds) == pytest.approx(numerical_se(bale, sds), rel=1e-6)


def test_se_agrees_with_drawn_errors() -> None:
    rng = np.random.default_rng(20260101)
    n = 400_000
    noisy: dict[str, Any] = {
        key: BALE[key] + sd * rng.standard_normal(n)
        for key, sd in (("m0", 1.0), ("m1", 1.0), ("d0", 5.0), ("d1", 5.0))
    }
    drawn = np.std(dm_loss(**(BALE | noisy)), ddof=1)
    # Monte Carlo error of an SD is SD / sqrt(2 n), relative 0.0011: four of them, and 2e-4 for the
    # second-order term, (5/352)^2.
    assert dm_loss_se(**BALE, **MASS_SD, **DM_SD) == pytest.approx(drawn, rel=0.0047)


def test_shared_day0_sample_in_a_pairs_difference() -> None:
    # Worked by hand: SE of a pair's difference 2.77 points with own day-0 samples; with a shared
    # one 2.01, as its error cancels up to the difference in loss.
    own = np.sqrt(2) * dm_loss_se(**BALE, **MASS_SD, **DM_SD)
    shared = np.sqrt(2) * dm_loss_se(**BALE, **MASS_SD, sd_d1=5.0)
    assert 100 * own == pytest.approx(2.77, abs=0.005)
    assert 100 * shared == pytest.approx(2.01, abs=0.01)


def test_earlier_cores_are_not_lost() -> None:
    # A core of 2 kg DM: the bale weighs the less, the balance is the same.
    cored = {**BALE, "m1": BALE["m1"] - 2.0 / 0.338}
    assert dm_loss(**cored, cored_dm=2.0) == pytest.approx(dm_loss(**BALE), abs=1e-12)
    assert dm_loss(**cored) > dm_loss(**BALE)


def test_a_negative_loss_is_kept() -> None:
    assert dm_loss(600.0, 350.0, 602.0, 350.0) == pytest.approx(1 - 602 / 600)


def test_arrays_broadcast_and_missing_stays_missing() -> None:
    loss = dm_loss([600.0, 600.0, np.nan], 350.0, [590.0, 580.0, 590.0], [[345.0], [350.0]])
    assert loss.shape == (2, 3)
    assert np.isnan(loss[:, 2]).all()
    se = dm_loss_se([600.0, np.nan], 350.0, 590.0, 345.0, sd_m0=1.0)
    assert se.shape == (2,)
    assert np.isnan(se[1])


LOSS: dict[str, Any] = {"m0": 600.0, "d0": 350.0, "m1": 590.0, "d1": 345.0}


@pytest.mark.parametrize(
    ("call", "kind", "found", "remedy"),
    [
        (lambda: corrected_dm(300.0, form="long"), UsageError, "the form 'long'",
         "use one of these words"),
        (lambda: corrected_dm(300.0, form="full", vfa=8.0), UsageError,
         "the full form without lactic", "give them, or use the form 'none'"),
        (lambda: corrected_dm(300.0, form="full"), UsageError,
         "the full form without vfa and lactic", "give them, or use the form 'none'"),
        (lambda: corrected_dm(300.0, form="full", vfa=-1.0, lactic=2.0), UsageError,
         "vfa of -1 g/kg fresh", "correct the values"),
        (lambda: corrected_dm(300.0, form="full", vfa=250.0, lactic=60.0), UsageError,
         "more volatiles than dry matter (by 10 g/kg fresh)", "volatile_load first"),
        (lambda: corrected_dm(300.0, form="short", vfa=8.0), UsageError,
         "vfa given to the form 'short'", "use form='full', or leave the volatiles out"),
        (lambda: corrected_dm(300.0, form="none", lactic=8.0), UsageError,
         "lactic given to the form 'none'", "use form='full', or leave the volatiles out"),
        (lambda: corrected_dm(300.0, form="short", crop="legume"), NoAnswer,
         "the short form for the crop 'legume'", "measure the acids and use form='full'"),
        (lambda: corrected_dm(300.0, form="short", crop="mixed"), NoAnswer,
         "the short form for the crop 'mixed'", "measure the acids and use form='full'"),
        (lambda: corrected_dm([300.0, 500.1], form="short"), NoAnswer,
         "the short form for a dry matter of 500.1 g/kg", "measure the acids and use form='full'"),
        (lambda: corrected_dm([35.0, 0.0], form="none"), UsageError, "a dry matter of 0 g/kg",
         "convert per cent to g/kg (times 10)"),
        (lambda: dm_loss(**{**LOSS, "d1": 1000.0}), UsageError, "a dry matter of 1000 g/kg",
         "convert per cent to g/kg (times 10)"),
        (lambda: dm_loss(**LOSS, p0=600.0), UsageError,
         "m0 from 600 kg with up to 600 kg of binding and film", "correct the mass"),
        (lambda: dm_loss(**LOSS, p1=-1.0), UsageError,
         "m1 from 590 kg with up to -1 kg of binding and film", "correct the mass"),
        (lambda: dm_loss(**LOSS, cored_dm=-1.0), UsageError, "cored_dm of -1 kg",
         "correct the value"),
        (lambda: dm_loss_se(**LOSS, sd_m1=-2.0), UsageError, "sd_m1 of -2", "correct the value"),
    ],
)  # fmt: skip
def test_refusals(call: Any, kind: type[SilageTrialError], found: str, remedy: str) -> None:
    with pytest.raises(kind) as caught:
        call()
    assert type(caught.value) is kind
    assert caught.value.found == found
    assert remedy in caught.value.remedy
    assert caught.value.expected
