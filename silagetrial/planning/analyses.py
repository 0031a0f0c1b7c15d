"""The laboratory analyses a plan asks for."""

from __future__ import annotations

from typing import Final

import pandas as pd

from silagetrial.analysis.catalogue import responses_of
from silagetrial.analysis.dm_opening import FATTY_ACIDS, NEEDED
from silagetrial.data.schema import ANALYTES, TABLES
from silagetrial.data.settings import COVARIATES, Settings
from silagetrial.data.units import inside_unit
from silagetrial.display.table import Table

__all__ = ["analyses_wanted"]

_CROP_ALWAYS: Final = ("dm",)
"""Analyses of the crop at baling: DM loss needs its dry matter."""


def analyses_wanted(settings: Settings, *, crop: bool) -> Table:
    """Return the analyses ordered and the unit each is reported in.

    Parameters
    ----------
    settings : Settings
        What is declared under ``[units]`` is wanted, and whatever the planned responses and the
        correction of dry matter need.
    crop : bool
        Of the crop at baling: dry matter, and what responses and covariates need of it.

    Returns
    -------
    Table
        ``analysis column unit``.
    """
    wanted = _of_crop(settings) if crop else _of_silage(settings)
    meaning = {column.name: column.description for column in TABLES["samples"]}
    order = ("dm", "pH", *ANALYTES)
    rows = [(meaning[n], n, _unit(n, settings)) for n in order if n in wanted]
    title = f"Analyses of the {'crop' if crop else 'silage'}"
    return Table(pd.DataFrame(rows, columns=["analysis", "column", "unit"]), title=title)


def _unit(name: str, settings: Settings) -> str:
    return "" if name == "pH" else settings.units.get(name, inside_unit(name))


def _of_silage(settings: Settings) -> set[str]:
    responses = {response.name for response in responses_of(settings)} - {"dm_loss"}
    wanted = {"dm", "pH", *responses, *settings.units}
    if settings.dm_correction.form == "full":
        wanted |= {*FATTY_ACIDS, *NEEDED, "ethanol", "propanediol"}
    return wanted


def _of_crop(settings: Settings) -> set[str]:
    measured = {r.name for r in responses_of(settings) if r.at_day0 == "measured"}
    covariates = {COVARIATES[name] for name in settings.analysis.covariates}
    return {*_CROP_ALWAYS, *measured, *covariates}
