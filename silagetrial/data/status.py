"""What a trial lacks on a given day: due, overdue, late, missing for good, or still to come."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal, TypeAlias

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.data.groups import bales_of_samples
from silagetrial.data.outside import outside_use
from silagetrial.data.schema import SPARE
from silagetrial.data.settings import Opening
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table

__all__ = ["STATES", "status", "status_text"]

State: TypeAlias = Literal["missing", "late", "overdue", "due", "to come"]

STATES: Final[Mapping[State, str]] = {
    "missing": "can no longer be done",
    "late": "its window is over; done now, it is none of its opening",
    "overdue": "its last day is over, and done now it still counts",
    "due": "today is one of its days",
    "to come": "its first day is later",
}
"""What each word means, the most pressing last to be mended first."""

_DAY0_WITHIN: Final = 2
"""Days from baling on which crop kept cool can still be sampled; common practice."""

_GONE: Final = ("lost", "fed")

Row: TypeAlias = Mapping[Any, Any]


@dataclass(frozen=True)
class _Task:
    """One thing to do with a bale between two days; `until` is the last on which it can be."""

    bale: str
    what: str
    opening: str | None
    first: dt.date
    last: dt.date
    until: dt.date | None


def status(trial: Trial, *, today: dt.date) -> Table:
    """Return what is not done, by what it means today.

    Parameters
    ----------
    trial : Trial
    today : datetime.date

    Returns
    -------
    Table
        ``state`` (of `STATES`), ``bale``, ``what``, ``opening``, ``first_day`` and ``last_day``
        on which it belongs, ``days_left`` to the last day (below zero: days too late). A bale not
        wrapped yet has no days; it is counted in `Trial.due`.

    Notes
    -----
    A weighing at wrapping counts as such up to half the time to the first window: until then the
    bale can be weighed still, or again. What belongs to an opening is late once the window is over.
    """
    rows = []
    for task in _tasks(trial):
        state = _state(task, today)
        left = (task.last - today).days
        what = (state, task.bale, task.what, task.opening)
        rows.append((*what, f"{task.first}", f"{task.last}", left))
    names = ["state", "bale", "what", "opening", "first_day", "last_day", "days_left"]
    frame = pd.DataFrame(rows, columns=names)
    order = {state: k for k, state in enumerate(STATES)}
    frame = frame.sort_values(
        ["state", "last_day", "bale", "what"],
        key=lambda column: column.map(order) if column.name == "state" else column,
        ignore_index=True,
    )
    return Table(frame, title=f"{trial.settings.title}: not done on {today}")


def status_text(trial: Trial, table: Table) -> str:
    """Return what is not done as text: counted, then what cannot wait, then what comes next.

    Parameters
    ----------
    trial : Trial
    table : Table
        From `status`.
    """
    frame = table.frame
    counts = frame["state"].value_counts()
    counted = ", ".join(f"{counts[state]} {state}" for state in STATES if state in counts)
    lines = [table.title, counted or "Nothing is left to do with the bales wrapped so far."]
    now = frame[frame["state"] != "to come"]
    if len(now):
        lines += ["", str(Table(now, title=""))]
        lines += [_meant(state, trial) for state in STATES if state in {*now["state"]}]
    later = frame[frame["state"] == "to come"]
    if len(later):
        first = later.sort_values(["first_day", "what"], kind="stable").iloc[0]
        lines += ["", f"Next: {first['what']} from {first['first_day']}"]
    unmade = int((trial.due.frame["table"] == "bales").sum())
    if unmade:
        lines.append(f"Bales not made yet: {unmade}")
    wrong = {"Errors": len(trial.errors), "Warnings": len(trial.warnings)}
    lines += [f"{what} in the data: {n}; see silagetrial check" for what, n in wrong.items() if n]
    return "\n".join(lines)


def _meant(state: State, trial: Trial) -> str:
    use = f": {outside_use(trial.settings)}" if state == "late" else ""
    return f"{state}: {STATES[state]}{use}"


def _state(task: _Task, today: dt.date) -> State:
    if task.until is not None and today > task.until:
        return "missing"
    if today > task.last:
        return "overdue" if task.opening is None else "late"
    return "due" if today >= task.first else "to come"


def _tasks(trial: Trial) -> Iterator[_Task]:
    """Yield what every bale that was wrapped still lacks."""
    each = trial.samples.assign(of=bales_of_samples(trial.samples, trial.sample_parts))
    each = each.explode("of")
    inside = each[each["in_window"]]
    sampled = {*zip(inside["of"], inside["opening"], strict=True)}
    day0 = {*each.loc[each["kind"] == "day0", "of"]}
    timely = trial.weighings[trial.weighings["in_window"]]
    weighed = {
        (bale, opening if is_given(opening) else None)
        for bales, opening in zip(timely["bales"], timely["opening"], strict=True)
        for bale in bales
    }
    opened = _days(each[each["kind"] == "opening"], "of", "taken_on")
    gone = _days(trial.events[trial.events["what"].isin(_GONE)], "bale", "at")
    for bale in trial.bales.to_dict("records"):
        name = bale["bale"]
        if not is_given(bale["film_wrapped_at"]) or not is_given(name):
            continue
        wrapped = bale["film_wrapped_at"].date()
        ends = [day for day in (opened.get(name), gone.get(name)) if day is not None]
        end = min(ends, default=None)
        if not day0 & {name, bale["pair"], bale["lot"]}:
            until = wrapped + dt.timedelta(days=_DAY0_WITHIN)
            yield _Task(name, "sample of the crop at baling", None, wrapped, until, until)
        openings = _openings_of(trial, bale)
        if (name, None) not in weighed:
            half = min((o.window[0] for o in openings), default=None)
            until = _earlier(_after(wrapped, half / 2 if half is not None else None), end)
            yield _Task(name, "weighing at wrapping", None, wrapped, wrapped, until)
        yield from _of_openings(trial, bale, openings, (sampled, weighed), end)


def _of_openings(
    trial: Trial,
    bale: Row,
    openings: tuple[Opening, ...],
    there: tuple[set[tuple[Any, Any]], set[tuple[Any, Any]]],
    end: dt.date | None,
) -> Iterator[_Task]:
    name, wrapped = bale["bale"], bale["film_wrapped_at"].date()
    kind = "core" if trial.settings.design == "recored" else "sample at opening"
    for opening in openings:
        low, high = opening.window
        first, last = (wrapped + dt.timedelta(days=int(day)) for day in (math.ceil(low), high))
        if end is not None and end < first:
            continue  # lost or opened before its time: said by check
        # A core of a bale that stays in store can be made up for until the next opening begins.
        later = [o.window[0] for o in openings if o.days > opening.days]
        following = _after(wrapped, min(later) - 1.0) if later else None
        for what, done in ((kind, there[0]), ("weighing", there[1])):
            if (name, opening.name) not in done:
                yield _Task(name, what, opening.name, first, last, _earlier(end, following))


def _openings_of(trial: Trial, bale: Row) -> tuple[Opening, ...]:
    settings = trial.settings
    if settings.design == "recored":
        return settings.openings
    planned = bale["planned_opening"]
    if planned == SPARE:
        return ()
    opening = settings.opening(planned)
    return () if opening is None else (opening,)


def _days(frame: pd.DataFrame, bale: str, when: str) -> dict[str, dt.date]:
    """Return the first day on which something happened to each bale."""
    first = frame.dropna(subset=[bale, when]).groupby(bale)[when].min()
    return {str(name): at.date() for name, at in first.items()}


def _after(day: dt.date, days: float | None) -> dt.date | None:
    return None if days is None else day + dt.timedelta(days=int(days))


def _earlier(one: dt.date | None, other: dt.date | None) -> dt.date | None:
    known = [day for day in (one, other) if day is not None]
    return min(known, default=None)
