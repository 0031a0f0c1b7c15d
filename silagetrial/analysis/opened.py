"""What was seen beside the laboratory: mould, hours at the air, temperatures, counted by binding.

These are counts and averages of bales, without a model and without a test.

References
----------
Kaplan, E. L. & Meier, P. (1958). Nonparametric estimation from incomplete observations. Journal of
the American Statistical Association 53, 457-481.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from statsmodels.duration.survfunc import SurvfuncRight

from silagetrial.data.schema_opened import WARM
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.mixed.covariance import Floats

__all__ = ["hours_at_air", "mould_seen", "temperatures_read"]


def mould_seen(trial: Trial) -> Table:
    """Return the bales looked at for mould, by opening and binding.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    Table
        ``opening binding bales with_mould surface_share discarded_kg``: bales looked at; those
        with mould on any surface, or forage thrown away; mean share of the surface, %, of a bale
        looked at in several zones their mean; mean forage thrown away, kg fresh, of a bale the
        sum of its zones. Empty where nobody looked.
    """
    rows = []
    for opening, binding, seen in _cells(trial, trial.mould):
        bales = seen.groupby("bale")
        share = bales["surface_share"].mean()
        thrown = bales["discarded_kg"].sum(min_count=1)
        moulded = int(((share > 0) | (thrown > 0)).sum())
        rows.append((opening, binding, len(bales), moulded, share.mean(), thrown.mean()))
    columns = ["opening", "binding", "bales", "with_mould", "surface_share", "discarded_kg"]
    return Table(pd.DataFrame(rows, columns=columns))


def hours_at_air(trial: Trial) -> Table:
    """Return the hours until silage warmed at the air, by opening and binding.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    Table
        ``opening binding tests stopped median_hours``: tests; those that ended before the silage
        warmed; the median by Kaplan and Meier's product limit, which takes them as kept for longer
        than they were watched. Missing where fewer than half warmed. Empty without a test.
    """
    rows = []
    for opening, binding, tests in _cells(trial, trial.aerobic.dropna(subset="hours")):
        warm = (tests["ended"] == WARM).to_numpy()
        median = _median(tests["hours"].to_numpy(), warm)
        rows.append((opening, binding, len(tests), int((~warm).sum()), median))
    columns = ["opening", "binding", "tests", "stopped", "median_hours"]
    return Table(pd.DataFrame(rows, columns=columns))


def _median(hours: Floats, warm: NDArray[np.bool_]) -> float:
    """Median of the product limit; NaN where fewer than half warmed.

    Where exactly half are left over an interval, its middle: the median of a sample of even size.
    """
    if not warm.any():
        return float("nan")
    kept = SurvfuncRight(hours, warm.astype(int))
    times, left = np.asarray(kept.surv_times), np.asarray(kept.surv_prob)
    half = np.flatnonzero(np.isclose(left, 0.5, rtol=0, atol=1e-9))
    if not len(half):
        return float(kept.quantile(0.5))
    at = half[0]
    after = times[at + 1 :][np.diff(left[at:]) < -1e-9]
    return float((times[at] + after[0]) / 2) if len(after) else float(times[at])


def temperatures_read(trial: Trial) -> Table:
    """Return the temperatures read in bales and around them.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    Table
        ``where bales readings mean highest``, degrees Celsius; a row a binding, and one for the
        air. Empty without a reading.
    """
    air = say("beside.air")
    read = trial.temperatures.dropna(subset="temperature")
    where = read["bale"].map(_bindings(trial)).where(read["bale"].notna(), air)
    rows = []
    for name in (*trial.settings.compare, air):
        mine = read[where == name]
        if len(mine):
            degrees = mine["temperature"]
            rows.append((name, mine["bale"].nunique(), len(mine), degrees.mean(), degrees.max()))
    return Table(pd.DataFrame(rows, columns=["where", "bales", "readings", "mean", "highest"]))


def _cells(trial: Trial, table: pd.DataFrame) -> Iterator[tuple[str, str, pd.DataFrame]]:
    """Yield opening, binding and their rows inside the window, as the settings order them."""
    binding = table["bale"].map(_bindings(trial))
    for opening in trial.settings.openings:
        for name in trial.settings.compare:
            here = (table["opening"] == opening.name) & table["in_window"]
            mine = table[here & (binding == name)]
            if len(mine):
                yield opening.name, name, mine


def _bindings(trial: Trial) -> dict[str, str]:
    return dict(zip(trial.bales["bale"], trial.bales["binding"], strict=True))
