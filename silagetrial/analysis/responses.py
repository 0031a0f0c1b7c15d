"""From a trial to one value per bale and opening, and to the list of what is left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.massbalance import BaleLoss, bale_loss, dm_methods
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table

__all__ = ["BUTYRIC_ACID", "DM_LOSS", "Records", "Response", "records_of"]

Row: TypeAlias = dict[str, Any]

SUBSTITUTE = 0.5
"""A value below the limit counts as this share of the limit (until a model that knows limits)."""

MOST_BELOW = 0.5
"""An opening with a larger share below the limit, in any binding, is counted, not modelled."""


@dataclass(frozen=True)
class Response:
    """A response and the scale on which it is modelled and told.

    Attributes
    ----------
    name, label, unit : str
    scale : {"log", "identity"}
        Scale of the model.
    effect : {"ratio", "difference"}
        How two bindings are compared.
    """

    name: str
    label: str
    unit: str
    scale: Literal["log", "identity"]
    effect: Literal["ratio", "difference"]


BUTYRIC_ACID = Response("butyric_acid", "Butyric acid", "g/kg DM", "log", "ratio")
DM_LOSS = Response("dm_loss", "DM loss", "percentage points", "identity", "difference")

IDENTITY_COLUMNS = (
    "bale", "pair", "lot", "site", "field", "cut", "crop", "additive", "run", "order", "binding",
    "baler",
)  # fmt: skip


@dataclass(frozen=True)
class Records:
    """The values of one response.

    Attributes
    ----------
    response : Response
    rows : pandas.DataFrame
        One row a laboratory result: what the bale is, ``opening days planned_days late value
        below limit value_used y``; for DM loss also what it was computed from.
    left_out : Table
        ``bale binding opening what reason`` of every value that is not there or not used.
    counts : Table
        Openings reported as counts of values below the limit instead of being modelled.
    notes : tuple of str
        How values were made, in sentences.
    """

    response: Response
    rows: pd.DataFrame
    left_out: Table
    counts: Table
    notes: tuple[str, ...]


def records_of(trial: Trial, response: Response) -> Records:
    """Collect a response's values, one row a laboratory result of one bale.

    Parameters
    ----------
    trial : Trial
        Without errors.
    response : Response
        `BUTYRIC_ACID` or `DM_LOSS`.

    Returns
    -------
    Records
    """
    of_bale = trial.samples[trial.samples["kind"] != "day0"]
    rows, missing = [], []
    for _, bale in trial.bales.iterrows():
        for opening in _expected(trial, bale):
            here = of_bale[(of_bale["of"] == bale["bale"]) & (of_bale["opening"] == opening)]
            if not len(here):
                missing.append(_missing(trial, bale, opening))
            for _, sample in here.iterrows():
                found = _butyric(sample) if response is BUTYRIC_ACID else _loss(trial, bale, sample)
                if isinstance(found, str):
                    missing.append(_left_out(bale, opening, "no value", found))
                else:
                    rows.append({**_identity(trial, bale, sample), **found})
    return _as_records(trial, response, rows, missing)


def _as_records(trial: Trial, response: Response, rows: list[Row], missing: list[Row]) -> Records:
    frame = pd.DataFrame(rows, columns=None if rows else [*IDENTITY_COLUMNS, "opening", "value"])
    left = pd.DataFrame(missing, columns=["bale", "binding", "opening", "what", "reason"])
    counts = _counts(frame) if len(frame) else pd.DataFrame()
    if len(frame):
        frame = _averaged(frame)
        frame["y"] = np.log(frame["value_used"]) if response.scale == "log" else frame["value_used"]
    return Records(
        response,
        frame,
        Table(left, title=f"{response.label}: values left out, and why"),
        Table(counts, title=f"{response.label}: openings reported as counts"),
        _notes(trial, response, frame),
    )


def _expected(trial: Trial, bale: pd.Series[Any]) -> list[str]:
    """Openings at which a bale was to give a value."""
    if trial.settings.design == "separate":
        planned = bale["planned_opening"]
        return [planned] if isinstance(planned, str) else []
    return [opening.name for opening in trial.settings.openings]


def _identity(trial: Trial, bale: pd.Series[Any], sample: pd.Series[Any]) -> Row:
    """What a row is about: the bale, when it was sampled, where it was analysed."""
    plan = trial.settings.analysis
    names = dict.fromkeys([*IDENTITY_COLUMNS, *plan.factors, *plan.blocks])
    opening = trial.settings.opening(sample["opening"])
    made = bale["baled_at"] if pd.notna(bale["baled_at"]) else bale["film_wrapped_at"]
    return {
        **{name: bale[name] for name in names},
        "year": str(made.year) if pd.notna(made) else None,
        "laboratory": sample["laboratory"],
        "batch": sample["batch"],
        "sample": sample["sample"],
        "opening": sample["opening"],
        "days": float(sample["days"]),
        "planned_days": np.nan if opening is None else opening.days,
        "late": opening is not None and sample["days"] > opening.window[1],
    }


def _butyric(sample: pd.Series[Any]) -> Row | str:
    """Butyric acid of one sample, g/kg DM as the laboratory gave it, or why there is none."""
    value, limit = float(sample["butyric_acid"]), float(sample["butyric_acid_below"])
    below = bool(np.isfinite(limit))
    if not below and not np.isfinite(value):
        return "butyric acid not determined"
    if not below and value <= 0:
        return "a value of zero has no logarithm; write the laboratory's limit as <limit"
    used = SUBSTITUTE * limit if below else value
    return {"value": value, "below": below, "limit": limit, "value_used": used}


def _loss(trial: Trial, bale: pd.Series[Any], sample: pd.Series[Any]) -> Row | str:
    """DM loss of one bale at one opening in percentage points, or why there is none."""
    found: BaleLoss | str = bale_loss(trial, bale, sample)
    if isinstance(found, str):
        return found
    return {
        "value": 100.0 * found.loss,
        "below": False,
        "limit": np.nan,
        "value_used": 100.0 * found.loss,
        "uncorrected": 100.0 * found.uncorrected,
        "measurement_se": 100.0 * found.std_error,
        **{name: getattr(found, name) for name in ("m0", "d0", "m1", "d1", "d1_oven", "day0_of")},
    }


def _left_out(bale: pd.Series[Any], opening: str, what: str, reason: str) -> Row:
    return {
        "bale": bale["bale"], "binding": bale["binding"], "opening": opening,
        "what": what, "reason": reason,
    }  # fmt: skip


def _missing(trial: Trial, bale: pd.Series[Any], opening: str) -> Row:
    """Why a bale has no sample at an opening, as far as the events tell."""
    events = trial.events[trial.events["bale"] == bale["bale"]].sort_values("at")
    planned = trial.settings.opening(opening)
    lost = events[events["what"] == "lost"]
    if planned is not None:
        lost = lost[_stored(lost, bale) <= planned.window[1]]
    if len(lost):
        last = lost.iloc[-1]
        cause = last["cause"] if isinstance(last["cause"], str) else "cause not recorded"
        return _left_out(bale, opening, "bale lost", f"{cause} ({last['at']:%Y-%m-%d})")
    noted = ""
    if planned is not None and len(events):
        stored = _stored(events, bale)
        near = events[(stored >= planned.window[0]) & events["note"].notna()]
        near = near[(stored[near.index] <= planned.window[1]) & (near["what"] == "inspected")]
        noted = "; ".join(near["note"])
    return _left_out(bale, opening, "no sample", noted or "no laboratory result")


def _stored(events: pd.DataFrame, bale: pd.Series[Any]) -> pd.Series[float]:
    """Days in storage at each event of a bale."""
    stored: pd.Series[float] = (events["at"] - bale["film_wrapped_at"]).dt.total_seconds() / 86400
    return stored


def _averaged(frame: pd.DataFrame) -> pd.DataFrame:
    """Average repeat results of a bale and opening on their own scale, when all have as many."""
    counts = frame.groupby(["bale", "opening"])["sample"].transform("size")
    if counts.max() == 1 or counts.nunique() > 1:
        return frame
    means = ["value", "value_used", *(c for c in ("uncorrected",) if c in frame)]
    grouped = frame.groupby(["bale", "opening"], sort=False)
    first = grouped.head(1).reset_index(drop=True)
    average = grouped[means].mean().reset_index(drop=True)
    first[means] = average
    first["below"] = grouped["below"].any().to_numpy()
    return first


def _counts(frame: pd.DataFrame) -> pd.DataFrame:
    """Values below the limit by opening and binding, of openings that are not modelled."""
    columns = ["opening", "binding", "results", "below_limit"]
    cells = frame.groupby(["opening", "binding"], sort=False)["below"].agg(["size", "sum"])
    cells = cells.reset_index().set_axis(columns, axis=1)
    share = cells["below_limit"] / cells["results"]
    out = set(cells.loc[share > MOST_BELOW, "opening"])
    return cells[cells["opening"].isin(out)].reset_index(drop=True)


def _notes(trial: Trial, response: Response, frame: pd.DataFrame) -> tuple[str, ...]:
    if not len(frame):
        return ()
    if response is DM_LOSS:
        return dm_methods(trial, frame)
    below = int(frame["below"].sum())
    notes = ["Butyric acid as the laboratory reported it, per kg of the DM it determined."]
    if below:
        limits = sorted(set(frame.loc[frame["below"], "limit"]))
        shown = ", ".join(f"{limit:g}" for limit in limits)
        notes.append(
            f"{below} of {len(frame)} results are below the laboratory's limit ({shown} g/kg DM); "
            "each counts as half the limit, which can shrink or stretch a difference."
        )
    return tuple(notes)
