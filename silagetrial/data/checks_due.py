"""Checks of what each bale needs to give an answer: crop at baling, samples, weighings."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.due import planned_openings
from silagetrial.data.schema import SPARE
from silagetrial.errors import Problem

__all__ = [
    "day0_sample_there",
    "first_weighing_there",
    "opening_sample_there",
    "opening_weighing_there",
]


def day0_sample_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale has crop at baling analysed, as itself, in its pair or in its lot."""
    day0 = {row["of"] for row in draft.rows("samples") if row["kind"] == "day0"}
    if not (draft.can_look_up("samples") and draft.can_look_up("bales")):
        return
    for bale in draft.bales.values():
        if bale["line"] in draft.due["bales"]:
            continue
        names = (bale["bale"], bale["pair"], bale["lot"])
        if not day0 & {*names} and not draft.is_unsure("samples", *names):
            yield _missing(
                draft,
                bale,
                "no day-0 sample",
                "a sample of kind day0 of the bale, its pair or its lot",
                "DM loss",
            )


def opening_sample_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost has a sample at each of its openings."""
    planned = planned_openings(draft)
    there = {(row["of"], row["opening"]) for row in draft.rows("samples")}
    there |= {
        (part["bale"], row["opening"])
        for row in draft.rows("samples")
        for part in draft.parts.get(row["sample"], ())
    }
    there |= {(row["of"], planned["samples", row["line"]]) for row in draft.due_rows("samples")}
    for bale in _to_look_up(draft, "samples"):
        for name in _due(draft, bale):
            if (bale["bale"], name) not in there:
                yield _missing(
                    draft,
                    bale,
                    f"no sample at {name}",
                    f"a sample of kind opening or core at {name}",
                    f"any value at {name}",
                )


def first_weighing_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale was weighed at wrapping."""
    planned = planned_openings(draft)
    weighed = {
        bale
        for row in draft.rows("weighings")
        for bale in row["bales"]
        if not is_given(row["opening"]) and planned.get(("weighings", row["line"])) is None
    }
    for bale in _to_look_up(draft, "weighings"):
        if bale["bale"] not in weighed:
            yield _missing(
                draft, bale, "no weighing at wrapping", "a weighing soon after wrapping", "DM loss"
            )


def opening_weighing_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost was weighed at each of its openings."""
    there = {(bale, row["opening"]) for row in draft.rows("weighings") for bale in row["bales"]}
    to_come = {bale for row in draft.due_rows("weighings") for bale in row["bales"]}
    for bale in _to_look_up(draft, "weighings"):
        for name in _due(draft, bale):
            if (bale["bale"], name) not in there and bale["bale"] not in to_come:
                yield _missing(
                    draft, bale, f"no weighing at {name}", "a weighing", f"DM loss at {name}"
                )


def _to_look_up(draft: Draft, table: str) -> list[Row]:
    """Return the bales of which it can be said that a row of the table is missing."""
    if not draft.can_look_up(table):
        return []
    return [
        bale
        for bale in draft.bales.values()
        # Without the day of wrapping no row can be given to an opening.
        if is_given(bale["film_wrapped_at"]) and not draft.is_unsure(table, bale["bale"])
    ]


def _missing(draft: Draft, bale: Row, what: str, expected: str, lost: str) -> Problem:
    return draft.problem(
        "bales",
        bale["line"],
        "bale",
        found=f"bale {bale['bale']}: {what}",
        expected=expected,
        remedy=f"add it if it exists; without it the bale gives no {lost.removeprefix('any ')}",
        severity="warning",
    )


def _due(draft: Draft, bale: Row) -> Sequence[str]:
    """Return the openings at which a bale should give results: those before it was lost."""
    if bale["planned_opening"] == SPARE:
        return []
    if not draft.can_look_up("events") or draft.is_unsure("events", bale["bale"]):
        return []  # it may have been lost
    lost = draft.lost_at.get(bale["bale"], [])
    if draft.settings.design == "separate":
        planned = draft.settings.opening(bale["planned_opening"])
        return [] if planned is None or lost else [planned.name]
    if not lost:
        return draft.settings.opening_names
    wrapped = bale["film_wrapped_at"]
    return [
        opening.name
        for opening in draft.settings.openings
        if not any(
            not (is_given(at) and is_given(wrapped)) or (at - wrapped).days <= opening.window[1]
            for at in lost
        )
    ]
