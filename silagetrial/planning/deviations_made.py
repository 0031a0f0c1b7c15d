"""What was done otherwise in field and store: pairs, bindings, order, openings, bales lost."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.data.groups import bales_of_samples
from silagetrial.data.outside import outside_use
from silagetrial.data.schema import SPARE
from silagetrial.data.trial import Trial
from silagetrial.planning.filed_names import DRAWN

__all__ = ["TO_COME", "Deviation", "conduct", "openings_done", "openings_to_come"]

Bales: TypeAlias = Mapping[str, Mapping[Any, Any]]
"""Bales by name, each with the columns of its row."""

_MOST: Final = 8
"""How many bales a cell names before it only counts."""

_CONDUCT: Final = "done otherwise"

TO_COME: Final = "to come"
"""Kind of what is planned and due: no deviation."""


@dataclass(frozen=True)
class Deviation:
    """One point: what it is about, what was planned, what was done, and of which kind it is."""

    what: str
    planned: str
    done: str
    kind: str


def conduct(layout: Mapping[str, Any], trial: Trial, *, rule: str) -> Iterator[Deviation]:
    """Yield where a trial was carried out otherwise than laid out.

    Parameters
    ----------
    layout : mapping
        ``layout`` of an analysis plan.
    trial : Trial
    rule : str
        Kind of what the plan itself provides for.
    """
    planned = {str(bale["bale"]): bale for bale in layout["bales"]}
    made = {str(row["bale"]): row for row in trial.bales.to_dict("records")}
    yield from _due(trial)
    yield from _pairs(planned, made)
    for column, what in (("site", "farm"), ("pair", "pair"), ("binding", "binding")):
        yield from _column(planned, made, column, what)
    for column in _further(planned):
        yield from _column(planned, made, column, column.replace("_", " "))
    yield from _order(planned, made)
    yield from _openings(planned, made, rule=rule)
    yield from _lost(trial)
    yield from _windows(trial)


def _due(trial: Trial) -> Iterator[Deviation]:
    """Yield the openings that samples are still to come of, and the crop at baling."""
    waiting = _samples_due(trial)
    crop = int((waiting["days"] == 0).sum())
    if crop:
        yield Deviation("crop at baling", "sampled", f"{_samples(crop)} due", TO_COME)
    for opening in trial.settings.openings:
        due = int((waiting["opening"] == opening.name).sum())
        if due:
            begun = bool((trial.samples["opening"] == opening.name).any())
            said = "not all done yet" if begun else "not opened yet"
            yield Deviation(
                f"opening {opening.name}", "done", f"{said}, {_samples(due)} due", TO_COME
            )


def openings_to_come(trial: Trial) -> tuple[str, ...]:
    """Return the openings at which samples are still to come."""
    waiting = set(_samples_due(trial)["opening"].dropna())
    return tuple(name for name in trial.settings.opening_names if name in waiting)


def openings_done(trial: Trial) -> tuple[str, ...]:
    """Return the openings at which samples were taken and none is still to come."""
    taken = set(trial.samples.loc[trial.samples["kind"] != "day0", "opening"].dropna())
    done = taken - {*openings_to_come(trial)}
    return tuple(name for name in trial.settings.opening_names if name in done)


def _samples_due(trial: Trial) -> pd.DataFrame:
    """Samples still to come; those of spare pairs wait without being missed."""
    frame = trial.due.frame
    spare = trial.bales[trial.bales["planned_opening"] == SPARE]
    return frame[
        (frame["table"] == "samples") & ~frame["bale"].isin({*spare["bale"], *spare["pair"]})
    ]


def _samples(number: int) -> str:
    return "1 sample" if number == 1 else f"{number} samples"


def _pairs(planned: Bales, made: Bales) -> Iterator[Deviation]:
    """Yield farms with fewer or more pairs than planned, spare ones counted."""
    for site in dict.fromkeys((*_sites(planned), *_sites(made))):
        was, now = (_pairs_of(bales, site) for bales in (planned, made))
        if len(was) != len(now):
            missing = sorted(was - now)
            more = f" (not made: {_listed(missing)})" if missing else ""
            yield Deviation(
                f"pairs on {site}, spare ones counted", str(len(was)), f"{len(now)}{more}", _CONDUCT
            )
    for name in sorted(set(made) - set(planned)):
        yield Deviation(f"bale {name}", "not in the plan", "made", _CONDUCT)


def _sites(bales: Bales) -> list[str]:
    return [str(bale["site"]) for bale in bales.values()]


def _pairs_of(bales: Bales, site: str) -> set[str]:
    return {str(b["pair"]) for b in bales.values() if b["site"] == site and is_given(b["pair"])}


def _column(
    planned: Bales,
    made: Bales,
    column: str,
    what: str,
) -> Iterator[Deviation]:
    """Yield the bales of which a column is no longer what was drawn."""
    changed = [
        f"{name}: {_word(made[name].get(column))} instead of {_word(bale[column])}"
        for name, bale in planned.items()
        if name in made and _word(made[name].get(column)) != _word(bale[column])
    ]
    if changed:
        yield Deviation(f"{what} of {_count(changed)}", "as drawn", _listed(changed), _CONDUCT)


def _further(planned: Bales) -> list[str]:
    """Columns of the further factors that were drawn."""
    columns = dict.fromkeys(column for bale in planned.values() for column in bale)
    return [str(column) for column in columns if column not in DRAWN]


def _order(planned: Bales, made: Bales) -> Iterator[Deviation]:
    """Yield farms on which bales left the chamber in another order than drawn."""
    by_site: dict[str, list[str]] = {}
    for name, bale in planned.items():
        if name in made and is_given(made[name]["baled_at"]):
            by_site.setdefault(f"{bale['site']} {made[name]['baled_at']:%Y-%m-%d}", []).append(name)
    for site, names in by_site.items():
        names.sort(key=lambda name: (made[name]["baled_at"], planned[name]["order"]))
        places = [planned[name]["order"] for name in names]
        swapped = [
            f"{names[k]} before {names[k + 1]}"
            for k in range(len(names) - 1)
            if places[k] > places[k + 1]
        ]
        if swapped:
            yield Deviation(f"order of baling, {site}", "as drawn", f"{_listed(swapped)}", _CONDUCT)


def _openings(
    planned: Bales,
    made: Bales,
    *,
    rule: str,
) -> Iterator[Deviation]:
    """Yield bales opened at another opening than drawn; a spare pair in use is foreseen."""
    spare = {name: bale for name, bale in planned.items() if bale["planned_opening"] == SPARE}
    others = {name: bale for name, bale in planned.items() if name not in spare}
    yield from _column(others, made, "planned_opening", "opening")
    used = [
        f"{name} at {made[name]['planned_opening']}"
        for name in spare
        if name in made and _word(made[name]["planned_opening"]) not in (SPARE, "none")
    ]
    if used:
        yield Deviation(
            "spare bales opened", "in place of a pair with a lost bale", _listed(used), rule
        )


def _lost(trial: Trial) -> Iterator[Deviation]:
    lost = trial.events[trial.events["what"] == "lost"].drop_duplicates("bale")
    names = [
        f"{row['bale']} ({row['cause'] if is_given(row['cause']) else 'cause not recorded'})"
        for row in lost.to_dict("records")
    ]
    if names:
        yield Deviation("bales lost", "none", f"{len(names)}: {_listed(names)}", _CONDUCT)


def _windows(trial: Trial) -> Iterator[Deviation]:
    """Yield openings at which bales were sampled outside the window."""
    members = bales_of_samples(trial.samples, trial.sample_parts)
    outside = trial.samples.assign(of=members)[~trial.samples["in_window"]].explode("of")
    for opening in trial.settings.openings:
        out = outside[outside["opening"] == opening.name]
        if len(out):
            bales = sorted(set(out["of"]))
            days = _span(out["calendar_days"])
            yield Deviation(
                f"days in storage at {opening.name}",
                f"{opening.window[0]:g} to {opening.window[1]:g}",
                f"{days} for {_count(bales)}: {_listed(bales)}; {outside_use(trial.settings)}",
                _CONDUCT,
            )


def _span(days: pd.Series[Any]) -> str:
    low, high = int(days.min()), int(days.max())
    return f"{low}" if low == high else f"{low} to {high}"


def _word(value: object) -> str:
    if not is_given(value):
        return "none"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _count(items: Sequence[str]) -> str:
    return "1 bale" if len(items) == 1 else f"{len(items)} bales"


def _listed(items: Sequence[str]) -> str:
    shown = ", ".join(items[:_MOST])
    return shown if len(items) <= _MOST else f"{shown} and {len(items) - _MOST} more"
