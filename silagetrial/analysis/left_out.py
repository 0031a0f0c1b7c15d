"""Values that are not there or not used, each with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, TypeAlias

import pandas as pd

from silagetrial.data.trial import Trial
from silagetrial.display.language import say

__all__ = ["COLUMNS", "OUTSIDE", "kind_said", "left_out", "missing"]

Row: TypeAlias = dict[str, Any]

COLUMNS: Final = ("bale", "binding", "opening", "what", "reason")

OUTSIDE: Final = "outside the window"
"""What is left out where a value was measured outside the window of its opening."""

_KINDS: Final = {
    "no sample": "left_out.no_sample",
    "no value": "left_out.no_value",
    "not used": "left_out.not_used",
    "bale lost": "left_out.bale_lost",
    OUTSIDE: "left_out.outside",
}
"""Every ``what`` of the list, which is counted and filtered by, and the text that says it."""


def left_out(unit: Mapping[Any, Any], opening: str, what: str, reason: str) -> Row:
    """Return a row of the list: the bale or bales, the opening, what is left out and why."""
    found = (unit["bale"], unit["binding"], opening, what, reason)
    return dict(zip(COLUMNS, found, strict=True))


def kind_said(what: str) -> str:
    """Return in words what is left out: a ``what`` of the list."""
    return say(_KINDS[what])


def missing(trial: Trial, bale: Mapping[Any, Any], opening: str) -> Row:
    """Why a bale has no sample at an opening, as far as the events tell."""
    due = trial.due.frame
    at_opening = due[(due["table"] == "samples") & (due["opening"] == opening)]
    if any(bale["bale"] in names.split() for names in at_opening["bale"].dropna()):
        return left_out(bale, opening, "no sample", say("left_out.planned"))
    events = trial.events[trial.events["bale"] == bale["bale"]].sort_values("at")
    planned = trial.settings.opening(opening)
    lost = events[events["what"] == "lost"]
    if planned is not None:
        lost = lost[_stored(lost, bale) <= planned.window[1]]
    if len(lost):
        last = lost.iloc[-1]
        cause = last["cause"] if isinstance(last["cause"], str) else say("left_out.no_cause")
        said = say("left_out.lost_on", cause=cause, date=f"{last['at']:%Y-%m-%d}")
        return left_out(bale, opening, "bale lost", said)
    noted = ""
    if planned is not None and len(events):
        stored = _stored(events, bale)
        near = events[(stored >= planned.window[0]) & events["note"].notna()]
        near = near[(stored[near.index] <= planned.window[1]) & (near["what"] == "inspected")]
        noted = "; ".join(near["note"])
    return left_out(bale, opening, "no sample", noted or say("left_out.no_result"))


def _stored(events: pd.DataFrame, bale: Mapping[Any, Any]) -> pd.Series[float]:
    """Days in storage at each event of a bale."""
    stored: pd.Series[float] = (events["at"] - bale["film_wrapped_at"]).dt.total_seconds() / 86400
    return stored
