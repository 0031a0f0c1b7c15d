"""The crop at baling (day 0): what is known of each pair before the binding acts.

Bindings are equal then.  A response that the crop has enters a curve as one row a pair, with the
pair's effect and without effects of bales, runs or bindings; crop DM and water-soluble
carbohydrates can be covariates.
"""

from __future__ import annotations

from typing import Literal, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.analysis.units import kind_of
from silagetrial.data.draft import is_given
from silagetrial.data.settings import COVARIATES
from silagetrial.data.trial import Trial
from silagetrial.errors import UsageError

__all__ = ["baseline_rows", "covariate_columns", "crop_values"]

Level: TypeAlias = Literal["pair", "bale", "lot"]


def crop_values(trial: Trial, column: str) -> pd.DataFrame:
    """Mean result of the crop at day 0 for each pair, else bale, else lot that was sampled.

    Parameters
    ----------
    trial : Trial
    column : str
        Column of samples.csv.

    Returns
    -------
    pandas.DataFrame
        ``level name value laboratory batch``.  Samples of a pair's bales are averaged: before
        the binding acts they are samples of the pair.
    """
    crop = trial.samples[(trial.samples["kind"] == "day0") & trial.samples[column].notna()]
    paired = trial.bales.dropna(subset="pair")
    pairs = dict(zip(paired["bale"].astype(str), paired["pair"].astype(str), strict=True))
    found: dict[tuple[str, str], list[int]] = {}
    for place, of in enumerate(crop["of"]):
        found.setdefault(_unit(trial, pairs, str(of)), []).append(place)
    rows = [
        (level, name, float(crop[column].iloc[places].mean()),
         crop["laboratory"].iloc[places[0]], crop["batch"].iloc[places[0]])
        for (level, name), places in found.items()
    ]  # fmt: skip
    return pd.DataFrame(rows, columns=["level", "name", "value", "laboratory", "batch"])


def _with_composites(values: pd.DataFrame, rows: pd.DataFrame, trial: Trial) -> pd.DataFrame:
    """Add what is known of the crop of units of several bales, under the name of their pairs.

    It is the mean over their bales of what is known of each, of its pair or itself.
    """
    if kind_of(rows).size == 1:
        return values
    paired = trial.bales.dropna(subset="pair").set_index("bale")["pair"]
    known = {
        (level, name): value
        for level, name, value in zip(values["level"], values["name"], values["value"], strict=True)
    }
    added = {}
    for row in rows.to_dict("records"):
        own = [
            known.get(("pair", paired.get(bale)), known.get(("bale", bale)))
            for bale in row["members"]
        ]
        sure = [value for value in own if value is not None]
        if len(sure) == len(own):
            name = row["pair"] if is_given(row["pair"]) else row["bale"]
            added[name] = ("pair", name, float(np.mean(sure)), None, None)
    pooled = pd.DataFrame(list(added.values()), columns=values.columns)
    return pd.concat([values, pooled], ignore_index=True)


def _unit(trial: Trial, pairs: dict[str, str], of: str) -> tuple[Level, str]:
    if of in pairs:
        return "pair", pairs[of]
    if (trial.bales["pair"] == of).any():
        return "pair", of
    return ("bale" if (trial.bales["bale"] == of).any() else "lot"), of


def covariate_columns(trial: Trial, rows: pd.DataFrame) -> pd.DataFrame:
    """Give every row the covariates that trial.toml plans, centred; missing where not known.

    Parameters
    ----------
    rows : pandas.DataFrame
        Rows of a model, with ``bale pair lot``.

    Returns
    -------
    pandas.DataFrame
        `rows` with one more numeric column a covariate, whose mean over the rows is 0.
    """
    added = {}
    for name in trial.settings.analysis.covariates:
        values = _with_composites(crop_values(trial, COVARIATES[name]), rows, trial)
        of_row = pd.Series(np.nan, index=rows.index)
        for level in ("lot", "bale", "pair"):
            known = values[values["level"] == level].set_index("name")["value"]
            of_row = rows[level].map(known).astype(float).fillna(of_row)
        added[name] = of_row - of_row.mean()
    return rows.assign(**added)


def baseline_rows(
    trial: Trial, response: Response, rows: pd.DataFrame, *, keep: tuple[str, ...] = ()
) -> pd.DataFrame:
    """Rows of the crop at day 0, one for each pair (or bale, or lot) that has rows of silage.

    Parameters
    ----------
    trial : Trial
    response : Response
        One that the crop has.
    rows : pandas.DataFrame
        Rows of silage, from `completed`.
    keep : tuple of str
        Columns that are fixed terms: a day-0 row takes the level of its pair's first row of
        silage, even where the crop was analysed elsewhere.

    Raises
    ------
    UsageError
        For a response that is not measured in the crop, such as butyric acid.
    """
    if response.at_day0 != "measured":
        raise UsageError(
            found=f"{response.label} as a response that is known at day 0",
            expected="a response measured in the crop, such as pH, DM or water-soluble "
            "carbohydrates",
            remedy="leave day 0 out: butyric acid of the crop is mostly below the laboratory's "
            "limit or not ordered, and DM loss is 0 there by definition",
        )
    made = []
    values = _with_composites(crop_values(trial, response.name), rows, trial)
    for _, crop in values.iterrows():
        of_unit = rows[rows[crop["level"]] == crop["name"]]
        if not len(of_unit) or (response.scale == "log" and crop["value"] <= 0):
            continue
        row = of_unit.iloc[0].to_dict()
        # It keeps that row's bale: the bale's effect is multiplied by 0 here, and a level of its
        # own without any row of silage would leave a negative variance no place to be.
        row.update(days=0.0, planned_days=0.0, value=crop["value"])
        row["y"] = np.log(crop["value"]) if response.scale == "log" else crop["value"]
        if crop["level"] == "lot":
            # A sample of the lot is no nearer to one of its pairs.
            row["pair"] = f"lot {crop['name']} at baling"
        for column in {"laboratory", "batch"} - set(keep):
            row[column] = crop[column] if isinstance(crop[column], str) else f"{column} at baling"
        made.append(row)
    return pd.DataFrame(made, columns=rows.columns)
