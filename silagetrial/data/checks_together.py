"""Checks of what should happen together: hours to film wrapping, the days of an opening."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Final

from silagetrial.data.draft import Draft, Row, by_line, is_date_only, is_given
from silagetrial.errors import Problem

__all__ = [
    "film_soon",
    "hours_alike",
    "hours_recorded",
    "opened_once",
    "pair_opened_together",
    "weighed_when_sampled",
    "weighed_with_film_on",
]

SOON: Final = timedelta(hours=8)
"""Common practice wraps within a few hours; later the crop heats and butyric acid can follow."""

ALIKE: Final = timedelta(hours=2)
"""Common practice: bales made one after another are wrapped one after another."""

_LONG: Final = timedelta(days=2)


def hours_recorded(draft: Draft) -> Iterator[Problem]:
    """Check that baling and film wrapping have their hours where they have their days."""
    without = [
        bale
        for bale in sorted(draft.rows("bales"), key=by_line)
        if is_given(bale["baled_at"])
        and is_given(bale["film_wrapped_at"])
        and (is_date_only(bale["baled_at"]) or is_date_only(bale["film_wrapped_at"]))
    ]
    if without:
        first = without[0]
        column = "baled_at" if is_date_only(first["baled_at"]) else "film_wrapped_at"
        yield draft.problem(
            "bales",
            first["line"],
            column,
            found=f"bale {first['bale']}: a day without its hour"
            + (f", and {len(without) - 1} bales more" if len(without) > 1 else ""),
            expected="day and hour of baling and of film wrapping, 2026-05-26 14:30",
            remedy="add the hours where somebody knows them: the hours from baling to film "
            "wrapping change the silage, and without them nobody can see whether they were alike",
            severity="warning",
        )


def film_soon(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is wrapped with film within hours of baling."""
    for bale in draft.rows("bales"):
        waited = _hours(bale)
        if waited is not None and SOON < waited <= _LONG:
            yield draft.problem(
                "bales",
                bale["line"],
                "film_wrapped_at",
                found=f"bale {bale['bale']} wrapped {_show(waited)} after baling",
                expected=f"film wrapping within {_show(SOON)} of baling",
                remedy="check the two times; if they are right, this wait is part of the result",
                severity="warning",
            )


def hours_alike(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair waited equally long for their film."""
    bales = draft.tables["bales"]
    waits = (bales["film_wrapped_at"] - bales["baled_at"]).groupby(bales["pair"])
    apart = waits.max() - waits.min()
    for name in apart.index[apart > ALIKE]:
        waited = [
            (wait, bale) for bale in draft.pairs.get(name, ()) if (wait := _hours(bale)) is not None
        ]
        if len(waited) < 2:
            continue
        first, last = (pick(waited, key=lambda item: item[0]) for pick in (min, max))
        if last[0] - first[0] > ALIKE:
            yield draft.problem(
                "bales",
                last[1]["line"],
                "film_wrapped_at",
                found=f"pair {name}: {_show(first[0])} from baling to film wrapping for bale "
                f"{first[1]['bale']}, {_show(last[0])} for bale {last[1]['bale']}",
                expected=f"waits that differ by at most {_show(ALIKE)}",
                remedy="check the times; if they are right, the bindings are compared together "
                "with this wait",
                severity="warning",
            )


def _hours(bale: Row) -> timedelta | None:
    """Return the time from baling to film wrapping; None where an hour is not known."""
    baled, wrapped = bale["baled_at"], bale["film_wrapped_at"]
    if not (is_given(baled) and is_given(wrapped)) or is_date_only(baled) or is_date_only(wrapped):
        return None
    waited: timedelta = wrapped - baled
    return waited


def _show(wait: timedelta) -> str:
    return f"{wait.total_seconds() / 3600.0:.1f} hours".replace(".0 hours", " hours")


def weighed_with_film_on(draft: Draft) -> Iterator[Problem]:
    """Check that no bale carries its film on the scale before it was wrapped."""
    wrapped_at = {name: bale["film_wrapped_at"] for name, bale in draft.bales.items()}
    cells = zip(
        draft.cells("weighings", "film_on"),
        draft.cells("weighings", "bale"),
        draft.cells("weighings", "weighed_at"),
        strict=True,
    )
    early = [
        k
        for k, (film_on, name, weighed) in enumerate(cells)
        if film_on
        and weighed is not None
        and (wrapped := wrapped_at.get(name)) is not None
        and weighed < wrapped
    ]
    for row in [draft.rows("weighings")[k] for k in early]:
        weighed, wrapped = row["weighed_at"], wrapped_at[row["bale"]]
        if is_date_only(weighed) or is_date_only(wrapped):
            weighed, wrapped = weighed.date(), wrapped.date()
        if weighed < wrapped:
            yield draft.problem(
                "weighings",
                row["line"],
                "flags",
                found=f"bale {row['bale']} weighed with its film on, before it was wrapped",
                expected="film_on for weighings after film wrapping only",
                remedy="correct one of the two times, or remove film_on",
            )


def pair_opened_together(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair are opened, or cored, on one day."""
    pair_of = {name: bale["pair"] for name, bale in draft.bales.items()}
    samples = draft.tables["samples"]
    groups = [samples["of"].map(pair_of), samples["opening"], samples["kind"]]
    days = samples["taken_on"].dt.normalize()
    spans = days.groupby(groups).agg(["min", "max"])
    if spans["min"].equals(spans["max"]):
        return
    first: dict[tuple[str, str, str], Row] = {}
    said: set[tuple[str, str, str, str]] = set()
    for row in sorted(_taken(draft), key=by_line):
        pair = pair_of.get(row["of"])
        if not (is_given(pair) and is_given(row["opening"])):
            continue
        key = (str(pair), row["opening"], row["kind"])
        partner = first.setdefault(key, row)
        again = (*key, row["of"])
        one_day = row["taken_on"].date() == partner["taken_on"].date()
        if one_day or row["of"] == partner["of"] or again in said:
            continue
        said.add(again)
        apart = abs((row["taken_on"].date() - partner["taken_on"].date()).days)
        yield draft.problem(
            "samples",
            row["line"],
            "taken_on",
            found=f"pair {pair} at {row['opening']}: bale {partner['of']} on "
            f"{partner['taken_on']:%Y-%m-%d}, bale {row['of']} on {row['taken_on']:%Y-%m-%d}, "
            f"{apart} {'day' if apart == 1 else 'days'} apart",
            expected="both bales of a pair on one day",
            remedy="check the two dates; if they are right, these days are part of the difference "
            "between the bindings",
            severity="warning",
        )


def opened_once(draft: Draft) -> Iterator[Problem]:
    """Check that a bale that was opened is not sampled on a later day."""
    samples = draft.tables["samples"]
    days = samples["taken_on"].dt.normalize()
    opened = days[samples["kind"] == "opening"].groupby(samples["of"]).min()
    if opened.empty:
        return
    late = (days > samples["of"].map(opened)) & samples["kind"].isin(["core", "opening"])
    for row in draft.rows_at("samples", samples.index[late].tolist()):
        at = opened[row["of"]]
        yield draft.problem(
            "samples",
            row["line"],
            "taken_on",
            found=f"bale {row['of']} sampled on {row['taken_on']:%Y-%m-%d}, opened already on "
            f"{at:%Y-%m-%d}",
            expected="one day on which a bale is opened, none after it",
            remedy="correct the date, the name of the bale, or the kind: a bale that stays in "
            "store is cored",
            severity="warning",
        )


def weighed_when_sampled(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is weighed within a day of its sample at an opening."""
    taken: dict[tuple[str, str], datetime] = {}
    samples = [draft.cells("samples", name) for name in ("of", "opening", "kind", "taken_on")]
    for of, opening, kind, when in zip(*samples, strict=True):
        if kind in ("core", "opening") and None not in (of, opening, when):
            taken.setdefault((of, opening), when)
    weighings = [draft.cells("weighings", name) for name in ("bale", "opening", "weighed_at")]
    far = [
        k
        for k, (bale, opening, when) in enumerate(zip(*weighings, strict=True))
        if when is not None
        and (at := taken.get((bale, opening))) is not None
        and abs(when.toordinal() - at.toordinal()) > 1
    ]
    for row in [draft.rows("weighings")[k] for k in far]:
        at = taken[row["bale"], row["opening"]]
        apart = abs((row["weighed_at"].date() - at.date()).days)
        yield draft.problem(
            "weighings",
            row["line"],
            "weighed_at",
            found=f"bale {row['bale']} weighed on {row['weighed_at']:%Y-%m-%d}, {apart} days "
            f"from its sample of {at:%Y-%m-%d}",
            expected="weighing and sample of an opening within one day",
            remedy="check the two dates; if they are right, the DM loss joins the mass of one "
            "day with the dry matter of another",
            severity="warning",
        )


def _taken(draft: Draft) -> list[Row]:
    """Return the samples of silage that have their day."""
    return [
        row
        for row in draft.rows("samples")
        if row["kind"] in ("core", "opening") and is_given(row["taken_on"])
    ]
