"""Checks of what each bale needs to give an answer: crop at baling, samples, weighings."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

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
    day0 = {
        of
        for name, of, kind in zip(
            *(draft.cells("samples", column) for column in ("sample", "of", "kind")), strict=True
        )
        if kind == "day0"
        for of in [of, *(part["bale"] for part in draft.parts.get(name, ()))]
        if of is not None
    }
    if not (draft.can_look_up("samples") and draft.can_look_up("bales")):
        return
    lacking = []
    for bale in draft.bales.values():
        if bale["line"] in draft.due["bales"]:
            continue
        names = (bale["bale"], bale["pair"], bale["lot"])
        if day0.isdisjoint(names) and not draft.is_unsure("samples", *names):
            lacking.append(bale)
    yield from _no_beginning(
        draft,
        lacking,
        "no day-0 sample",
        "a sample of kind day0 of the bale, its pair or its lot",
        begun=bool(day0),
    )


def opening_sample_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost has a sample at each of its openings."""
    planned = planned_openings(draft)
    openings = draft.cells("samples", "opening")
    there = {*zip(draft.cells("samples", "of"), openings, strict=True)}
    there |= {
        (part["bale"], opening)
        for sample, opening in zip(draft.cells("samples", "sample"), openings, strict=True)
        for part in draft.parts.get(sample, ())
    }
    for row in draft.due_rows("samples"):
        bales = [part["bale"] for part in draft.parts.get(row["sample"], ())] or [row["of"]]
        there |= {(bale, planned["samples", row["line"]]) for bale in bales}
    absent = [
        (bale, name)
        for bale, names in _due(draft, "samples")
        for name in names
        if (bale["bale"], name) not in there and not _is_unsure(draft, "samples", bale)
    ]
    yield from _absent(draft, absent, there, what="sample", expected="a sample of kind opening or "
                       "core", lost="value")  # fmt: skip


def first_weighing_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale was weighed at wrapping."""
    planned = planned_openings(draft)
    lines = draft.tables["weighings"].index.tolist()
    weighed = {
        bale
        for bales, opening, line in zip(
            draft.cells("weighings", "bales"),
            draft.cells("weighings", "opening"),
            lines,
            strict=True,
        )
        if opening is None and planned.get(("weighings", line)) is None
        for bale in bales
    }
    lacking = [
        bale
        for bale in _wrapped(draft, "weighings")
        if bale["bale"] not in weighed and not draft.is_unsure("weighings", bale["bale"])
    ]
    yield from _no_beginning(
        draft,
        lacking,
        "no weighing at wrapping",
        "a weighing soon after wrapping",
        begun=bool(weighed),
    )


def opening_weighing_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost was weighed at each of its openings."""
    weighings = zip(
        draft.cells("weighings", "bales"), draft.cells("weighings", "opening"), strict=True
    )
    there = {(bale, opening) for bales, opening in weighings for bale in bales}
    to_come = {bale for row in draft.due_rows("weighings") for bale in row["bales"]}
    absent = [
        (bale, name)
        for bale, names in _due(draft, "weighings")
        for name in names
        if (bale["bale"], name) not in there
        and bale["bale"] not in to_come
        and not _is_unsure(draft, "weighings", bale)
    ]
    yield from _absent(draft, absent, there, what="weighing", expected="a weighing", lost="DM loss")


def _no_beginning(
    draft: Draft, lacking: Sequence[Row], what: str, expected: str, *, begun: bool
) -> Iterator[Problem]:
    """Tell which bales lack what DM loss begins from; where none has it, once."""
    if begun or len(lacking) < 2:
        for bale in lacking:
            yield _missing(draft, bale, what, expected, "DM loss")
        return
    remedy = "add them if they exist; without them there is no DM loss"
    found = f"{what} of any bale ({len(lacking)} made)"
    yield _of_all(draft, lacking, found, f"{expected}, of each", remedy)


def _absent(
    draft: Draft,
    absent: Sequence[tuple[Row, str]],
    there: Collection[tuple[object, object]],
    *,
    what: str,
    expected: str,
    lost: str,
) -> Iterator[Problem]:
    """Tell what bales lack at their openings; an opening at which all lack it is told once.

    Most likely it is still to come: `status` tells when, for this program does not know the day.
    """
    begun = {opening for _, opening in there}
    whole: dict[str, list[Row]] = {}
    for bale, name in absent:
        if name not in begun:
            whole.setdefault(name, []).append(bale)
            continue
        yield _missing(draft, bale, f"no {what} at {name}", f"{expected} at {name}",
                       f"{lost} at {name}")  # fmt: skip
    for name, bales in whole.items():
        found = f"no {what} of any bale at {name} ({len(bales)} planned)"
        remedy = "add them if they exist; silagetrial status says when they are due"
        yield _of_all(
            draft, bales, found, f"{expected} of each at {name}, when its days have come", remedy
        )


def _of_all(draft: Draft, bales: Sequence[Row], found: str, expected: str, remedy: str) -> Problem:
    """Say once, at the first line of them, what all bales lack."""
    line = min(bale["line"] for bale in bales)
    return draft.problem(
        "bales", line, "bale", found=found, expected=expected, remedy=remedy, severity="warning"
    )


def _wrapped(draft: Draft, table: str) -> list[Row]:
    """Return the bales that the table may be checked against."""
    if not draft.can_look_up(table):
        return []
    # Without the day of wrapping no row can be given to an opening.
    return [bale for bale in draft.bales.values() if is_given(bale["film_wrapped_at"])]


def _missing(draft: Draft, bale: Row, what: str, expected: str, lost: str) -> Problem:
    return draft.problem(
        "bales",
        bale["line"],
        "bale",
        found=f"bale {bale['bale']}: {what}",
        expected=expected,
        remedy=f"add it if it exists; without it the bale gives no {lost}",
        severity="warning",
    )


def _due(draft: Draft, table: str) -> Iterator[tuple[Row, Sequence[str]]]:
    """Yield the bales that should have rows in the table, and at which openings.

    These are the openings before the bale was lost.
    """
    if not draft.can_look_up("events"):
        return  # any may have been lost
    design = draft.settings.design
    planned = {**{name: (name,) for name in draft.settings.opening_names}, SPARE: ()}
    for bale in _wrapped(draft, table):
        name = bale["bale"]
        names: Sequence[str] = planned.get(bale["planned_opening"], ())
        if design != "separate" and bale["planned_opening"] != SPARE:
            names = _before_lost(draft, bale)
        elif name in draft.lost_at:
            continue
        yield bale, names


def _is_unsure(draft: Draft, table: str, bale: Row) -> bool:
    """Tell whether what was not read in full may be the row that a bale lacks, or its loss."""
    return any(draft.is_unsure(name, bale["bale"]) for name in (table, "events"))


def _before_lost(draft: Draft, bale: Row) -> Sequence[str]:
    """Return the openings of a bale cored again and again, those before it was lost."""
    lost = draft.lost_at.get(bale["bale"])
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
