"""Half the width of each interval: what a trial could not tell from no difference."""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.mixed.covariance import Floats

__all__ = ["half_widths"]


def half_widths(differences: Table, average: Table, growth: Table, response: Response) -> Table:
    """Half the width of each interval, a factor where bindings are compared by a ratio."""
    parts = []
    for name, table in (("at opening", differences), ("average", average), ("growth", growth)):
        if not len(table):
            continue
        frame = table.frame
        low, high = (frame[c].to_numpy(dtype=float) for c in ("conf_low", "conf_high"))
        half = _half_factor(low, high) if response.effect == "ratio" else (high - low) / 2
        parts.append(frame[["term"]].assign(contrast=frame.get("opening", name), half_width=half))
    ratio = response.effect == "ratio"
    note = say("compared.width_ratio" if ratio else "compared.width_difference")
    frame = pd.concat(parts, ignore_index=True)
    title = say("compared.widths", label=response.label)
    return Table(frame, title=title, notes=(note,))


def _half_factor(low: Floats, high: Floats) -> Floats:
    with np.errstate(divide="ignore"):  # infinite where an interval reaches from 0 to infinity
        half: Floats = np.exp((np.log(high) - np.log(low)) / 2)
    return half
