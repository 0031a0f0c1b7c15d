"""What was seen beside the laboratory, as the report shows it; nothing where nobody looked."""

from __future__ import annotations

from dataclasses import replace

from silagetrial.analysis.opened import hours_at_air, mould_seen, temperatures_read
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.report.tables_results import NOTHING, Shown

__all__ = ["at_air", "mould", "temperatures"]


def mould(trial: Trial) -> Shown:
    """Show the bales with mould and what was thrown away, by opening and binding."""
    table = mould_seen(trial)
    if not len(table):
        return NOTHING
    return replace(
        table,
        title=say("table.mould"),
        labels={
            "bales": say("table.mould_bales"),
            "surface_share": say("table.mould_share"),
            "discarded_kg": say("table.mould_thrown"),
        },
        formats={"surface_share": ".1f", "discarded_kg": ".1f"},
        notes=(say("table.mould_note"),),
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
        title=say("table.at_air", rise=f"{rise:g}"),
        labels={"stopped": say("table.at_air_stopped"), "median_hours": say("table.at_air_median")},
        formats={"median_hours": ".0f"},
        notes=(say("table.at_air_note"),),
        name="aerobic_stability",
    )


def temperatures(trial: Trial) -> Shown:
    """Show the temperatures read in bales and around them."""
    table = temperatures_read(trial)
    if not len(table):
        return NOTHING
    return replace(
        table,
        title=say("table.temperatures"),
        formats={"mean": ".1f", "highest": ".1f"},
        notes=(say("table.temperatures_note"),),
        name="temperatures",
    )
