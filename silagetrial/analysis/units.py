"""What one value is of: a bale, or several bales of one binding as one.

A composite sample and bales on the scale at once are one value of all their bales. It is never
divided among them or copied to each: the bales together are the unit, in the place of a bale.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.data.groups import bales_of_samples, by_name
from silagetrial.data.schema import SPARE
from silagetrial.data.stretches import with_runs
from silagetrial.data.trial import Trial
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import count, joined

__all__ = [
    "BALE",
    "IDENTITY_COLUMNS",
    "Bale",
    "Entry",
    "Measured",
    "Members",
    "Unit",
    "UnitKind",
    "expected_openings",
    "kind_of",
    "measured",
    "units_of",
    "with_partners",
]

Members: TypeAlias = tuple[str, ...]
"""Names of the bales of a unit, in order."""

Bale: TypeAlias = Mapping[Any, Any]
"""A row of bales.csv."""

Entry: TypeAlias = Mapping[Any, Any]
"""A row of samples.csv or weighings.csv."""

IDENTITY_COLUMNS = (
    "bale", "pair", "lot", "site", "field", "cut", "crop", "additive", "run", "order", "binding",
    "baler",
)  # fmt: skip


@dataclass(frozen=True)
class UnitKind:
    """What the values of one response are of.

    Attributes
    ----------
    word : {"bale", "composite", "group"}
        A bale; a composite sample of several; several weighed together.
    size : int
        Bales in one of them.
    """

    word: str
    size: int

    @property
    def each(self) -> str:
        """One of them: ``bale``, ``composite of 3 bales``."""
        return self._named(1)

    @property
    def several(self) -> str:
        """Several of them: ``bales``, ``composites of 3 bales``."""
        return self._named(2)

    def counted(self, number: int) -> str:
        """Return a number of them: ``1 bale``, ``8 composites of 3 bales``."""
        return say("phrase.count", number=number, noun=self._named(number))

    def _named(self, number: int) -> str:
        units = noun(self.word, number)
        if self.size == 1:
            return units
        return say("phrase.of_bales", units=units, bales=count(self.size, "bale"))


BALE = UnitKind("bale", 1)


def kind_of(rows: pd.DataFrame) -> UnitKind:
    """Return what the rows of a response, or of a layout, are of; a layout has bales only."""
    if "unit" not in rows or not len(rows):
        return BALE
    return UnitKind(str(rows["unit"].iloc[0]), len(rows["members"].iloc[0]))


@dataclass(frozen=True)
class Unit:
    """Bales that give one value.

    Attributes
    ----------
    bales : tuple of str
    rows : tuple of mapping
        Their rows of bales.csv.
    shared : mapping
        What a bale is, where it is the same for all of them; ``bale`` is the unit's name,
        ``members`` are its bales, and ``pair`` is the set of the bales' pairs.
    """

    bales: Members
    rows: tuple[Bale, ...]
    shared: Mapping[str, Any]

    @property
    def name(self) -> str:
        """``A01-net``, or ``A01-net+A02-net``."""
        return "+".join(self.bales)


@dataclass(frozen=True)
class Measured:
    """What was measured, by the bales it is of.

    Attributes
    ----------
    samples : mapping
        Bales and opening to the samples of silage of exactly these bales.
    weighings : mapping
        Bales and opening (None at wrapping) to the weighings of exactly these bales.
    crop : mapping
        What day-0 samples were taken of (a bale, a pair, a lot, or the bales of a composite) to
        their mean DM, g/kg fresh.
    cores : mapping
        Bales to the cores taken of them, alone or with others, each with all its bales.
    """

    samples: Mapping[tuple[Members, str], list[Entry]]
    weighings: Mapping[tuple[Members, str | None], list[Entry]]
    crop: Mapping[Members, float]
    cores: Mapping[str, list[tuple[Members, Entry]]]

    def sets(self, *, weighed: bool) -> tuple[Members, ...]:
        """Every set of several bales that was sampled, or also those weighed, as one."""
        keys = [*self.samples, *(self.weighings if weighed else ())]
        return tuple(sorted({bales for bales, _ in keys if len(bales) > 1}))


def measured(trial: Trial) -> Measured:
    """Sort samples and weighings by their bales and opening."""
    samples: dict[tuple[Members, str], list[Entry]] = {}
    crop: dict[Members, list[float]] = {}
    cores: dict[str, list[tuple[Members, Entry]]] = {}
    whose = bales_of_samples(trial.samples, trial.sample_parts)
    for bales, sample in zip(whose, trial.samples.to_dict("records"), strict=True):
        if sample["kind"] == "day0" and is_given(sample["dm"]):
            crop.setdefault(bales, []).append(float(sample["dm"]))
        elif sample["kind"] != "day0" and is_given(sample["opening"]):
            samples.setdefault((bales, sample["opening"]), []).append(sample)
        # A duplicate is part of its sample and took nothing more out of the bale.
        if sample["kind"] == "core" and sample["role"] != "duplicate":
            for bale in bales:
                cores.setdefault(bale, []).append((bales, sample))
    weighings: dict[tuple[Members, str | None], list[Entry]] = {}
    for weighing in trial.weighings.to_dict("records"):
        if weighing["first"] or is_given(weighing["opening"]):
            at = None if weighing["first"] else str(weighing["opening"])
            bales = tuple(sorted(weighing["bales"], key=by_name))
            weighings.setdefault((bales, at), []).append(weighing)
    mean_dm = {bales: float(np.mean(dm)) for bales, dm in crop.items()}
    return Measured(samples, weighings, mean_dm, cores)


def expected_openings(trial: Trial, bales: Sequence[Bale]) -> list[str]:
    """Openings at which bales were to give a value together; a spare one stands in at none."""
    planned = {
        bale["planned_opening"] if is_given(bale["planned_opening"]) else "" for bale in bales
    }
    if SPARE in planned:
        return []
    if trial.settings.design == "separate":
        return [name for name in planned if name and len(planned) == 1]
    return [opening.name for opening in trial.settings.openings]


def units_of(trial: Trial, sets: Iterable[Members]) -> dict[Members, Unit | str]:
    """Return each set of bales as a unit, or why its bales are none.

    Parameters
    ----------
    trial : Trial
    sets : iterable of tuple of str
        Sets of bales.

    Returns
    -------
    dict
        Every single bale first, in the order of bales.csv, then the sets in that of their first
        bale. ``pair`` of a unit of several bales is the set of their pairs: see `with_partners`.
    """
    rows = {row["bale"]: row for row in with_runs(trial.bales).to_dict("records")}
    names = [*trial.settings.analysis.factors, *trial.settings.analysis.blocks]
    columns = list(dict.fromkeys([*IDENTITY_COLUMNS, *names]))
    place = {name: k for k, name in enumerate(rows)}
    known = [bales for bales in sets if all(name in place for name in bales)]
    known.sort(key=lambda bales: (len(bales), [place[name] for name in bales]))
    found: dict[Members, Unit | str] = {}
    for bales in (*((name,) for name in rows), *known):
        mine = tuple(rows[name] for name in bales)
        found[bales] = _apart(mine, names) or Unit(bales, mine, _shared(mine, columns))
    return found


def with_partners(units: Mapping[Members, Unit | str]) -> dict[Members, Unit | str]:
    """Return units with their pairs: those of one size and different bindings over the same pairs.

    A unit of several bales without such a partner has no pair, as a bale made alone.
    """
    return {bales: _paired(unit, units) for bales, unit in units.items()}


def _apart(bales: Sequence[Bale], planned: Sequence[str]) -> str:
    """Why bales are no unit of the comparison; empty where they are.

    A unit has one level of each factor and block that was planned: one that mixed them would take
    the whole term out of the model.
    """
    own = {"binding": "left_out.mixed_bindings", "site": "left_out.mixed_farms"}
    for column in dict.fromkeys([*own, *planned]):
        there = list(dict.fromkeys(str(bale[column]) for bale in bales))
        if len(there) > 1:
            names = joined(there, last="comma")
            if column in own:
                return say(own[column], names=names)
            return say("left_out.mixed", what=column.replace("_", " "), names=names)
    return ""


def _shared(bales: Sequence[Bale], columns: Sequence[str]) -> dict[str, Any]:
    """What bales are: what is the same for all of them, NaN for the rest."""
    shared = {column: _same([bale[column] for bale in bales]) for column in columns}
    years = [_year(bale) for bale in bales]
    names = tuple(bale["bale"] for bale in bales)
    shared |= {"bale": "+".join(names), "year": _same(years), "members": names}
    pairs = [bale["pair"] for bale in bales]
    if len(bales) > 1 and all(map(is_given, pairs)):
        shared["pair"] = "+".join(sorted({*pairs}, key=by_name))
    return shared


def _same(values: Sequence[Any]) -> Any:
    """Return the value that all are; NaN where they differ."""
    first = values[0]
    return first if all(value == first for value in values[1:]) else np.nan


def _year(bale: Bale) -> str | None:
    made = bale["baled_at"] if is_given(bale["baled_at"]) else bale["film_wrapped_at"]
    return str(made.year) if is_given(made) else None


def _paired(unit: Unit | str, others: Mapping[Members, Unit | str]) -> Unit | str:
    """Leave out the pair of a unit of several bales that no other binding has."""
    if isinstance(unit, str) or len(unit.bales) == 1 or not is_given(unit.shared["pair"]):
        return unit
    alike = {
        other.shared["binding"]
        for bales, other in others.items()
        if isinstance(other, Unit) and len(bales) == len(unit.bales)
        and other.shared["pair"] == unit.shared["pair"]
    }  # fmt: skip
    return unit if len(alike) > 1 else replace(unit, shared={**unit.shared, "pair": np.nan})
