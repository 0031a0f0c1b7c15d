"""From a trial to one value per unit and opening, and to the list of what is left out and why."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.analysis.contents import how_reported
from silagetrial.analysis.dm_opening import dm_methods
from silagetrial.analysis.left_out import COLUMNS, kind_said
from silagetrial.analysis.repeats import averaged
from silagetrial.analysis.responses import DM_LOSS, Response
from silagetrial.analysis.units import IDENTITY_COLUMNS, UnitKind
from silagetrial.analysis.values import Values, values_of
from silagetrial.data.trial import Trial
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import joined
from silagetrial.display.table import Table

__all__ = ["Records", "records_of"]

MOST_BELOW = 0.5
"""An opening with a larger share below the limit, in any binding, is counted, not modelled."""

_KINDS: Final = {
    **dict.fromkeys(
        ("year", "members", "unit", "laboratory", "batch", "sample", "opening"), "object"
    ),
    **dict.fromkeys(
        ("days", "calendar_days", "planned_days", "value", "limit", "value_used", "y"), "float64"
    ),
    **dict.fromkeys(("below", "inside"), "bool"),
}
_LOSS_KINDS: Final = {
    **dict.fromkeys(
        ("uncorrected", "measurement_se", "m0", "d0", "m1", "d1", "d1_oven"), "float64"
    ),
    "from_own": "bool",
    "day0_of": "object",
}
"""Columns of the rows besides what a bale is, for a response without a single value."""


@dataclass(frozen=True)
class Records:
    """The values of one response.

    Attributes
    ----------
    response : Response
    unit : UnitKind
        What a value is of: a bale, or several bales as one.
    rows : pandas.DataFrame
        One row a laboratory result measured inside the window of its opening: what the bale is,
        ``opening days calendar_days planned_days value below limit value_used y``; for DM loss
        also what it was computed from. Of several bales, ``bale`` names the unit, ``pair`` the set
        of their pairs, and ``members`` the bales.
    outside : pandas.DataFrame
        The same of results measured outside the window: for a curve over storage only.
    left_out : Table
        ``bale binding opening what reason`` of every value that is not there or not used.
    counts : Table
        Openings reported as counts of values below the limit instead of being modelled.
    notes : tuple of str
        How values were made, in sentences.
    """

    response: Response
    unit: UnitKind
    rows: pd.DataFrame
    outside: pd.DataFrame
    left_out: Table
    counts: Table
    notes: tuple[str, ...]

    @property
    def reasons(self) -> dict[str, int]:
        """How often each reason left a value out: the event, or why a sample gave none."""
        frame = self.left_out.frame
        kinds = frame["what"].map(kind_said)
        why = kinds.where(frame["what"] != "no value", frame["reason"])
        return {str(reason): int(n) for reason, n in why.value_counts(sort=False).items()}

    @property
    def modelled(self) -> pd.DataFrame:
        """Rows of the openings that are modelled, not counted."""
        return self.rows[~self.rows["opening"].isin(self._counted)]

    @property
    def over_storage(self) -> pd.DataFrame:
        """Rows that a curve over storage takes: those modelled, and those outside a window.

        The latter belong to no opening: they are called ``before`` or ``after`` the nearest one
        and have no planned days. An opening reported as counts takes those near it along.
        """
        late = self.outside[~self.outside["opening"].isin(self._counted)]
        if not len(late):
            return self.modelled
        when = np.where(late["days"] < late["planned_days"], "before ", "after ")
        late = late.assign(opening=when + late["opening"], planned_days=np.nan)
        return pd.concat([self.modelled, late], ignore_index=True)

    @property
    def _counted(self) -> set[str]:
        return set(self.counts.frame.get("opening", []))


def records_of(trial: Trial, response: Response) -> Records:
    """Collect a response's values, one row a laboratory result of one unit.

    Parameters
    ----------
    trial : Trial
        Without errors.
    response : Response

    Returns
    -------
    Records
    """
    found = values_of(trial, response)
    whole = averaged(pd.DataFrame(found.rows)) if found.rows else _no_rows(trial, response)
    used = whole["value_used"].astype(float)
    whole = whole.assign(y=np.log(used) if response.scale == "log" else used)
    inside = whole["inside"].to_numpy(dtype=bool)
    rows, outside = (
        whole[of].drop(columns="inside").reset_index(drop=True) for of in (inside, ~inside)
    )
    counts = _counts(rows) if len(rows) else pd.DataFrame()
    counted = list(dict.fromkeys(counts.get("opening", [])))
    return Records(
        response,
        found.kind,
        rows,
        outside,
        Table(
            pd.DataFrame(found.missing, columns=list(COLUMNS)),
            title=say("left_out.title", label=response.label),
        ),
        Table(counts, title=say("records.counts", label=response.label)),
        _notes(trial, response, rows, found, counted=counted),
    )


def _no_rows(trial: Trial, response: Response) -> pd.DataFrame:
    """Rows of a response without a value: every column, of its kind."""
    plan = trial.settings.analysis
    bale = dict.fromkeys([*IDENTITY_COLUMNS, *plan.factors, *plan.blocks], "object")
    kinds = {**bale, **_KINDS, **(_LOSS_KINDS if response is DM_LOSS else {})}
    return pd.DataFrame({name: pd.Series(dtype=kind) for name, kind in kinds.items()})


def _counts(frame: pd.DataFrame) -> pd.DataFrame:
    """Values below the limit by opening and binding, of openings that are not modelled."""
    columns = ["opening", "binding", "results", "below_limit"]
    cells = frame.groupby(["opening", "binding"], sort=False)["below"].agg(["size", "sum"])
    cells = cells.reset_index().set_axis(columns, axis=1)
    share = cells["below_limit"] / cells["results"]
    out = set(cells.loc[share > MOST_BELOW, "opening"])
    return cells[cells["opening"].isin(out)].reset_index(drop=True)


def _notes(
    trial: Trial, response: Response, frame: pd.DataFrame, found: Values, *, counted: list[str]
) -> tuple[str, ...]:
    if not len(frame):
        return ()
    together = [_unit_note(found.kind)] if found.kind.size > 1 else []
    if found.overlap:
        together.append(say("methods.overlap", units=noun(found.kind.word, 2)))
    if response is DM_LOSS:
        return (*together, *dm_methods(trial, frame))
    notes = [*together, how_reported(response.name, response.label)]
    if frame["below"].any():
        notes.append(_below_note(frame, counted, response.level_unit))
    return tuple(notes)


def _unit_note(unit: UnitKind) -> str:
    """What a value of several bales is, and what counts as a replicate."""
    sampled = unit.word == "composite"
    how = "records.sampled_as_one" if sampled else "records.weighed_as_one"
    return say(how, unit=unit.each, units=unit.several)


def _below_note(frame: pd.DataFrame, counted: list[str], unit: str) -> str:
    """What became of the values below the limit: some are counted, the others substituted."""
    below = frame[frame["below"]]
    limits = joined([f"{limit:g}" for limit in sorted(set(below["limit"]))], last="comma")
    found = say("records.below", below=len(below), results=len(frame), limits=limits, unit=unit)
    aside = int(below["opening"].isin(counted).sum())
    rest = len(below) - aside
    if not aside:
        return say("records.below_used", found=found)
    there = {"found": found, "aside": aside, "openings": joined(counted, last="comma")}
    if not rest:
        return say("records.below_counted", **there)
    if rest == 1:
        return say("records.below_other", **there)
    return say("records.below_others", rest=rest, **there)
