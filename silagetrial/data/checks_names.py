"""Checks of names: each thing named once, and every name that is used exists."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Final

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.nearest import did_you_mean, nearest_name, suggestion
from silagetrial.data.schema import file_name
from silagetrial.data.steps import DERIVED
from silagetrial.errors import Problem

__all__ = [
    "ambiguous_names",
    "bindings_known",
    "duplicate_names",
    "duplicate_rows",
    "events_known",
    "group_weighings",
    "looked_up",
    "openings_known",
    "samples_of_known",
    "scales_described",
    "scales_known",
    "weighings_known",
]

_NAMED = {"bales": "bale", "samples": "sample", "weighings": "weighing", "scales": "scale"}
_LOOKED_UP_BY: Final = {
    "bales": ("samples", "weighings", "events"),
    "samples": ("bales",),
    "weighings": ("bales",),
    "events": ("bales",),
    "scales": ("weighings",),
}


def looked_up(draft: Draft) -> Iterator[Problem]:
    """Say once which checks wait for a table that cannot be read."""
    for table, others in _LOOKED_UP_BY.items():
        waiting = [other for other in others if draft.rows(other)]
        if waiting and not draft.can_look_up(table):
            *most, last = waiting
            listed = f"{', '.join(most)} and {last}" if most else last
            yield draft.problem(
                table,
                None,
                None,
                found=f"{listed} not checked against {file_name(table)} until it is readable",
                expected="a table that can be read, under the headings that are known",
                remedy=f"correct {file_name(table)} first, then check again: more may come up",
                severity="warning",
            )


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
    there = {*names, *draft.refused_openings}
    for row in draft.rows("bales"):
        if names and is_given(row["planned_opening"]) and row["planned_opening"] not in there:
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
    yield from _dangling(draft, "samples", "of", what="a bale, pair or lot", known=draft.groups)
    for row in draft.rows("samples"):
        name = row["of"]
        known = draft.can_look_up("bales") and not draft.is_unsure("bales", name)
        single = name in draft.bales or name not in draft.groups
        if known and not single and row["kind"] in ("core", "opening"):
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
    yield from _dangling(draft, "weighings", "bales", what="a bale", known=draft.bales)


def events_known(draft: Draft) -> Iterator[Problem]:
    """Check that every event is of a bale in bales.csv."""
    yield from _dangling(draft, "events", "bale", what="a bale", known=draft.bales)


def _dangling(
    draft: Draft, table: str, column: str, *, what: str, known: Iterable[str]
) -> Iterator[Problem]:
    """Yield each name of a column that is not in bales.csv, as far as that can be read."""
    if not draft.can_look_up("bales"):
        return
    known = frozenset(known)
    uses = [(row, name) for row in draft.rows(table) for name in _names(row[column])]
    used, twins = {name for _, name in uses}, _twins(draft)
    for row, name in uses:
        if name not in known and not draft.is_unsure("bales", name):
            yield draft.problem(
                table,
                row["line"],
                column,
                found=f"{name!r}, which is not in bales.csv",
                expected=f"the name of {what} in bales.csv",
                remedy=_twin_remedy(twins, name)
                or suggestion(
                    nearest_name(name, known, used=used),
                    otherwise="correct the name, or add the bale",
                ),
            )


def _twins(draft: Draft) -> dict[str, list[int]]:
    """Return the bales that stand in several lines, with these."""
    lines: dict[str, list[int]] = {}
    for row in draft.rows("bales"):
        if is_given(row["bale"]):
            lines.setdefault(row["bale"], []).append(row["line"])
    return {bale: sorted(at) for bale, at in lines.items() if len(at) > 1}


def _twin_remedy(twins: Mapping[str, list[int]], name: str) -> str | None:
    """Return the remedy where a name that stands twice in bales.csv is a slip of this one."""
    twin = nearest_name(name, twins, used=())
    if twin is None:
        return None
    at = " and ".join(map(str, twins[twin]))
    return f"{twin!r} stands in lines {at} of bales.csv: see whether one of these is {name!r}"


def _names(cell: object) -> tuple[str, ...]:
    if isinstance(cell, tuple):
        return cell
    return (str(cell),) if is_given(cell) else ()


def scales_known(draft: Draft) -> Iterator[Problem]:
    """Check that where scales.csv is given, every scale used is in it."""
    known = [row["scale"] for row in draft.rows("scales") if is_given(row["scale"])]
    if not (known and draft.can_look_up("scales")):
        return
    for row in draft.rows("weighings"):
        name = row["scale"]
        if is_given(name) and name not in known and not draft.is_unsure("scales", name):
            yield draft.problem(
                "weighings",
                row["line"],
                "scale",
                found=f"{name!r}, which is not in scales.csv",
                expected=f"one of {', '.join(known)}",
                # Scales are few and each is used again and again: likeness is enough.
                remedy=did_you_mean(name, known, otherwise="correct the name, or add the scale"),
            )


def scales_described(draft: Draft) -> Iterator[Problem]:
    """Check that scales which weighings name are described."""
    used = sorted({row["scale"] for row in draft.rows("weighings") if is_given(row["scale"])})
    read = draft.read["scales"]
    if used and draft.can_look_up("scales") and not (draft.rows("scales") or read.rejected):
        yield draft.problem(
            "scales",
            None,
            None,
            found=("no line in scales.csv" if read.given else "no scales.csv")
            + f", though weighings name {', '.join(used)}",
            expected="one line for each scale: its kind and its step",
            remedy="add a line for each scale, with what it showed for a known mass if that was "
            "tried: a scale that reads 1 % high shifts a DM loss by about one percentage point",
            severity="warning",
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
