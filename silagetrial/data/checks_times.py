"""Checks of times: the order of what happened, and results inside the window of their opening."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from silagetrial.data.draft import Draft, Row, is_date_only, is_given
from silagetrial.data.outside import outside_use
from silagetrial.errors import Problem

__all__ = [
    "cores_weighed",
    "day0_at_baling",
    "film_after_baling",
    "lost_before_sample",
    "nothing_before_baling",
    "window_kept",
]

_SLACK: Final = timedelta(days=2)
_IN_WINDOWS: Final = {
    "samples": "taken_on",
    "weighings": "weighed_at",
    "mould": "seen_at",
    "aerobic": "opened_at",
}


def film_after_baling(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is wrapped with film after baling, and soon."""
    for row in draft.rows("bales"):
        baled, wrapped = row["baled_at"], row["film_wrapped_at"]
        if not (is_given(baled) and is_given(wrapped)):
            continue
        if _before(wrapped, baled):
            yield draft.problem(
                "bales",
                row["line"],
                "film_wrapped_at",
                found=f"wrapped {_show(wrapped)}, before baling {_show(baled)}",
                expected="film wrapping after baling",
                remedy="correct one of the two times",
            )
        elif wrapped - baled > _SLACK:
            yield draft.problem(
                "bales",
                row["line"],
                "film_wrapped_at",
                found=f"wrapped {_show(wrapped)}, more than two days after baling {_show(baled)}",
                expected="film wrapping within hours of baling",
                remedy="check the two times; if they are right, this delay is part of the result",
                severity="warning",
            )


def nothing_before_baling(draft: Draft) -> Iterator[Problem]:
    """Check that no silage sample, weighing or event is older than the bale."""
    made_at = {name: _made(bale) for name, bale in draft.bales.items()}
    for table, of, when, what in (
        ("samples", "of", "taken_on", "sample taken"),
        ("weighings", "bale", "weighed_at", "weighed"),
        ("events", "bale", "at", "event"),
        ("mould", "bale", "seen_at", "looked at"),
        ("temperatures", "bale", "measured_at", "temperature read"),
        ("aerobic", "bale", "opened_at", "opened"),
    ):
        cells = zip(draft.cells(table, of), draft.cells(table, when), strict=True)
        before = [
            k
            for k, (name, at) in enumerate(cells)
            if at is not None and (made := made_at.get(name)) is not None and at < made
        ]
        for row in [draft.rows(table)[k] for k in before]:
            made = made_at[row[of]]
            if made is not None and row.get("kind") != "day0" and _before(row[when], made):
                yield draft.problem(
                    table,
                    row["line"],
                    when,
                    found=f"{what} {_show(row[when])}, before bale {row[of]}, made {_show(made)}",
                    expected="a time after baling",
                    remedy="correct the date, or the name of the bale",
                )


def day0_at_baling(draft: Draft) -> Iterator[Problem]:
    """Check that a day-0 sample is of the crop at baling."""
    cells = [draft.cells("samples", name) for name in ("of", "kind", "taken_on")]
    for k, (of, kind, taken) in enumerate(zip(*cells, strict=True)):
        if kind != "day0" or taken is None:
            continue
        made = [made for made in map(_made, draft.groups.get(of, ())) if made is not None]
        if made and not min(made) - _SLACK <= taken <= max(made) + _SLACK:
            row = draft.rows("samples")[k]
            yield draft.problem(
                "samples",
                row["line"],
                "taken_on",
                found=f"day-0 sample taken {_show(row['taken_on'])}, more than two days from "
                f"baling {_show(min(made))}",
                expected="crop at baling",
                remedy="correct the date, the kind, or the name of the bale",
                severity="warning",
            )


def window_kept(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is opened, or cored, inside the window of its opening."""
    named = {opening.name: opening for opening in reversed(draft.settings.openings)}
    for table, when in _IN_WINDOWS.items():
        bale = "of" if table == "samples" else "bale"
        cells = zip(draft.cells(table, "opening"), draft.cells(table, "in_window"), strict=True)
        outside = [k for k, (name, inside) in enumerate(cells) if name in named and not inside]
        for row in [draft.rows(table)[k] for k in outside]:
            opening = named[row["opening"]]
            late = row["calendar_days"] > opening.window[1]
            yield draft.problem(
                table,
                row["line"],
                when,
                found=f"{_whose(row, bale)} {'late' if late else 'early'}: "
                f"{row['calendar_days']:.0f} days in storage, opening {opening.name!r}",
                expected=f"{opening.window[0]:g} to {opening.window[1]:g} days from film wrapping",
                remedy="check the date; if it is right, the value is none of this opening: "
                + outside_use(draft.settings),
                severity="warning",
            )


def lost_before_sample(draft: Draft) -> Iterator[Problem]:
    """Check that a bale lost to the trial gives no later sample."""
    lost = {
        row["bale"]: row["at"]
        for row in draft.rows("events")
        if row["what"] == "lost" and is_given(row["bale"]) and is_given(row["at"])
    }
    if not lost:
        return
    for row in draft.rows("samples"):
        at = lost.get(row["of"])
        if at is not None and is_given(row["taken_on"]) and _before(at, row["taken_on"]):
            yield draft.problem(
                "samples",
                row["line"],
                "taken_on",
                found=f"a sample taken {_show(row['taken_on'])} of bale {row['of']}, lost "
                f"{_show(at)}",
                expected="no sample after a bale is lost to the trial",
                remedy="correct the date or the name, or remove the event",
            )


def cores_weighed(draft: Draft) -> Iterator[Problem]:
    """Check that cores from a bale that is examined again later were weighed."""
    samples = draft.tables["samples"]
    unknown = (samples["kind"] == "core") & samples["fresh_kg"].isna() & samples["taken_on"].notna()
    if not unknown.any() or "fresh_kg" in draft.read["samples"].misspelt:
        return
    last: dict[str, datetime] = {}
    for table, of, when in (("samples", "of", "taken_on"), ("weighings", "bale", "weighed_at")):
        for name, at in zip(draft.cells(table, of), draft.cells(table, when), strict=True):
            if at is not None and (name not in last or last[name] < at):
                last[name] = at
    cells = [draft.cells("samples", name) for name in ("sample", "of", "taken_on")]
    unweighed = [
        (line, sample)
        for is_unknown, line, sample, of, taken in zip(unknown, samples.index, *cells, strict=True)
        if is_unknown
        and of is not None
        and _before(taken, last[of])
        and not draft.is_rejected("samples", line, "fresh_kg")
    ]
    if unweighed:
        line, sample = min(unweighed)
        yield draft.problem(
            "samples",
            line,
            "fresh_kg",
            found=f"core {sample} not weighed"
            + (f", and {len(unweighed) - 1} more" if len(unweighed) > 1 else "")
            + ", of bales examined again later",
            expected="the fresh forage that each core took out of the bale, kg",
            remedy="fill in the mass of the cores; without it their DM cannot be added back, and "
            "the later openings of these bales give no DM loss",
            severity="warning",
        )


def _whose(row: Row, bale: str) -> str:
    if is_given(row[bale]):
        return f"bale {row[bale]}"
    return f"bales {' '.join(row['bales'])}" if bale == "bale" else f"composite {row['sample']}"


def _made(bale: Row) -> datetime | None:
    """Return when the bale was made, as far as known."""
    for column in ("baled_at", "film_wrapped_at"):
        if is_given(bale[column]):
            moment: datetime = bale[column]
            return moment
    return None


def _before(first: datetime, second: datetime) -> bool:
    """Tell whether a time is earlier; a date alone is compared by the day."""
    if is_date_only(first) or is_date_only(second):
        return first.date() < second.date()
    return first < second


def _show(when: datetime) -> str:
    return when.strftime("%Y-%m-%d" if is_date_only(when) else "%Y-%m-%d %H:%M")
