"""DM of silage corrected for volatiles, and the words for how DM loss was made."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from silagetrial.analysis.units import Entry, kind_of
from silagetrial.data.trial import Trial
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import joined
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
            lacking = say("left_out.not_determined", what=joined(unknown, last="comma"))
            return say("left_out.not_corrected", why=lacking)
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
        return say("left_out.not_corrected", why=refusal.found)


def _content(trial: Trial, sample: Entry, name: str) -> float | None:
    """Content in g/kg DM; half the limit below it; 0 of what the trial never measured."""
    if np.isfinite(sample[f"{name}_below"]):
        return HALF_LIMIT * float(sample[f"{name}_below"])
    if np.isfinite(sample[name]):
        return float(sample[name])
    return None if name in NEEDED or _measured(trial, name) else 0.0


def _measured(trial: Trial, name: str) -> bool:
    return any(bool(trial.samples[of].notna().any()) for of in (name, f"{name}_below"))


_BY_FORM: Final = {
    "none": "records.dm_none",
    "full": "records.dm_full",
    "short": "records.dm_short",
}


def dm_methods(trial: Trial, rows: pd.DataFrame) -> tuple[str, ...]:
    """How DM loss was made, in sentences."""
    form = trial.settings.dm_correction.form
    notes = [say("records.balance"), say(_BY_FORM[form])]
    if form == "full":
        never = [n for n in (*FATTY_ACIDS, "propanediol", "ethanol") if not _measured(trial, n)]
        if never:
            words = joined([name.replace("_", " ") for name in never], last="comma")
            notes.append(say("records.dm_as_zero", names=words))
    gap = rows["value"] - rows["uncorrected"]
    if gap.notna().any() and form != "none":
        notes.append(say("records.dm_lowers", points=f"{-gap.mean():.2f}"))
    if rows["from_own"].any():
        notes.append(say("records.dm_from_own"))
    notes += _shared_error(trial, rows)
    return tuple(notes)


def _shared_error(trial: Trial, rows: pd.DataFrame) -> list[str]:
    """What one value's error is, and what is shared by bales and thus missing from the spread."""
    notes, (unit, units) = [], (noun(kind_of(rows).word, number) for number in (1, 2))
    if rows["measurement_se"].notna().any():
        points = f"{rows['measurement_se'].mean():.2f}"
        notes.append(say("records.measurement", unit=unit, units=units, points=points))
    shared = rows[rows["day0_of"] == "lot"]
    if len(shared) and trial.settings.measurement_sd.dm is not None:
        lots = shared["lot"].nunique()
        each = (1.0 - shared["value"].mean() / 100.0) / shared["d0"].mean()
        error = 100.0 * each * trial.settings.measurement_sd.dm / np.sqrt(lots)
        notes.append(say("records.shared_error", units=units, points=f"{error:.2f}"))
    return notes
