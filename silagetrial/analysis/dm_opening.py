"""DM of silage corrected for volatiles, and the words for how DM loss was made."""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.analysis.units import Entry, kind_of
from silagetrial.data.trial import Trial
from silagetrial.errors import SilageTrialError
from silagetrial.silage import corrected_dm, volatile_load

__all__ = ["FATTY_ACIDS", "NEEDED", "dm_at_opening", "dm_methods"]

FATTY_ACIDS = (
    "acetic_acid", "propionic_acid", "butyric_acid", "iso_butyric_acid", "valeric_acid",
    "caproic_acid",
)  # fmt: skip
NEEDED = ("acetic_acid", "butyric_acid", "lactic_acid")
"""Without these the full correction is refused."""

HALF_LIMIT = 0.5
"""A volatile below the limit counts as this share of the limit: it moves DM by grams at most."""


def dm_at_opening(trial: Trial, sample: Entry) -> float | str:
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


def _content(trial: Trial, sample: Entry, name: str) -> float | None:
    """Content in g/kg DM; half the limit below it; 0 of what the trial never measured."""
    if np.isfinite(sample[f"{name}_below"]):
        return HALF_LIMIT * float(sample[f"{name}_below"])
    if np.isfinite(sample[name]):
        return float(sample[name])
    return None if name in NEEDED or _measured(trial, name) else 0.0


def _measured(trial: Trial, name: str) -> bool:
    return any(bool(trial.samples[of].notna().any()) for of in (name, f"{name}_below"))


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
    if rows["from_own"].any():
        notes.append(
            "DM of bales weighed together is the mean of the bales' own samples, each bale alike: "
            "exact only where the bales weigh alike."
        )
    notes += _shared_error(trial, rows)
    return tuple(notes)


def _shared_error(trial: Trial, rows: pd.DataFrame) -> list[str]:
    """What one value's error is, and what is shared by bales and thus missing from the spread."""
    notes, word = [], kind_of(rows).word
    if rows["measurement_se"].notna().any():
        notes.append(
            f"Errors of weighing and DM alone give one {word}'s loss a standard error of "
            f"{rows['measurement_se'].mean():.2f} points; the spread between {word}s "
            "contains it."
        )
    shared = rows[rows["day0_of"] == "lot"]
    if len(shared) and trial.settings.measurement_sd.dm is not None:
        lots = shared["lot"].nunique()
        each = (1.0 - shared["value"].mean() / 100.0) / shared["d0"].mean()
        error = 100.0 * each * trial.settings.measurement_sd.dm / np.sqrt(lots)
        notes.append(
            f"One day-0 sample a lot is shared by its {word}s: its error of {error:.2f} "
            "points cancels in differences between bindings and comes on top of the levels' "
            "standard errors."
        )
    return notes
