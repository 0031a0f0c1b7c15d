"""DM loss of a bale, or of several bales as one value, from weighings and samples."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.dm_opening import dm_at_opening
from silagetrial.analysis.units import Bale, Entry, Measured, Members, Unit
from silagetrial.data.draft import is_given
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.silage import dm_loss

__all__ = ["ERRORS", "Loss", "Parts", "is_whole", "loss_of", "samples_for_loss"]

ERRORS: Final = ("cored_dm", "sd_m0", "sd_m1", "sd_d0", "sd_d1")
"""What the standard error of a loss is made of, beside its masses and dry matters."""

Parts: TypeAlias = Sequence[Sequence[Entry]]
"""Samples of a unit: those of all its bales together, or those of each of them."""


@dataclass(frozen=True)
class Loss:
    """DM loss of a unit at one opening.

    Attributes
    ----------
    loss, uncorrected : float
        Share of the DM ensiled; `uncorrected` compares oven DM on both sides (NaN where the
        laboratory gave corrected DM only).
    m0, m1 : float
        Forage at wrapping and at opening, kg.
    d0, d1, d1_oven : float
        DM at baling, at opening after and before correction, g/kg fresh.
    cored_dm : float
        DM taken by earlier cores, kg.
    sd_m0, sd_m1, sd_d0, sd_d1 : float
        Errors of the masses, kg, and of the dry matters, g/kg fresh, as standard deviations, from
        those of one weighing and one DM result declared in trial.toml; NaN without them.
    day0_of : str
        What the day-0 sample was taken of: ``bale``, ``pair`` or ``lot``, ``unit`` for a
        composite of the same bales.
    in_window : bool
        Whether it was weighed inside the window of the opening.
    """

    loss: float
    uncorrected: float
    m0: float
    m1: float
    d0: float
    d1: float
    d1_oven: float
    cored_dm: float
    sd_m0: float
    sd_m1: float
    sd_d0: float
    sd_d1: float
    day0_of: str
    in_window: bool


@dataclass(frozen=True)
class _Forage:
    """Forage of a unit on the scale, kg; weighings it is the sum of; film on, at each of them."""

    mass: float
    parts: int
    film_on: frozenset[bool]
    in_window: bool


@dataclass(frozen=True)
class _Dm:
    """A dry matter, g/kg fresh, and its error in standard deviations of one result."""

    value: float
    error: float
    of: str = ""


def loss_of(trial: Trial, found: Measured, unit: Unit, opening: str, parts: Parts) -> Loss | str:
    """DM loss of a unit when samples were taken, or why there is none.

    Parameters
    ----------
    trial : Trial
    found : Measured
        Its samples and weighings.
    unit : Unit
    opening : str
    parts : sequence of sequence of mapping
        Samples of the unit: ``[[sample]]``, or those of each of its bales.

    Notes
    -----
    ``S0 = (M0 - p0) D0``, ``L = 1 - S1 / S0``: M is the mass of the unit's bales together, p their
    binding, and their film where it was on the bales when weighed; D is the DM of a composite, or
    the mean of the bales' own, which is exact where the bales weigh alike. DM taken by earlier
    cores is added back to S1.
    """
    first, later = _forage(found, unit, None), _forage(found, unit, opening)
    if first is None:
        return say("left_out.no_first_weighing")
    if later is None:
        return say("left_out.no_weighing")
    if any(np.isnan(bale["film_kg"]) for bale in unit.rows) and (
        len(first.film_on | later.film_on) > 1
    ):
        return say("left_out.film")
    day0 = _day0(found, unit)
    if day0 is None:
        return say("left_out.no_day0")
    oven = _mean_dm([[float(sample["dm"]) for sample in mine] for mine in parts])
    if not np.isfinite(oven.value):
        return say("left_out.not_determined", what="DM")
    corrected = [[dm_at_opening(trial, sample) for sample in mine] for mine in parts]
    refused = [value for mine in corrected for value in mine if isinstance(value, str)]
    if refused:
        return refused[0]
    d1 = _mean_dm([[float(value) for value in mine] for mine in corrected])
    samples = [sample for mine in parts for sample in mine]
    cored = _cored_dm(found, unit, min(sample["taken_on"] for sample in samples), oven.value)
    if isinstance(cored, str):
        return cored
    plain = any(sample["dm_basis"] == "corrected" for sample in samples)
    m0, m1, d0 = first.mass, later.mass, day0.value
    sd = trial.settings.measurement_sd
    mass, dm = (np.nan if value is None else value for value in (sd.mass, sd.dm))
    return Loss(
        float(dm_loss(m0, d0, m1, d1.value, cored_dm=cored)),
        np.nan if plain else float(dm_loss(m0, d0, m1, oven.value, cored_dm=cored)),
        m0, m1, d0, d1.value, np.nan if plain else oven.value, cored,
        float(mass * np.sqrt(first.parts)), float(mass * np.sqrt(later.parts)),
        dm * day0.error, dm * d1.error, day0.of, later.in_window,
    )  # fmt: skip


def _forage(found: Measured, unit: Unit, opening: str | None) -> _Forage | None:
    """Forage of the bales together: as weighed at once, else the sum of their own weighings."""
    whole = _weighed(found, unit.bales, unit.rows, opening)
    if whole is not None or len(unit.bales) == 1:
        return whole
    each = [_weighed(found, (bale["bale"],), (bale,), opening) for bale in unit.rows]
    own = [forage for forage in each if forage is not None]
    if len(own) < len(each):
        return None
    return _Forage(
        sum(forage.mass for forage in own),
        len(own),
        frozenset().union(*(forage.film_on for forage in own)),
        all(forage.in_window for forage in own),
    )


def _weighed(
    found: Measured, names: Members, bales: Sequence[Bale], opening: str | None
) -> _Forage | None:
    """Mean of the weighings of exactly these bales, less binding and film on them.

    Where some were inside the window of the opening, these alone count.
    """
    weighings = found.weighings.get((names, opening), [])
    if not weighings:
        return None
    timely = [weighing for weighing in weighings if weighing["in_window"]]
    weighings = timely or weighings
    binding, film = (
        float(np.nansum([float(bale[column]) for bale in bales]))
        for column in ("binding_kg", "film_kg")
    )
    masses = [each["net"] - binding - film * each["film_on"] for each in weighings]
    film_on = frozenset(bool(each["film_on"]) for each in weighings)
    return _Forage(float(np.mean(masses)), 1, film_on, bool(timely))


def _mean_dm(parts: Sequence[Sequence[float]]) -> _Dm:
    """Mean over bales of each bale's mean, all bales alike."""
    means = [float(np.mean(mine)) for mine in parts]
    share = np.sqrt(sum(1.0 / len(mine) for mine in parts)) / len(parts)
    return _Dm(float(np.mean(means)), float(share))


def _day0(found: Measured, unit: Unit) -> _Dm | None:
    """DM of the crop, and what the nearest sample was taken of.

    Of a composite of the same bales; else the mean over the bales of the nearest sample of each:
    its own, its pair's or its lot's.
    """
    if len(unit.bales) > 1 and unit.bales in found.crop:
        return _Dm(found.crop[unit.bales], 1.0, "unit")
    nearest = [_nearest(found, bale) for bale in unit.rows]
    known = [source for source in nearest if source is not None]
    if len(known) < len(nearest):
        return None
    weights = np.array(list(Counter(known).values()))
    coarsest = next(level for level in ("lot", "pair", "bale") if level in {k[0] for k in known})
    value = float(np.mean([found.crop[name,] for _, name in known]))
    return _Dm(value, float(np.sqrt((weights**2).sum()) / weights.sum()), coarsest)


def _nearest(found: Measured, bale: Bale) -> tuple[str, str] | None:
    """What the nearest day-0 sample of one bale was taken of, and its name."""
    levels = ((level, bale[level]) for level in ("bale", "pair", "lot"))
    return next(((level, name) for level, name in levels if (name,) in found.crop), None)


def _cored_dm(found: Measured, unit: Unit, taken_on: pd.Timestamp, dm: float) -> float | str:
    """DM taken by cores before these samples, kg, or why it is not known."""
    earlier = {
        sample["sample"]: (bales, sample)
        for bale in unit.bales
        for bales, sample in found.cores.get(bale, ())
        if sample["taken_on"] < taken_on
    }
    if not all({*bales} <= {*unit.bales} for bales, _ in earlier.values()):
        return say("left_out.shared_cores")
    taken = 0.0
    for _, core in earlier.values():
        if not is_given(core["fresh_kg"]):
            return say("left_out.core_mass")
        taken += core["fresh_kg"] * (core["dm"] if is_given(core["dm"]) else dm) / 1000.0
    return taken


def samples_for_loss(found: Measured, unit: Unit, opening: str) -> list[Parts] | str:
    """Return the samples of each DM loss of a unit at an opening, or why there are none.

    Every sample of the unit gives one. Without any, the samples of its bales give one together.
    """
    own = found.samples.get((unit.bales, opening), [])
    if own:
        return [[[sample]] for sample in own]
    each = [found.samples.get(((bale,), opening), []) for bale in unit.bales]
    if len(each) > 1 and all(each):
        return [each]
    return say("left_out.no_composite")


def is_whole(found: Measured, unit: Unit, opening: str) -> bool:
    """Tell whether weighings and samples of a unit are there, whatever their values."""
    weighed = all(_forage(found, unit, at) is not None for at in (None, opening))
    return weighed and not isinstance(samples_for_loss(found, unit, opening), str)
