"""What was seen beside the laboratory, as the report shows it; nothing where nobody looked."""

from __future__ import annotations

from dataclasses import replace

from silagetrial.analysis.opened import hours_at_air, mould_seen, temperatures_read
from silagetrial.data import Trial
from silagetrial.report.tables_results import NOTHING, Shown

__all__ = ["at_air", "mould", "temperatures"]


def mould(trial: Trial) -> Shown:
    """Show the bales with mould and what was thrown away, by opening and binding."""
    table = mould_seen(trial)
    if not len(table):
        return NOTHING
    return replace(
        table,
        title="Mould and forage thrown away at opening",
        labels={
            "bales": "bales looked at",
            "surface_share": "mean share of the surface, %",
            "discarded_kg": "mean thrown away, kg fresh",
        },
        formats={"surface_share": ".1f", "discarded_kg": ".1f"},
        notes=(
            "Counts and means of bales inside the windows, no model. Mould can be seen or not; "
            "what is not seen is no proof that feed is safe.",
        ),
        name="mould",
    )


def at_air(trial: Trial) -> Shown:
    """Show the hours until silage warmed at the air, by opening and binding."""
    table = hours_at_air(trial)
    if not len(table):
        return NOTHING
    rises = trial.aerobic["rise"].dropna()
    rise = rises.iloc[0] if len(rises) else 2.0
    return replace(
        table,
        title=f"Aerobic stability: hours until silage was {rise:g} \N{DEGREE SIGN}C above the air",
        labels={"stopped": "stopped before it warmed", "median_hours": "median, hours"},
        formats={"median_hours": ".0f"},
        notes=(
            "Median by the product limit (Kaplan & Meier 1958), no model; a dash where fewer "
            "than half warmed before their test was stopped. Inside the windows only.",
        ),
        name="aerobic_stability",
    )


def temperatures(trial: Trial) -> Shown:
    """Show the temperatures read in bales and around them."""
    table = temperatures_read(trial)
    if not len(table):
        return NOTHING
    return replace(
        table,
        title="Temperatures, \N{DEGREE SIGN}C",
        formats={"mean": ".1f", "highest": ".1f"},
        notes=("All readings alike, whatever their day; no model.",),
        name="temperatures",
    )
