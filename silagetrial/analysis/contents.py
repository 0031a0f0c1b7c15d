"""Laboratory results of one sample as a response: the value used, or why there is none."""

from __future__ import annotations

from typing import Any

import numpy as np

from silagetrial.analysis.dm_opening import dm_at_opening
from silagetrial.analysis.units import Entry
from silagetrial.data.trial import Trial
from silagetrial.display.language import say

__all__ = ["SUBSTITUTE", "content", "how_reported"]

SUBSTITUTE = 0.5
"""A value below the limit counts as this share of the limit (until a model that knows limits)."""

_IN_WORDS = {"pH": "pH", "dm": "DM", "wsc": "WSC", "ammonia_n": "ammonia-N", "total_n": "total N"}

_REPORTED = {
    "pH": "records.reported_ph",
    "dm": "records.reported_dm",
    "ammonia_n": "records.reported_ammonia",
}


def content(trial: Trial, sample: Entry, name: str, *, log: bool) -> dict[str, Any] | str:
    """Result of one sample in the unit used inside, or why there is none.

    Parameters
    ----------
    trial : Trial
    sample : mapping
        A row of samples, of silage.
    name : str
        Column of samples.csv.  DM is corrected for volatiles as trial.toml asks.
    log : bool
        Whether the response is modelled as a logarithm.

    Returns
    -------
    dict or str
        ``value below limit value_used``.
    """
    value = float(sample[name])
    limit = float(sample.get(f"{name}_below", np.nan))
    below = bool(np.isfinite(limit))
    if not below and not np.isfinite(value):
        what = _IN_WORDS.get(name, name.replace("_", " "))
        return say("left_out.not_determined", what=what)
    if name == "dm":
        corrected = dm_at_opening(trial, sample)
        if isinstance(corrected, str):
            return corrected
        value = corrected
    if not below and value <= 0 and log:
        return say("left_out.logarithm", limit="<limit")
    used = SUBSTITUTE * limit if below else value
    return {"value": value, "below": below, "limit": limit, "value_used": used}


def how_reported(name: str, label: str) -> str:
    """What the values of a response are, in a sentence."""
    own = _REPORTED.get(name)
    return say("records.reported", label=label) if own is None else say(own)
