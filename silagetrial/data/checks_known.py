"""Checks of names that are used: each is the name of a thing that exists."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from silagetrial.data.draft import Draft, is_given
from silagetrial.data.nearest import did_you_mean, nearest_name, suggestion
from silagetrial.data.schema import SPARE
from silagetrial.errors import Problem

__all__ = [
    "bindings_known",
    "events_known",
    "openings_known",
    "samples_of_known",
    "scales_described",
    "scales_known",
    "seen_known",
    "weighings_known",
]


def bindings_known(draft: Draft) -> Iterator[Problem]:
    """Check that every bale has one of the bindings compared."""
    compare = draft.settings.compare
    if not compare or {*draft.cells("bales", "binding")} <= {None, *compare}:
        return
    for row in draft.rows("bales"):
        if is_given(row["binding"]) and row["binding"] not in compare:
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
    for table, column in (
        ("bales", "planned_opening"),
        ("weighings", "planned_opening"),
        ("blind_key", "opening"),
    ):
        allowed = {None, *there, *([SPARE] if table == "bales" else [])}
        if not names or {*draft.cells(table, column)} <= allowed:
            continue
        for row, name in zip(draft.rows(table), draft.cells(table, column), strict=True):
            if name not in allowed:
                yield draft.problem(
                    table,
                    row["line"],
                    column,
                    found=repr(name),
                    expected=f"one of {', '.join(names)}, as in [[openings]] of trial.toml",
                    remedy=did_you_mean(
                        name, names, otherwise="correct the cell, or add the opening"
                    ),
                )


def samples_of_known(draft: Draft) -> Iterator[Problem]:
    """Check that every sample is of a bale, or at day 0 of a pair or lot."""
    yield from _dangling(draft, "samples", "of", what="a bale, pair or lot", known=draft.groups)
    silage = ("core", "opening")
    cells = zip(draft.cells("samples", "of"), draft.cells("samples", "kind"), strict=True)
    bales = draft.bales
    for k in [k for k, (of, kind) in enumerate(cells) if kind in silage and of not in bales]:
        row = draft.rows("samples")[k]
        name = row["of"]
        known = draft.can_look_up("bales") and not draft.is_unsure("bales", name)
        if known and name in draft.groups:
            yield draft.problem(
                "samples",
                row["line"],
                "of",
                found=f"a sample of kind {row['kind']} of {name!r}, which is no single bale",
                expected="the name of one bale; only crop at baling (day0) stands for several",
                remedy="name the bale; the bales of a composite stand in sample_parts",
            )


def weighings_known(draft: Draft) -> Iterator[Problem]:
    """Check that every bale weighed is in bales.csv."""
    yield from _dangling(draft, "weighings", "bales", what="a bale", known=draft.bales)


def events_known(draft: Draft) -> Iterator[Problem]:
    """Check that every event is of a bale in bales.csv."""
    yield from _dangling(draft, "events", "bale", what="a bale", known=draft.bales)


def seen_known(draft: Draft) -> Iterator[Problem]:
    """Check that what was seen on bales is of bales in bales.csv."""
    for table in ("mould", "temperatures", "aerobic"):
        yield from _dangling(draft, table, "bale", what="a bale", known=draft.bales)


def _dangling(
    draft: Draft, table: str, column: str, *, what: str, known: Iterable[str]
) -> Iterator[Problem]:
    """Yield each name of a column that is not in bales.csv, as far as that can be read."""
    if not draft.can_look_up("bales"):
        return
    known = frozenset(known)
    cells = draft.cells(table, column)
    used = {name for cell in cells for name in _names(cell)}
    strange = {name for name in used - known if not draft.is_unsure("bales", name)}
    if not strange:
        return
    twins = _twins(draft)
    dangling = [
        (row, name)
        for row, cell in zip(draft.rows(table), cells, strict=True)
        for name in _names(cell)
        if name in strange
    ]
    for row, name in dangling:
        yield draft.problem(
            table,
            row["line"],
            column,
            found=f"{name!r}, which is not in {draft.called('bales')}",
            expected=f"the name of {what} in {draft.called('bales')}",
            remedy=_twin_remedy(draft, twins, name)
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


def _twin_remedy(draft: Draft, twins: Mapping[str, list[int]], name: str) -> str | None:
    """Return the remedy where a name that stands twice in bales.csv is a slip of this one."""
    twin = nearest_name(name, twins, used=())
    if twin is None:
        return None
    at = " and ".join(map(str, twins[twin]))
    there = draft.called("bales")
    return f"{twin!r} stands in lines {at} of {there}: see whether one of these is {name!r}"


def _names(cell: object) -> tuple[str, ...]:
    if isinstance(cell, tuple):
        return cell
    return () if cell is None else (str(cell),)


def scales_known(draft: Draft) -> Iterator[Problem]:
    """Check that where scales.csv is given, every scale used is in it."""
    known = [row["scale"] for row in draft.rows("scales") if is_given(row["scale"])]
    if not (known and draft.can_look_up("scales")):
        return
    if {*draft.cells("weighings", "scale")} <= {None, *known}:
        return
    for row, name in zip(draft.rows("weighings"), draft.cells("weighings", "scale"), strict=True):
        if name is not None and name not in known and not draft.is_unsure("scales", name):
            yield draft.problem(
                "weighings",
                row["line"],
                "scale",
                found=f"{name!r}, which is not in {draft.called('scales')}",
                expected=f"one of {', '.join(known)}",
                # Scales are few and each is used again and again: likeness is enough.
                remedy=did_you_mean(name, known, otherwise="correct the name, or add the scale"),
            )


def scales_described(draft: Draft) -> Iterator[Problem]:
    """Check that scales which weighings name are described."""
    used = sorted({name for name in draft.cells("weighings", "scale") if name is not None})
    read = draft.read["scales"]
    if used and draft.can_look_up("scales") and not (draft.rows("scales") or read.rejected):
        yield draft.problem(
            "scales",
            None,
            None,
            found=(f"no line in {draft.called('scales')}" if read.given else "no scales.csv")
            + f", though weighings name {', '.join(used)}",
            expected="one line for each scale: its kind and its step",
            remedy="add a line for each scale, with what it showed for a known mass if that was "
            "tried: a scale that reads 1 % high shifts a DM loss by about one percentage point",
            severity="warning",
        )
