"""Checks of what is seen on opened bales: mould, temperatures, hours until silage warms."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from silagetrial.data.checks_ranges import TEMPERATURE_LIMITS
from silagetrial.data.draft import Draft, is_given
from silagetrial.errors import Problem

__all__ = ["hot_bales", "one_scorer_a_pair", "rises_alike"]

HOT: Final = 60.0
"""Above this forage is on its way to burn, degrees Celsius (common practice)."""


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
