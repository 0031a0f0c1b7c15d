"""DM loss of one bale from its weighings and samples, and the words for how it was made."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.data.trial import Trial
from silagetrial.errors import SilageTrialError
from silagetrial.silage import corrected_dm, dm_loss, dm_loss_se, volatile_load

__all__ = ["BaleLoss", "bale_loss", "dm_at_opening", "dm_methods"]

Series: TypeAlias = "pd.Series[Any]"

FATTY_ACIDS = (
    "acetic_acid", "propionic_acid", "butyric_acid", "iso_butyric_acid", "valeric_acid",
    "caproic_acid",
)  # fmt: skip
NEEDED = ("acetic_acid", "butyric_acid", "lactic_acid")
"""Without these the full correction is refused."""

HALF_LIMIT = 0.5
"""A volatile below the limit counts as this share of the limit: it moves DM by grams at most."""


@dataclass(frozen=True)
class BaleLoss:
    """DM loss of one bale at one opening.

    Attributes
    ----------
    loss, uncorrected : float
        Share of the DM ensiled; `uncorrected` compares oven DM on both sides (NaN where the
        laboratory gave corrected DM only).
    std_error : float
        From the errors of weighing and of DM declared in trial.toml; NaN without them.
    m0, m1 : float
        Forage at wrapping and at opening, kg.
    d0, d1, d1_oven : float
        DM at baling, at opening after and before correction, g/kg fresh.
    day0_of : str
        What the day-0 sample was taken of: ``bale``, ``pair`` or ``lot``.
    """

    loss: float
    uncorrected: float
    std_error: float
    m0: float
    m1: float
    d0: float
    d1: float
    d1_oven: float
    day0_of: str


def bale_loss(trial: Trial, bale: Series, sample: Series) -> BaleLoss | str:
    """DM loss of a bale when a sample was taken, or why there is none.

    Parameters
    ----------
    trial : Trial
    bale, sample : pandas.Series
        A row of bales and one of its samples.

    Notes
    -----
    ``L = 1 - (M1 - p1) D1 / ((M0 - p0) D0)``; p is the binding, and the film where it was on
    the bale when weighed; DM taken by earlier cores is added back.
    """
    weighed = trial.weighings[trial.weighings["bale"] == bale["bale"]]
    first, later = (
        weighed[weighed["opening"].isna()], weighed[weighed["opening"] == sample["opening"]],
    )  # fmt: skip
    m0, m1 = _forage(first, bale), _forage(later, bale)
    if m0 is None:
        return "no weighing at wrapping"
    if m1 is None:
        return "no weighing at this opening"
    if np.isnan(bale["film_kg"]) and first["film_on"].any() != later["film_on"].any():
        return "film on the bale at one weighing only, its mass not recorded (bales.csv, film_kg)"
    day0 = _day0(trial, bale)
    if day0 is None:
        return "no DM of the crop at baling (day 0)"
    day0_of, d0 = day0
    oven = float(sample["dm"])
    if not np.isfinite(oven):
        return "DM not determined"
    d1 = dm_at_opening(trial, sample)
    if isinstance(d1, str):
        return d1
    cored = _cored_dm(trial, bale, sample)
    if isinstance(cored, str):
        return cored
    sd = trial.settings.measurement_sd
    error = float("nan")
    if sd.mass is not None and sd.dm is not None:
        error = float(
            dm_loss_se(m0, d0, m1, d1, cored_dm=cored, sd_m0=sd.mass, sd_m1=sd.mass,
                       sd_d0=sd.dm, sd_d1=sd.dm)
        )  # fmt: skip
    plain = np.nan if sample["dm_basis"] == "corrected" else oven
    return BaleLoss(
        float(dm_loss(m0, d0, m1, d1, cored_dm=cored)),
        float(dm_loss(m0, d0, m1, oven, cored_dm=cored)) if np.isfinite(plain) else np.nan,
        error, m0, m1, d0, d1, plain, day0_of,
    )  # fmt: skip


def _forage(weighings: pd.DataFrame, bale: Series) -> float | None:
    """Mass of forage, kg: the mean of the weighings, less binding and film on the bale."""
    if not len(weighings):
        return None
    binding, film = np.nan_to_num([float(bale["binding_kg"]), float(bale["film_kg"])])
    return float((weighings["net"] - binding - film * weighings["film_on"]).mean())


def _day0(trial: Trial, bale: Series) -> tuple[str, float] | None:
    """What the nearest day-0 sample was taken of, and its DM."""
    crop = trial.samples[(trial.samples["kind"] == "day0") & trial.samples["dm"].notna()]
    for level in ("bale", "pair", "lot"):
        own = crop[crop["of"] == bale[level]]
        if len(own):
            return level, float(own["dm"].mean())
    return None


def dm_at_opening(trial: Trial, sample: Series) -> float | str:
    """DM of silage, corrected as trial.toml asks, or why it cannot be."""
    oven = float(sample["dm"])
    rule = trial.settings.dm_correction
    if sample["dm_basis"] == "corrected" or rule.form == "none":
        return oven
    try:
        if rule.form == "short":
            return float(corrected_dm(oven, form="short", crop=rule.crop).dm)
        acids = {name: _content(trial, sample, name) for name in (*FATTY_ACIDS, "lactic_acid")}
        others = {name: _content(trial, sample, name) for name in ("propanediol", "ethanol")}
        unknown = [name for name, value in {**acids, **others}.items() if value is None]
        if unknown:
            return f"DM cannot be corrected: {', '.join(unknown)} not determined"
        load = {k: float(volatile_load(v or 0.0, dm=oven)) for k, v in {**acids, **others}.items()}
        return float(
            corrected_dm(
                oven,
                form="full",
                vfa=sum(load[name] for name in FATTY_ACIDS),
                lactic=load["lactic_acid"],
                propanediol=load["propanediol"],
                alcohols=load["ethanol"],
                crop=rule.crop,
            ).dm
        )
    except SilageTrialError as refusal:
        return f"DM cannot be corrected: {refusal.found}"


def _content(trial: Trial, sample: Series, name: str) -> float | None:
    """Content in g/kg DM; half the limit below it; 0 of what the trial never measured."""
    if np.isfinite(sample[f"{name}_below"]):
        return HALF_LIMIT * float(sample[f"{name}_below"])
    if np.isfinite(sample[name]):
        return float(sample[name])
    return None if name in NEEDED or _measured(trial, name) else 0.0


def _measured(trial: Trial, name: str) -> bool:
    return bool(trial.samples[[name, f"{name}_below"]].notna().any(axis=None))


def _cored_dm(trial: Trial, bale: Series, sample: Series) -> float | str:
    """DM taken by cores before this sample, kg, or why it is not known."""
    mine = trial.samples[(trial.samples["of"] == bale["bale"]) & (trial.samples["kind"] == "core")]
    # A duplicate is part of its sample and took nothing more out of the bale.
    earlier = mine[(mine["taken_on"] < sample["taken_on"]) & (mine["role"] != "duplicate")]
    if not len(earlier):
        return 0.0
    if earlier["fresh_kg"].isna().any():
        return "the fresh mass of earlier cores is not recorded (samples.csv, fresh_kg)"
    taken = earlier["fresh_kg"] * earlier["dm"].fillna(float(sample["dm"])) / 1000.0
    return float(taken.sum())


def dm_methods(trial: Trial, rows: pd.DataFrame) -> tuple[str, ...]:
    """How DM loss was made, in sentences."""
    form = trial.settings.dm_correction.form
    by = {
        "none": "DM at opening is not corrected for volatiles, so DM loss is overstated where it "
        "was determined in an oven.",
        "full": "DM at opening is corrected for volatiles by the full form (Weissbach & Kuhla "
        "1995); DM at baling needs none.",
        "short": "DM at opening is corrected for volatiles by the short form for grass (Weissbach "
        "& Kuhla 1995); it moves the level and hardly the difference between bindings.",
    }[form]
    notes = ["DM loss by mass balance, % of the DM ensiled.", by]
    if form == "full":
        never = [n for n in (*FATTY_ACIDS, "propanediol", "ethanol") if not _measured(trial, n)]
        if never:
            words = ", ".join(name.replace("_", " ") for name in never)
            notes.append(f"Not measured, counted as 0 in the correction: {words}.")
    gap = rows["value"] - rows["uncorrected"]
    if gap.notna().any() and form != "none":
        notes.append(
            f"The correction lowers DM loss by {-gap.mean():.2f} points on average; the "
            "uncorrected values stand beside it."
        )
    notes += _shared_error(trial, rows)
    return tuple(notes)


def _shared_error(trial: Trial, rows: pd.DataFrame) -> list[str]:
    """What one bale's error is, and what is shared by bales and thus missing from the spread."""
    notes = []
    if rows["measurement_se"].notna().any():
        notes.append(
            f"Errors of weighing and DM alone give one bale's loss a standard error of "
            f"{rows['measurement_se'].mean():.2f} points; the spread between bales contains it."
        )
    shared = rows[rows["day0_of"] == "lot"]
    if len(shared) and trial.settings.measurement_sd.dm is not None:
        lots = shared["lot"].nunique()
        each = (1.0 - shared["value"].mean() / 100.0) / shared["d0"].mean()
        error = 100.0 * each * trial.settings.measurement_sd.dm / np.sqrt(lots)
        notes.append(
            f"One day-0 sample a lot is shared by its bales: its error of {error:.2f} points "
            "cancels in differences between bindings and comes on top of the levels' standard "
            "errors."
        )
    return notes
