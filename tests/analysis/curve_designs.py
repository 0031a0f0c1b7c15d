"""A planned curve over made data, without a trial folder."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
from analysis_designs import replace_text
from builders import make_trial, read_cells, write_cells

from silagetrial.analysis.catalogue import response_of
from silagetrial.analysis.curve_model import CurveModel, fit_curve, fixed_part, with_extra
from silagetrial.analysis.curves import Curve
from silagetrial.analysis.growth import BindingCurves, binding_curves
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS, Response

REFERENCE = Path(__file__).parents[1] / "reference"
LEVELS = {"binding": ("net", "film")}
OPENINGS = np.array([20.0, 60.0, 120.0, 180.0, 240.0])
PH = response_of("pH")


@cache
def reference() -> dict:
    """R's values; see tests/reference/make_curves.R for the script and versions."""
    return json.loads((REFERENCE / "curves.json").read_text(encoding="utf-8"))


@cache
def made_curve() -> pd.DataFrame:
    """Ten pairs cored at uneven days, and one crop sample a pair."""
    frame = pd.read_csv(REFERENCE / "data" / "made_curve.csv")
    return frame.assign(pair=frame["pair"].astype(str), planned_days=frame["opening"].astype(float))


def model_of(
    curve: Curve,
    response: Response = BUTYRIC_ACID,
    *,
    y: str = "y",
    random: tuple = ("pair", "bale"),
    rows: pd.DataFrame | None = None,
) -> CurveModel:
    """Lay out a curve over `made_curve` as `curve_model` does over a trial."""
    rows = made_curve() if rows is None else rows
    if response.at_day0 != "measured":
        rows = rows[rows["days"] > 0]
    rows = rows.assign(y=rows[y], stored=(rows["days"] > 0).astype(float)).reset_index(drop=True)
    basis = curve.basis(rows["days"].to_numpy(dtype=float))
    rows = rows.assign(**{name: basis[:, k] for k, name in enumerate(curve.columns)})
    rows = rows.assign(slope=rows["days"] / 30.0)
    rows, names = with_extra(rows, curve, intercept=response.at_day0 == "unknown")
    fixed = fixed_part(["binding", "opening", "binding:opening"], curve, response)
    return CurveModel(curve, response, rows, fixed, random, None, LEVELS, names, ())


def curves_of(model: CurveModel) -> BindingCurves:
    return binding_curves(model, fit_curve(model))


def planned(folder: Path, lines: str, **trial: object) -> Path:
    options = {
        "sites": 1,
        "pairs": 5,
        "limit": 0.01,
        "openings": (30, 90, 180, 240),
        "design": "recored",
    }
    make_trial(folder, **{**options, **trial})
    replace_text(folder, "seed =", f"{lines}\nseed =")
    with_cores(folder)
    return folder


def with_cores(folder: Path) -> None:
    rows = read_cells(folder / "samples.csv")
    write_cells(folder / "samples.csv", [
        {**row, "fresh_kg": "0.5" if row["kind"] == "core" else ""} for row in rows
    ])  # fmt: skip


__all__ = ["BUTYRIC_ACID", "DM_LOSS", "LEVELS", "OPENINGS", "PH", "curves_of", "made_curve",
           "model_of", "planned", "reference"]  # fmt: skip
