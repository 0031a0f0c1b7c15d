"""Checks of what is seen on opened bales: mould, temperatures, hours until silage warms."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from silagetrial.data.draft import Draft, is_given
from silagetrial.errors import Problem

__all__ = [
    "discarded_possible",
    "hot_bales",
    "hours_possible",
    "one_scorer_a_pair",
    "rises_alike",
    "shares_possible",
    "temperatures_possible",
]

DISCARDED_LIMIT: Final = 2000.0
"""No bale weighs more, kg (common practice, as the net masses of `checks_ranges`)."""

TEMPERATURE_LIMITS: Final = (-40.0, 90.0)
"""Of air on a farm and of forage that heats, degrees Celsius (common practice)."""

HOT: Final = 60.0
"""Above this forage is on its way to burn, degrees Celsius (common practice)."""

HOURS_LIMIT: Final = 1000.0
"""Tests of hours at the air end within weeks (common practice)."""


def shares_possible(draft: Draft) -> Iterator[Problem]:
    """Check that no share of a surface is above all of it."""
    shares = draft.tables["mould"]["surface_share"]
    for row in draft.rows_at("mould", shares.index[shares > 100].tolist()):
        yield draft.problem(
            "mould",
            row["line"],
            "surface_share",
            found=f"{row['surface_share']:g} % of the surface with mould",
            expected="0 to 100 %",
            remedy="correct the cell; the share is in percent of the surface looked at",
        )


def discarded_possible(draft: Draft) -> Iterator[Problem]:
    """Check that no more forage was thrown away than a bale holds."""
    masses = draft.tables["mould"]["discarded_kg"]
    for row in draft.rows_at("mould", masses.index[masses > DISCARDED_LIMIT].tolist()):
        yield draft.problem(
            "mould",
            row["line"],
            "discarded_kg",
            found=f"{row['discarded_kg']:g} kg discarded, more than a bale weighs",
            expected=f"0 to {DISCARDED_LIMIT:g} kg",
            remedy="correct the cell; it is in kg, fresh",
        )


def one_scorer_a_pair(draft: Draft) -> Iterator[Problem]:
    """Check that one person scored both bales of a pair: eyes differ."""
    scorers: dict[str, dict[str, int]] = {}
    for row in draft.rows("mould"):
        bale = draft.bales.get(row["bale"])
        if bale is not None and is_given(bale["pair"]) and is_given(row["scorer"]):
            scorers.setdefault(bale["pair"], {}).setdefault(row["scorer"], row["line"])
    for pair, who in scorers.items():
        if len(who) > 1:
            yield draft.problem(
                "mould",
                max(who.values()),
                "scorer",
                found=f"pair {pair} looked at by {', '.join(sorted(who))}",
                expected="one scorer for all bales of a pair",
                remedy="check the names; if two people scored, what differs between them stands "
                "in the difference between the bindings",
                severity="warning",
            )


def temperatures_possible(draft: Draft) -> Iterator[Problem]:
    """Check that temperatures are such as occur in bales and around them."""
    low, high = TEMPERATURE_LIMITS
    read = draft.tables["temperatures"]["temperature"]
    outside = read.index[(read < low) | (read > high)].tolist()
    for row in draft.rows_at("temperatures", outside):
        yield draft.problem(
            "temperatures",
            row["line"],
            "temperature",
            found=f"{row['temperature']:g} \N{DEGREE SIGN}C",
            expected=f"{low:g} to {high:g} \N{DEGREE SIGN}C",
            remedy="correct the cell, or declare its unit under [measures]",
        )


def hot_bales(draft: Draft) -> Iterator[Problem]:
    """Warn of forage that heats: it can burn, and its DM loss is not that of fermentation."""
    read = draft.tables["temperatures"]["temperature"]
    hot = read.index[(read > HOT) & (read <= TEMPERATURE_LIMITS[1])].tolist()
    for row in draft.rows_at("temperatures", hot):
        where = f"in bale {row['bale']}" if is_given(row["bale"]) else "around the bales"
        yield draft.problem(
            "temperatures",
            row["line"],
            "temperature",
            found=f"{row['temperature']:.0f} \N{DEGREE SIGN}C {where}",
            expected=f"silage below {HOT:g} \N{DEGREE SIGN}C",
            remedy="check the reading and its unit; forage this hot can catch fire: keep away, "
            "do not open or move it, and ask the fire service",
            severity="warning",
        )


def rises_alike(draft: Draft) -> Iterator[Problem]:
    """Check that all tests at the air end at one rise: hours to other rises do not compare."""
    first: float | None = None
    for row in sorted(draft.rows("aerobic"), key=lambda row: row["line"]):
        rise = row["rise"] if is_given(row["rise"]) else 2.0
        first = rise if first is None else first
        if rise != first or not 0.5 <= rise <= 5:
            yield draft.problem(
                "aerobic",
                row["line"],
                "rise",
                found=f"a rise of {rise:g} \N{DEGREE SIGN}C"
                + (f", {first:g} above" if rise != first else ""),
                expected="one rise for all tests, from 0.5 to 5 \N{DEGREE SIGN}C",
                remedy="correct the cell; hours until another rise are another measure",
            )


def hours_possible(draft: Draft) -> Iterator[Problem]:
    """Check that hours at the air are hours, not minutes or a time of day."""
    hours = draft.tables["aerobic"]["hours"]
    for row in draft.rows_at("aerobic", hours.index[hours > HOURS_LIMIT].tolist()):
        yield draft.problem(
            "aerobic",
            row["line"],
            "hours",
            found=f"{row['hours']:g} hours at the air",
            expected=f"0 to {HOURS_LIMIT:g} hours",
            remedy="correct the cell; it holds hours since the silage came to the air",
        )
