"""The primary contrast by bootstrap-t beside its Kenward-Roger interval, where it is planned."""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.data.settings import AnalysisPlan
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, Functions, bootstrap, contrasts

__all__ = ["bootstrapped"]

_LIMITS = ["estimate", "conf_low", "conf_high"]


def bootstrapped(fit: Fit, contrast: Functions, response: Response, plan: AnalysisPlan) -> Table:
    """Set the two intervals of one contrast below each other, on the reader's scale.

    Parameters
    ----------
    fit : Fit
    contrast : Functions
        One function, from `main_contrast`.
    response : Response
    plan : AnalysisPlan
        With the number of data sets drawn and the seed.

    Returns
    -------
    Table
        ``method`` and the one vocabulary, for the bootstrap ``conf_low_mc_error
        conf_high_mc_error p_value_mc_error draws failed``; its ``remark`` says why there is none.
        `std_error`, `df` and `statistic` are of the model's scale.
    """
    level = 1.0 - plan.alpha
    rows = [contrasts(fit, contrast, level=level).frame.assign(method="Kenward-Roger t")]
    notes: tuple[str, ...] = ()
    try:
        found = bootstrap(fit, contrast, seed=plan.seed, draws=plan.bootstrap, level=level)
    except NoAnswer as refusal:
        rows.append(contrast.labels.assign(method="bootstrap-t", remark=refusal.found))
    else:
        rows.append(
            found.table.frame.assign(
                method="bootstrap-t",
                draws=plan.bootstrap - found.failed,
                failed=found.failed,
                remark="",
            )
        )
        notes = found.table.notes
    frame = pd.concat(rows, ignore_index=True)
    if response.scale == "log":
        frame[_LIMITS] = np.exp(frame[_LIMITS])
        for end in ("conf_low", "conf_high"):
            if f"{end}_mc_error" in frame:
                frame[f"{end}_mc_error"] *= frame[end]
    frame["unit"] = "" if response.scale == "log" else response.unit
    frame["scale"] = response.effect
    title = say("beside.bootstrap", label=response.label)
    return Table(frame, title=title, notes=notes)
