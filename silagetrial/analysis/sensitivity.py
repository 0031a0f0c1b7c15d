"""Would another covariance structure say otherwise? Alternatives beside the model reported.

The structure comes from the design and the plan, never from the data: these rows are for
looking, not for choosing.  Each gives the main contrast with its standard error and the REML
AIC, which compares rows with the same fixed part only.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import Comparison
from silagetrial.analysis.model import ModelChoice
from silagetrial.data.settings import Settings
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import SilageTrialError
from silagetrial.mixed import Fit, Functions, contrasts, fit_mixed

__all__ = [
    "Structure",
    "main_contrast",
    "planned_structure",
    "reml_aic",
    "sensitivity",
    "structures",
]


@dataclass(frozen=True)
class Structure:
    """A covariance structure, in words and as options of `fit_mixed`.

    Attributes
    ----------
    name : str
    without : str
        A random term left out of the model's, because the structure takes its place.
    options : mapping
        ``bound``, ``residual_by``, ``serial``, ``measurement_error``.
    """

    name: str
    without: str = ""
    options: Mapping[str, Any] = field(default_factory=dict)


def planned_structure(settings: Settings) -> Mapping[str, Any]:
    """Return the structure that trial.toml plans, as options of `fit_mixed`."""
    plan = settings.analysis
    options: dict[str, Any] = {}
    if plan.residual_by is not None:
        options["residual_by"] = plan.residual_by
    if plan.serial:
        options["serial"] = {"bale": "days"}
        options["measurement_error"] = plan.measurement_error
    return options


def structures(rows: pd.DataFrame, choice: ModelChoice, *, recored: bool) -> tuple[Structure, ...]:
    """List the structures that a design can be asked about.

    Parameters
    ----------
    rows : pandas.DataFrame
        Records modelled.
    choice : ModelChoice
    recored : bool
        Whether bales were cored at several openings, so that serial correlation can exist.
    """
    several = len(choice.levels["opening"]) > 1
    found = [Structure(say("beside.one_variance"))]
    if several:
        found.append(Structure(say("beside.by_opening"), options={"residual_by": "opening"}))
    found.append(Structure(say("beside.by_binding"), options={"residual_by": "binding"}))
    if several:
        both = {"residual_by": "binding:opening"}
        found.append(Structure(say("beside.by_both"), options=both))
    if recored and several and rows.groupby("bale").size().max() > 2:
        serial = {"serial": {"bale": "days"}}
        found += [
            Structure(say("beside.serial_beside"), options=serial),
            Structure(say("beside.serial_instead"), "bale", serial),
            Structure(
                say("beside.serial_error"),
                "bale",
                {**serial, "measurement_error": True},
            ),
        ]
    found.append(Structure(say("beside.at_zero"), options={"bound": "zero"}))
    return tuple(found)


def main_contrast(wanted: Comparison, settings: Settings) -> Functions:
    """Return the comparison of the plan, or the first binding's at the last opening."""
    labels = wanted.differences.labels
    opening = settings.analysis.opening
    if opening not in set(labels["opening"]):
        days = {each.name: each.days for each in settings.openings}
        opening = max(labels["opening"], key=lambda name: days[name])
    here = (labels["opening"] == opening).to_numpy()
    named = here & (labels["term"] == " - ".join(settings.analysis.contrast)).to_numpy()
    keep = named if named.any() else here
    first = np.zeros(len(labels), dtype=bool)
    first[np.flatnonzero(keep)[0]] = True
    return wanted.differences.where(first)


def reml_aic(fit: Fit) -> float:
    """``-2 l_R + 2 x`` number of covariance parameters; for fits with the same X only."""
    return -2.0 * fit.loglik + 2.0 * len(fit.theta)


def sensitivity(
    rows: pd.DataFrame,
    choice: ModelChoice,
    settings: Settings,
    contrast: Functions,
    *,
    level: float,
) -> Table:
    """Fit each structure and set the main contrast of all of them below each other.

    Parameters
    ----------
    rows : pandas.DataFrame
        Records modelled, with ``y``.
    choice : ModelChoice
    settings : Settings
    contrast : Functions
        One function, from `main_contrast`.
    level : float
        Confidence level.

    Returns
    -------
    Table
        ``structure`` and the one vocabulary, on the model's scale, ``aic`` and ``remark``; a
        structure that the data cannot tell says why.
    """
    out = []
    planned = planned_structure(settings)
    listed = structures(rows, choice, recored=settings.design == "recored")
    others = [s for s in listed if s.without or dict(s.options) != dict(planned)]
    for structure in (Structure(say("beside.as_reported"), options=planned), *others):
        random = [term for term in choice.random if term != structure.without]
        try:
            fit = fit_mixed(
                rows, choice.formula, random=random, levels=choice.levels, **structure.options
            )
            row = contrasts(fit, contrast, level=level).frame.iloc[0].to_dict()
            out.append({"structure": structure.name, **row, "aic": reml_aic(fit), "remark": ""})
        except SilageTrialError as refusal:
            labels = contrast.labels.iloc[0].to_dict()
            out.append({"structure": structure.name, **labels, "remark": refusal.found})
    notes = (say("beside.structures_note"), say("beside.aic"))
    return Table(pd.DataFrame(out), title=say("beside.structures_alone"), notes=notes)
