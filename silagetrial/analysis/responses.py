"""From a trial to one value per bale and opening, and to the list of what is left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis.contents import content, how_reported
from silagetrial.analysis.massbalance import BaleLoss, bale_loss, dm_methods
from silagetrial.analysis.split_pairs import SPLIT, without_split_pairs
from silagetrial.data.schema import SPARE
from silagetrial.data.stretches import with_runs
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table

__all__ = ["BUTYRIC_ACID", "DM_LOSS", "Records", "Response", "records_of"]

Row: TypeAlias = dict[str, Any]

MOST_BELOW = 0.5
"""An opening with a larger share below the limit, in any binding, is counted, not modelled."""


@dataclass(frozen=True)
class Response:
    """A response and the scale on which it is modelled and told.

    Attributes
    ----------
    name, label : str
    unit : str
        Of differences, and of levels where the two are told alike.
    scale : {"log", "identity"}
        Scale of the model.
    effect : {"ratio", "difference"}
        How two bindings are compared.
    level_unit : str
        Unit of one value, of a mean or a median.
    needs : str
        What a value is made of: what is missing where there is none.
    at_day0 : {"unknown", "zero", "measured"}
        What a curve over storage starts from: nothing that is known, 0, or the crop's own value,
        the same for all bindings.
    """

    name: str
    label: str
    unit: str
    scale: Literal["log", "identity"]
    effect: Literal["ratio", "difference"]
    level_unit: str
    needs: str
    at_day0: Literal["unknown", "zero", "measured"] = "unknown"

    @property
    def in_sentence(self) -> str:
        """The label as it stands inside a sentence: letters in capitals keep them."""
        return (
            self.label
            if self.label.split()[0].isupper()
            else self.label[0].lower() + self.label[1:]
        )

    @property
    def with_unit(self) -> str:
        """What an axis of its values is called."""
        return f"{self.label}, {self.level_unit}"


BUTYRIC_ACID = Response(
    "butyric_acid", "Butyric acid", "g/kg DM", "log", "ratio", "g/kg DM",
    "laboratory results of single bales at the planned openings",
)  # fmt: skip
DM_LOSS = Response(
    "dm_loss", "DM loss", "percentage points", "identity", "difference", "% of the DM ensiled",
    "laboratory results of single bales at the planned openings, with DM and the acids its "
    "correction asks for, a day-0 sample of the crop, and each bale's weighings at wrapping and "
    "at its opening",
    "zero",
)  # fmt: skip

IDENTITY_COLUMNS = (
    "bale", "pair", "lot", "site", "field", "cut", "crop", "additive", "run", "order", "binding",
    "baler",
)  # fmt: skip


_KINDS = {
    **dict.fromkeys(("year", "laboratory", "batch", "sample", "opening"), "object"),
    **dict.fromkeys(("days", "planned_days", "value", "limit", "value_used", "y"), "float64"),
    **dict.fromkeys(("late", "below"), "bool"),
}
_LOSS_KINDS = {
    **dict.fromkeys(
        ("uncorrected", "measurement_se", "m0", "d0", "m1", "d1", "d1_oven"), "float64"
    ),
    "day0_of": "object",
}
"""Columns of the rows besides what a bale is, for a response without a single value."""


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

    @property
    def reasons(self) -> dict[str, int]:
        """How often each reason left a value out: the event, or why a sample gave none."""
        frame = self.left_out.frame
        why = frame["what"].where(frame["what"] != "no value", frame["reason"])
        return {str(reason): int(n) for reason, n in why.value_counts(sort=False).items()}


def records_of(trial: Trial, response: Response) -> Records:
    """Collect a response's values, one row a laboratory result of one bale.

    Parameters
    ----------
    trial : Trial
        Without errors.
    response : Response

    Returns
    -------
    Records
    """
    of_bale = trial.samples[trial.samples["kind"] != "day0"]
    rows, missing = [], []
    for _, bale in with_runs(trial.bales).iterrows():
        for opening in _expected(trial, bale):
            here = of_bale[(of_bale["of"] == bale["bale"]) & (of_bale["opening"] == opening)]
            if not len(here):
                missing.append(_missing(trial, bale, opening))
            for _, sample in here.iterrows():
                found = _value(trial, response, bale, sample)
                if isinstance(found, str):
                    missing.append(_left_out(bale, opening, "no value", found))
                else:
                    rows.append({**_identity(trial, bale, sample), **found})
    rows, split = without_split_pairs(rows)
    missing += [
        _left_out(row, row["opening"], "no value", f"sample {row['sample']}: {SPLIT}")
        for row in split
    ]
    return _as_records(trial, response, rows, missing)


def _as_records(trial: Trial, response: Response, rows: list[Row], missing: list[Row]) -> Records:
    frame = pd.DataFrame(rows) if rows else _no_rows(trial, response)
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
        _notes(trial, response, frame, counted=list(dict.fromkeys(counts.get("opening", [])))),
    )


def _no_rows(trial: Trial, response: Response) -> pd.DataFrame:
    """Rows of a response without a value: every column, of its kind."""
    plan = trial.settings.analysis
    bale = dict.fromkeys([*IDENTITY_COLUMNS, *plan.factors, *plan.blocks], "object")
    kinds = {**bale, **_KINDS, **(_LOSS_KINDS if response is DM_LOSS else {})}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _expected(trial: Trial, bale: pd.Series[Any]) -> list[str]:
    """Openings at which a bale was to give a value; a spare one stands in at none."""
    if bale["planned_opening"] == SPARE:
        return []
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


def _value(
    trial: Trial, response: Response, bale: pd.Series[Any], sample: pd.Series[Any]
) -> Row | str:
    if response is DM_LOSS:
        return _loss(trial, bale, sample)
    return content(trial, sample, response.name, log=response.scale == "log")


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


def _left_out(bale: pd.Series[Any] | Row, opening: str, what: str, reason: str) -> Row:
    return {
        "bale": bale["bale"], "binding": bale["binding"], "opening": opening,
        "what": what, "reason": reason,
    }  # fmt: skip


def _missing(trial: Trial, bale: pd.Series[Any], opening: str) -> Row:
    """Why a bale has no sample at an opening, as far as the events tell."""
    due = trial.due.frame
    mine = due[(due["table"] == "samples") & (due["bale"] == bale["bale"])]
    if (mine["opening"] == opening).any():
        return _left_out(bale, opening, "no sample", "planned, not taken yet")
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


def _notes(
    trial: Trial, response: Response, frame: pd.DataFrame, *, counted: list[str]
) -> tuple[str, ...]:
    if not len(frame):
        return ()
    if response is DM_LOSS:
        return dm_methods(trial, frame)
    notes = [how_reported(response.name, response.label)]
    if frame["below"].any():
        notes.append(_below_note(frame, counted, response.level_unit))
    return tuple(notes)


def _below_note(frame: pd.DataFrame, counted: list[str], unit: str) -> str:
    """What became of the values below the limit: some are counted, the others substituted."""
    below = frame[frame["below"]]
    shown = ", ".join(f"{limit:g}" for limit in sorted(set(below["limit"])))
    found = (
        f"{len(below)} of {len(frame)} results are below the laboratory's limit ({shown} {unit})"
    )
    aside = int(below["opening"].isin(counted).sum())
    rest = len(below) - aside
    half = "half the limit, which can shrink or stretch a difference."
    if not aside:
        return f"{found}; each counts as {half}"
    what = f"{found}: {aside} of them at {', '.join(counted)}, reported as counts and not modelled"
    if not rest:
        return f"{what}."
    return (
        f"{what}; {'the other one' if rest == 1 else f'each of the other {rest}'} counts as {half}"
    )
