"""Checks of the design: pairs, openings, and what each bale needs to give an answer."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.errors import Problem, Severity

__all__ = [
    "day0_sample_there",
    "first_weighing_there",
    "opening_planned",
    "opening_sample_there",
    "opening_weighing_there",
    "pair_bindings",
    "pair_complete",
    "pair_made_alike",
    "pair_of_one_place",
    "pair_one_batch",
    "same_scale",
]


def pair_bindings(draft: Draft) -> Iterator[Problem]:
    """Check that a pair has one bale of each binding."""
    for name, bales in _pairs(draft).items():
        first: dict[str, Row] = {}
        for bale in bales:
            binding = bale["binding"]
            if binding in first:
                yield draft.problem(
                    "bales",
                    bale["line"],
                    "binding",
                    found=f"pair {name} has a second bale of {binding}: {bale['bale']} beside "
                    f"{first[binding]['bale']}",
                    expected="one bale of each binding in a pair",
                    remedy="correct the binding or the pair; partners swapped on paper are the "
                    "commonest slip",
                )
            if is_given(binding):
                first.setdefault(binding, bale)


def pair_complete(draft: Draft) -> Iterator[Problem]:
    """Check that every pair has its partners, lost ones included."""
    compare = draft.settings.compare
    for name, bales in _pairs(draft).items():
        there = {bale["binding"] for bale in bales}
        missing = [binding for binding in compare if binding not in there]
        if not missing:
            continue
        alone = len(there) < 2
        yield draft.problem(
            "bales",
            bales[0]["line"],
            "pair",
            found=f"pair {name} without a bale of {', '.join(missing)}",
            expected=f"one bale each of {', '.join(compare)}",
            remedy="add the partner, also one that was lost (with an event lost), or leave pair "
            "blank for a bale made alone",
            severity="error" if alone else "warning",
        )


def pair_of_one_place(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair come from one place and crop, for one opening."""
    columns = ["site", "field", "lot", "cut", "crop"]
    if draft.settings.design == "separate":
        columns.append("planned_opening")
    yield from _differing(
        draft,
        columns,
        expected="the same for both: bales made one after another from one swath, opened together",
        remedy="correct the cell, or the pair",
        severity="error",
    )


def pair_made_alike(draft: Draft) -> Iterator[Problem]:
    """Check that the bales of a pair differ in the binding alone."""
    plan = draft.settings.analysis
    declared = {*plan.factors, *plan.blocks}
    yield from _differing(
        draft,
        [name for name in ("film_layers", "baler", "additive") if name not in declared],
        expected="the same for all bales of a pair, unless declared as a factor in trial.toml",
        remedy="check the cell; if it is right, the bindings are compared together with this",
        severity="warning",
    )


def _differing(
    draft: Draft, columns: Sequence[str], *, expected: str, remedy: str, severity: Severity
) -> Iterator[Problem]:
    for name, bales in _pairs(draft).items():
        for column in columns:
            filled = [bale for bale in bales if is_given(bale[column])]
            other = next((b for b in filled if b[column] != filled[0][column]), None)
            if other is not None:
                yield draft.problem(
                    "bales",
                    other["line"],
                    column,
                    found=f"pair {name}: {column} {_show(filled[0][column])} for bale "
                    f"{filled[0]['bale']}, {_show(other[column])} for bale {other['bale']}",
                    expected=expected,
                    remedy=remedy,
                    severity=severity,
                )


def opening_planned(draft: Draft) -> Iterator[Problem]:
    """Check that separate bales have a planned opening each, re-cored bales none."""
    separate = draft.settings.design == "separate"
    for bale in draft.rows("bales"):
        if is_given(bale["planned_opening"]) == separate:
            continue
        yield draft.problem(
            "bales",
            bale["line"],
            "planned_opening",
            found="a blank cell" if separate else repr(bale["planned_opening"]),
            expected="the opening drawn for this bale"
            if separate
            else "a blank cell: the same bale is cored at each opening",
            remedy='fill in the cell, or set bales = "recored" under [design]'
            if separate
            else "the cell is not used; empty it",
            severity="error" if separate else "warning",
        )


def day0_sample_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale has crop at baling analysed, as itself, in its pair or in its lot."""
    day0 = {row["of"] for row in draft.rows("samples") if row["kind"] == "day0"}
    for bale in draft.bales.values():
        if not day0 & {bale["bale"], bale["pair"], bale["lot"]}:
            yield _missing(
                draft,
                bale,
                "no day-0 sample",
                "a sample of kind day0 of the bale, its pair or its lot",
                "DM loss",
            )


def opening_sample_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost has a sample at each of its openings."""
    there = {(row["of"], row["opening"]) for row in draft.rows("samples")}
    for bale in draft.bales.values():
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
    weighed = {row["bale"] for row in draft.rows("weighings") if not is_given(row["opening"])}
    for bale in draft.bales.values():
        if bale["bale"] not in weighed:
            yield _missing(
                draft, bale, "no weighing at wrapping", "a weighing soon after wrapping", "DM loss"
            )


def opening_weighing_there(draft: Draft) -> Iterator[Problem]:
    """Check that every bale not lost was weighed at each of its openings."""
    there = {(row["bale"], row["opening"]) for row in draft.rows("weighings")}
    for bale in draft.bales.values():
        for name in _due(draft, bale):
            if (bale["bale"], name) not in there:
                yield _missing(
                    draft, bale, f"no weighing at {name}", "a weighing", f"DM loss at {name}"
                )


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


def pair_one_batch(draft: Draft) -> Iterator[Problem]:
    """Check that the samples of a pair at one opening went to one laboratory in one batch."""
    pair_of = {bale["bale"]: bale["pair"] for bale in draft.bales.values()}
    first: dict[tuple[str, str], Row] = {}
    for row in draft.rows("samples"):
        pair = pair_of.get(row["of"])
        if not (is_given(pair) and is_given(row["opening"])):
            continue
        partner = first.setdefault((str(pair), row["opening"]), row)
        for column in ("laboratory", "batch"):
            both = is_given(row[column]) and is_given(partner[column])
            if both and row[column] != partner[column]:
                yield draft.problem(
                    "samples",
                    row["line"],
                    column,
                    found=f"pair {pair} at {row['opening']}: {column} {partner[column]} for "
                    f"{partner['sample']}, {row[column]} for {row['sample']}",
                    expected=f"one {column} for both bales of a pair",
                    remedy="check the cell; if it is right, a shift between the two enters the "
                    "difference between the bindings",
                    severity="warning",
                )


def same_scale(draft: Draft) -> Iterator[Problem]:
    """Check that a bale is weighed on one scale from first to last."""
    first: dict[str, Row] = {}
    for row in sorted(draft.rows("weighings"), key=_by_time):
        if not (is_given(row["bale"]) and is_given(row["scale"])):
            continue
        before = first.setdefault(row["bale"], row)
        if row["scale"] != before["scale"]:
            yield draft.problem(
                "weighings",
                row["line"],
                "scale",
                found=f"bale {row['bale']} on scale {row['scale']}, first on {before['scale']}",
                expected="the same scale at the first and the last weighing",
                remedy="check the cell; if it is right, two scales that differ by 1 % shift a DM "
                "loss by about one percentage point",
                severity="warning",
            )


def _by_time(row: Row) -> tuple[datetime, int]:
    when = row["weighed_at"]
    return (when if is_given(when) else datetime.max, row["line"])


def _pairs(draft: Draft) -> Mapping[str, list[Row]]:
    pairs: dict[str, list[Row]] = {}
    for bale in sorted(draft.bales.values(), key=lambda bale: int(bale["line"])):
        if is_given(bale["pair"]):
            pairs.setdefault(bale["pair"], []).append(bale)
    return pairs


def _due(draft: Draft, bale: Row) -> list[str]:
    """Return the openings at which a bale should give results: those before it was lost."""
    lost = [
        event["at"]
        for event in draft.rows("events")
        if event["bale"] == bale["bale"] and event["what"] == "lost"
    ]
    if draft.settings.design == "separate":
        planned = bale["planned_opening"]
        return [planned] if is_given(planned) and not lost else []
    wrapped = bale["film_wrapped_at"]
    return [
        opening.name
        for opening in draft.settings.openings
        if not any(
            not (is_given(at) and is_given(wrapped)) or (at - wrapped).days <= opening.window[1]
            for at in lost
        )
    ]


def _show(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)
