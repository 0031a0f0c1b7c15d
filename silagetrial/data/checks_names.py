"""Checks of names: each thing named once, and every name that is used exists."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.steps import DERIVED
from silagetrial.errors import Problem

__all__ = [
    "ambiguous_names",
    "bindings_known",
    "duplicate_names",
    "duplicate_rows",
    "events_known",
    "group_weighings",
    "openings_known",
    "samples_of_known",
    "scales_known",
    "weighings_known",
]

_NAMED = {"bales": "bale", "samples": "sample", "weighings": "weighing", "scales": "scale"}


def duplicate_names(draft: Draft) -> Iterator[Problem]:
    """Check that each bale, sample, weighing and scale has a name of its own."""
    for table, column in _NAMED.items():
        first: dict[str, int] = {}
        for row in sorted(draft.rows(table), key=lambda row: int(row["line"])):
            name = row[column]
            if not is_given(name):
                continue
            if name in first:
                yield draft.problem(
                    table,
                    row["line"],
                    column,
                    found=f"{column} {name!r} again, first in line {first[name]}",
                    expected=f"each {column} in one line",
                    remedy="rename one of the two, or remove the line",
                )
            first.setdefault(name, row["line"])


def ambiguous_names(draft: Draft) -> Iterator[Problem]:
    """Check that no bale, pair or lot shares its name with another of these."""
    kinds: dict[str, str] = {}
    for column in ("bale", "pair", "lot"):
        seen: set[str] = set()
        for row in draft.rows("bales"):
            name = row[column]
            if not is_given(name) or name in seen:
                continue
            seen.add(name)
            if name in kinds:
                yield draft.problem(
                    "bales",
                    row["line"],
                    column,
                    found=f"{name!r}, the name of a {kinds[name]} and of a {column}",
                    expected="different names for bales, pairs and lots",
                    remedy="rename one of them, so that a sample's origin is clear",
                )
            kinds.setdefault(name, column)


def bindings_known(draft: Draft) -> Iterator[Problem]:
    """Check that every bale has one of the bindings compared."""
    compare = draft.settings.compare
    for row in draft.rows("bales"):
        if compare and is_given(row["binding"]) and row["binding"] not in compare:
            yield draft.problem(
                "bales",
                row["line"],
                "binding",
                found=repr(row["binding"]),
                expected=f"one of {', '.join(compare)}, as in [bindings] of trial.toml",
                remedy=did_you_mean(
                    row["binding"], compare, otherwise="correct the cell, or add the binding"
                ),
            )


def openings_known(draft: Draft) -> Iterator[Problem]:
    """Check that every planned opening is one of trial.toml."""
    names = [opening.name for opening in draft.settings.openings]
    for row in draft.rows("bales"):
        if names and is_given(row["planned_opening"]) and row["planned_opening"] not in names:
            yield draft.problem(
                "bales",
                row["line"],
                "planned_opening",
                found=repr(row["planned_opening"]),
                expected=f"one of {', '.join(names)}, as in [[openings]] of trial.toml",
                remedy=did_you_mean(
                    row["planned_opening"], names, otherwise="correct the cell, or add the opening"
                ),
            )


def samples_of_known(draft: Draft) -> Iterator[Problem]:
    """Check that every sample is of a bale, or at day 0 of a pair or lot."""
    for row in draft.rows("samples"):
        name = row["of"]
        if not is_given(name):
            continue
        if name not in draft.groups:
            yield _dangling(draft, "samples", row, "of", name, "a bale, pair or lot")
        elif name not in draft.bales and row["kind"] in ("core", "opening"):
            yield draft.problem(
                "samples",
                row["line"],
                "of",
                found=f"a sample of kind {row['kind']} of {name!r}, which is no single bale",
                expected="the name of one bale; only crop at baling (day0) stands for several",
                remedy="name the bale; composites of several bales are not read yet",
            )


def weighings_known(draft: Draft) -> Iterator[Problem]:
    """Check that every bale weighed is in bales.csv."""
    for row in draft.rows("weighings"):
        for name in row["bales"]:
            if name not in draft.bales:
                yield _dangling(draft, "weighings", row, "bales", name, "a bale")


def events_known(draft: Draft) -> Iterator[Problem]:
    """Check that every event is of a bale in bales.csv."""
    for row in draft.rows("events"):
        if is_given(row["bale"]) and row["bale"] not in draft.bales:
            yield _dangling(draft, "events", row, "bale", row["bale"], "a bale")


def _dangling(draft: Draft, table: str, row: Row, column: str, name: str, what: str) -> Problem:
    known = draft.bales if what == "a bale" else draft.groups
    return draft.problem(
        table,
        row["line"],
        column,
        found=f"{name!r}, which is not in bales.csv",
        expected=f"the name of {what} in bales.csv",
        remedy=did_you_mean(name, known, otherwise="correct the name, or add the bale"),
    )


def scales_known(draft: Draft) -> Iterator[Problem]:
    """Check that where scales.csv is given, every scale used is in it."""
    known = [row["scale"] for row in draft.rows("scales") if is_given(row["scale"])]
    for row in draft.rows("weighings"):
        if known and is_given(row["scale"]) and row["scale"] not in known:
            yield draft.problem(
                "weighings",
                row["line"],
                "scale",
                found=f"{row['scale']!r}, which is not in scales.csv",
                expected=f"one of {', '.join(known)}",
                remedy=did_you_mean(
                    row["scale"], known, otherwise="correct the name, or add the scale"
                ),
            )


def group_weighings(draft: Draft) -> Iterator[Problem]:
    """Check that one bale a weighing."""
    for row in draft.rows("weighings"):
        if len(row["bales"]) > 1:
            yield draft.problem(
                "weighings",
                row["line"],
                "bales",
                found=f"{len(row['bales'])} bales on the scale at once",
                expected="one bale",
                remedy="group weighings are not read yet, and their mass is never divided; "
                "leave the line out",
            )


def duplicate_rows(draft: Draft) -> Iterator[Problem]:
    """Check that no sample, weighing or event is entered twice under another name."""
    for table, is_filled in _CAN_REPEAT.items():
        apart = {_NAMED.get(table, ""), "note", "supersedes", *DERIVED.get(table, {})}
        columns = [name for name in draft.tables[table].columns if name not in apart]
        first: dict[tuple[str, ...], int] = {}
        for row in sorted(draft.rows(table), key=lambda row: int(row["line"])):
            content = tuple(str(row[column]) for column in columns)
            if is_filled(row) and content in first:
                yield draft.problem(
                    table,
                    row["line"],
                    None,
                    found=f"the same entries as in line {first[content]}",
                    expected="each sample, weighing and event entered once",
                    remedy="remove one of the two lines",
                )
            first.setdefault(content, row["line"])


_CAN_REPEAT: dict[str, Callable[[Row], bool]] = {
    # Two samples without results yet, taken alike, are no repetition.
    "samples": lambda row: is_given(row["dm"]) or is_given(row["pH"]),
    "weighings": lambda row: is_given(row["gross"]),
    "events": lambda row: is_given(row["bale"]),
}
