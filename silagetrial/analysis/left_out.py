"""Values that are not there or not used, each with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import pandas as pd

from silagetrial.data.trial import Trial

__all__ = ["COLUMNS", "left_out", "missing"]

Row: TypeAlias = dict[str, Any]

COLUMNS: Final = ("bale", "binding", "opening", "what", "reason")


def left_out(unit: Mapping[Any, Any], opening: str, what: str, reason: str) -> Row:
    """Return a row of the list: the bale or bales, the opening, what is left out and why."""
    found = (unit["bale"], unit["binding"], opening, what, reason)
    return dict(zip(COLUMNS, found, strict=True))


def missing(trial: Trial, bale: Mapping[Any, Any], opening: str) -> Row:
    """Why a bale has no sample at an opening, as far as the events tell."""
    due = trial.due.frame
    at_opening = due[(due["table"] == "samples") & (due["opening"] == opening)]
    if any(bale["bale"] in names.split() for names in at_opening["bale"].dropna()):
        return left_out(bale, opening, "no sample", "planned, not taken yet")
    events = trial.events[trial.events["bale"] == bale["bale"]].sort_values("at")
    planned = trial.settings.opening(opening)
    lost = events[events["what"] == "lost"]
    if planned is not None:
        lost = lost[_stored(lost, bale) <= planned.window[1]]
    if len(lost):
        last = lost.iloc[-1]
        cause = last["cause"] if isinstance(last["cause"], str) else "cause not recorded"
        return left_out(bale, opening, "bale lost", f"{cause} ({last['at']:%Y-%m-%d})")
    noted = ""
    if planned is not None and len(events):
        stored = _stored(events, bale)
        near = events[(stored >= planned.window[0]) & events["note"].notna()]
        near = near[(stored[near.index] <= planned.window[1]) & (near["what"] == "inspected")]
        noted = "; ".join(near["note"])
    return left_out(bale, opening, "no sample", noted or "no laboratory result")


def _stored(events: pd.DataFrame, bale: Mapping[Any, Any]) -> pd.Series[float]:
    """Days in storage at each event of a bale."""
    stored: pd.Series[float] = (events["at"] - bale["film_wrapped_at"]).dt.total_seconds() / 86400
    return stored
