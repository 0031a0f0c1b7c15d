"""Columns of what is seen beside the laboratory: mould, temperatures, hours until silage warms."""

from __future__ import annotations

from typing import Final

from silagetrial.data.column import column

__all__ = ["AEROBIC", "ENDED", "MOULD", "TEMPERATURES", "WARM"]

MOULD: Final = (
    column("bale", "id", "bale looked at", required=True),
    column("seen_at", "datetime", "when the bale was looked at", once_done=True),
    column("zone", "text", "part of the bale, for example outer layer or flat end"),
    column(
        "surface_share",
        "number",
        "share of the surface looked at that carries mould; 0 where there is none",
        unit="%",
    ),
    column(
        "discarded_kg",
        "number",
        "forage thrown away at opening, fresh; what animals refuse later is not in it",
        unit="kg",
    ),
    column("scorer", "text", "who looked; one person for both bales of a pair"),
    column("note", "text", "remark"),
)

TEMPERATURES: Final = (
    column("bale", "id", "bale the sensor is in; blank for the air around the bales"),
    column("measured_at", "datetime", "when it was read", once_done=True),
    column("temperature", "number", "reading", unit="°C", once_done=True),
    column("depth", "number", "depth of the sensor in the bale", unit="cm"),
    column("logger", "text", "logger or thermometer used"),
    column("note", "text", "remark"),
)

WARM: Final = "warm"
ENDED: Final = (WARM, "stopped")

AEROBIC: Final = (
    column("bale", "id", "bale the silage was taken from", required=True),
    column("opened_at", "datetime", "when the silage came to the air", once_done=True),
    column(
        "rise",
        "number",
        "rise over the air around that ends the test; 2 where the column is left out",
        unit="°C",
    ),
    column("hours", "number", "hours at the air until the test ended", unit="h", once_done=True),
    column(
        "ended",
        "choice",
        "warm: the silage reached the rise; stopped: the test ended before it did, so that it "
        "would have kept longer than the hours given",
        choices=ENDED,
        once_done=True,
    ),
    column("note", "text", "remark"),
)
