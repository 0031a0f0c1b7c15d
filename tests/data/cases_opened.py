"""Problems with what is seen on opened bales: mould, temperatures, hours at the air."""

from __future__ import annotations

from pathlib import Path

from builders import write_cells
from problem_case import (
    FILM,
    NET,
    OPENED,
    SAMPLE,
    Case,
    Edit,
    both,
    cell,
    error,
    no_column,
    toml,
    warning,
)  # fmt: skip

__all__ = ["OPENED_BALES"]

_ROWS = {
    "mould": {"bale": NET, "seen_at": "2025-07-30", "surface_share": "4", "scorer": "AB"},
    "temperatures": {"bale": NET, "measured_at": "2025-07-30 08:00", "temperature": "21"},
    "aerobic": {"bale": NET, "opened_at": "2025-07-30", "hours": "96", "ended": "warm"},
}


def seen(table: str, *rows: dict[str, str]) -> Edit:
    """Write a table of what was seen, each row a good one with these cells changed."""

    def edit(folder: Path) -> None:
        columns = dict.fromkeys(name for row in ({**_ROWS[table]}, *rows) for name in row)
        whole = [{**dict.fromkeys(columns, ""), **_ROWS[table], **row} for row in rows]
        write_cells(folder / f"{table}.csv", whole)

    return edit


def _unknown(table: str) -> Case:
    return error(
        "seen_known",
        seen(table, {"bale": "A01-nte"}),
        f"{table}.csv",
        "bale",
        "A01-nte",
        "'A01-nte', which is not in bales.csv",
        "did you mean 'A01-net'",
    )


OPENED_BALES = (
    *map(_unknown, _ROWS),
    error(
        "nothing_before_baling",
        seen("mould", {"seen_at": "2024-07-30"}),
        "mould.csv",
        "seen_at",
        NET,
        "looked at 2024-07-30, before bale A01-net",
        "correct the date",
    ),
    error(
        "within_limits",
        seen("mould", {"surface_share": "120"}),
        "mould.csv",
        "surface_share",
        NET,
        "120 %",
        "percent of the surface looked at",
    ),
    error(
        "not_negative",
        seen("mould", {"surface_share": "-1"}),
        "mould.csv",
        "surface_share",
        NET,
        "-1, below zero",
        "correct the cell",
    ),
    error(
        "within_limits",
        seen("mould", {"discarded_kg": "4500"}),
        "mould.csv",
        "discarded_kg",
        NET,
        "4500 kg",
        "fresh, of one bale",
    ),
    warning(
        "one_scorer_a_pair",
        seen("mould", {}, {"bale": FILM, "scorer": "CD"}),
        "mould.csv",
        "scorer",
        FILM,
        "pair A01 looked at by AB, CD",
        "what differs between them stands in the difference",
    ),
    error(
        "within_limits",
        seen("temperatures", {"temperature": "212"}),
        "temperatures.csv",
        "temperature",
        NET,
        "212 °C",
        "declare its unit under [measures]",
    ),
    warning(
        "hot_bales",
        seen("temperatures", {"temperature": "71"}),
        "temperatures.csv",
        "temperature",
        NET,
        "71 °C in bale A01-net",
        "ask the fire service",
    ),
    warning(
        "hot_bales",
        lambda folder: [
            toml("[units]", '[measures]\ntemperature = "°F"\n\n[units]')(folder),
            seen("temperatures", {"temperature": "158"})(folder),
        ],
        "temperatures.csv",
        "temperature",
        NET,
        "70 °C in bale A01-net",
        "check the reading and its unit",
    ),
    error(
        "rises_alike",
        seen("aerobic", {"rise": "2"}, {"bale": FILM, "rise": "3"}),
        "aerobic.csv",
        "rise",
        FILM,
        "a rise of 3 °C, 2 above",
        "hours until another rise are another measure",
    ),
    error(
        "within_limits",
        seen("aerobic", {"hours": "5760"}),
        "aerobic.csv",
        "hours",
        NET,
        "5760 h",
        "hours since it came to the air",
    ),
    warning(
        "window_kept",
        seen("mould", {"seen_at": "2025-06-20"}),
        "mould.csv",
        "seen_at",
        NET,
        "bale A01-net early",
        "none of this opening",
    ),
    warning(
        "butyric_zero",
        cell("samples", SAMPLE, "butyric_acid", "0"),
        "samples.csv",
        "butyric_acid",
        SAMPLE,
        "butyric acid of 0 in sample A01-net-60",
        "write <limit",
    ),
    warning(
        "film_on_alike",
        both(no_column("bales", "film_kg"), cell("weighings", OPENED, "flags", "")),
        "weighings.csv",
        "flags",
        OPENED,
        "bale A01-net weighed once with its film and once without",
        "weigh the film taken off",
    ),
)
