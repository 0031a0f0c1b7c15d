"""The values of a response, unit by unit and opening by opening, and what gave none."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np

from silagetrial.analysis.chosen import Choice, choose_units
from silagetrial.analysis.contents import content
from silagetrial.analysis.left_out import OUTSIDE, left_out, missing
from silagetrial.analysis.massbalance import ERRORS, Parts, is_whole, loss_of, samples_for_loss
from silagetrial.analysis.responses import DM_LOSS, Response
from silagetrial.analysis.split_pairs import without_split_pairs
from silagetrial.analysis.units import (
    Entry,
    Measured,
    Members,
    Unit,
    UnitKind,
    measured,
    units_of,
    with_partners,
)
from silagetrial.data.outside import outside_use
from silagetrial.data.settings import Opening
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import joined

__all__ = ["Values", "values_of"]

Row: TypeAlias = dict[str, Any]


@dataclass(frozen=True)
class Values:
    """What a trial holds of one response.

    Attributes
    ----------
    rows : list of dict
        One a result, ``inside`` telling whether it was measured inside the window.
    missing : list of dict
        What is not there or not used, as in `left_out`.
    kind : UnitKind
        What a value is of.
    overlap : bool
        Whether units of this kind shared bales, so that some are left out.
    """

    rows: list[Row]
    missing: list[Row]
    kind: UnitKind
    overlap: bool


@dataclass(frozen=True)
class _Search:
    """What values of one response are looked for in."""

    trial: Trial
    response: Response
    found: Measured
    units: Mapping[Members, Unit | str]
    choice: Choice

    @property
    def sets(self) -> list[Members]:
        """Every set of several bales that this response may be of."""
        return [bales for bales in self.units if len(bales) > 1]

    def is_there(self, bales: Members, opening: str) -> bool:
        """Whether something was measured of exactly these bales at an opening."""
        weighed = self.response is DM_LOSS and len(bales) > 1
        return (bales, opening) in self.found.samples or (
            weighed and (bales, opening) in self.found.weighings
        )


def values_of(trial: Trial, response: Response) -> Values:
    """Collect a response's values, in units of one size."""
    found = measured(trial)
    units = units_of(trial, found.sets(weighed=response is DM_LOSS))
    choice = choose_units(trial, response, found, units)
    units = with_partners({**units, **choice.overlapping})
    search = _Search(trial, response, found, units, choice)
    rows: list[Row] = []
    lacking: list[Row] = []
    for bales, unit in units.items():
        if isinstance(unit, str):
            lacking += _refused(search, bales, unit)
            continue
        for opening in search.choice.openings[bales]:
            for said in _at(search, unit, opening):
                (rows if "value" in said else lacking).append(said)
    rows, split = without_split_pairs(rows)
    lacking += [
        left_out(row, row["opening"], "no value", say("left_out.split", sample=row["sample"]))
        for row in split
    ]
    lacking += [_outside(trial, row) for row in rows if not row["inside"]]
    return Values(rows, lacking, choice.kind, bool(choice.overlapping))


def _at(search: _Search, unit: Unit, opening: str) -> Iterator[Row]:
    """Yield the values of a unit at an opening, or why there is none."""
    there, alone = search.is_there(unit.bales, opening), len(unit.bales) == 1
    if len(unit.bales) == search.choice.kind.size and there:
        yield from _values(search, unit, opening)
    elif alone and not there and not _covered(search, unit, opening):
        yield missing(search.trial, unit.rows[0], opening)
    elif there and not _used_together(search, unit, opening):
        why = search.choice.why_not(search.response, len(unit.bales))
        yield left_out(unit.shared, opening, "not used", why)


def _covered(search: _Search, unit: Unit, opening: str) -> bool:
    """Whether a bale is one of several that were measured as one at an opening."""
    return any(unit.bales[0] in bales and search.is_there(bales, opening) for bales in search.sets)


def _used_together(search: _Search, unit: Unit, opening: str) -> bool:
    """Whether a bale's own sample tells the DM of a group that it was weighed in."""
    if search.response is not DM_LOSS or len(unit.bales) > 1:
        return False
    groups = [b for b in search.sets if unit.bales[0] in b and search.is_there(b, opening)]
    return any(len(bales) == search.choice.kind.size for bales in groups) and not is_whole(
        search.found, unit, opening
    )


def _refused(search: _Search, bales: Members, why: str) -> Iterator[Row]:
    """Yield what bales that are no unit gave, opening by opening."""
    names = [bale for bale in bales if isinstance(search.units.get((bale,)), Unit)]
    bindings = dict.fromkeys(_unit(search, bale).shared["binding"] for bale in names)
    shown = {"bale": "+".join(bales), "binding": joined(list(bindings))}
    for opening in search.trial.settings.opening_names:
        if search.is_there(bales, opening):
            yield left_out(shown, opening, "not used", why)


def _unit(search: _Search, bale: str) -> Unit:
    unit = search.units[(bale,)]
    assert isinstance(unit, Unit)
    return unit


def _values(search: _Search, unit: Unit, opening: str) -> Iterator[Row]:
    """Yield the results of a unit at an opening, each as a row or as what is left out."""
    for parts, result in _results(search, unit, opening):
        if isinstance(result, str):
            yield left_out(unit.shared, opening, "no value", result)
        else:
            planned = search.trial.settings.opening(opening)
            about = {**_about(planned, unit, parts), "unit": search.choice.kind.word}
            inside = about["inside"] and result.pop("in_window", True)
            yield {**about, **result, "inside": inside}


def _results(search: _Search, unit: Unit, opening: str) -> Iterator[tuple[Parts, Row | str]]:
    response = search.response
    if response is not DM_LOSS:
        for sample in search.found.samples[unit.bales, opening]:
            log = response.scale == "log"
            yield [[sample]], content(search.trial, sample, response.name, log=log)
        return
    samples = samples_for_loss(search.found, unit, opening)
    if isinstance(samples, str):
        yield [], samples
        return
    for parts in samples:
        found = loss_of(search.trial, search.found, unit, opening, parts)
        if isinstance(found, str):
            yield parts, found
            continue
        yield (
            parts,
            {
                "value": 100.0 * found.loss,
                "below": False,
                "limit": np.nan,
                "value_used": 100.0 * found.loss,
                "uncorrected": 100.0 * found.uncorrected,
                "from_own": len(parts) > 1,
                **{
                    name: getattr(found, name)
                    for name in ("m0", "d0", "m1", "d1", "d1_oven", *ERRORS, "day0_of", "in_window")
                },
            },
        )


def _about(opening: Opening | None, unit: Unit, parts: Parts) -> Row:
    """What a row is about: the bales, when they were sampled, where it was analysed."""
    samples = [sample for mine in parts for sample in mine]
    places = {
        column: samples[0][column] if len({*map(str, _column(samples, column))}) == 1 else np.nan
        for column in ("laboratory", "batch")
    }
    return {
        **unit.shared,
        **places,
        "sample": " ".join(_column(samples, "sample")),
        "opening": samples[0]["opening"],
        "days": float(np.mean(_column(samples, "days"))),
        "calendar_days": float(np.mean(_column(samples, "calendar_days"))),
        "planned_days": np.nan if opening is None else opening.days,
        "inside": all(_column(samples, "in_window")),
    }


def _column(samples: Sequence[Entry], name: str) -> list[Any]:
    return [sample[name] for sample in samples]


def _outside(trial: Trial, row: Row) -> Row:
    """Say of a value how many days it was measured at, and what it is used for."""
    opening = trial.settings.opening(row["opening"])
    assert opening is not None
    low, high = opening.window
    ends = {"low": f"{low:g}", "high": f"{high:g}", "use": outside_use(trial.settings)}
    if opening.covers(row["calendar_days"]):
        said = say("left_out.weighed_outside", **ends)
    else:
        said = say("left_out.sampled_outside", days=f"{row['calendar_days']:.0f}", **ends)
    return left_out(row, row["opening"], OUTSIDE, said)
