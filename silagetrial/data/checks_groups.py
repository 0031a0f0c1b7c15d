"""Checks of values that belong to several bales: group weighings and composite samples.

Such a value is the group's. It is never divided among the bales, nor copied to each of them.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.nearest import nearest_name, suggestion
from silagetrial.errors import Problem

__all__ = ["composite_parts", "composites_kept_whole", "group_weighings", "parts_known"]


def group_weighings(draft: Draft) -> Iterator[Problem]:
    """Check what is said of several bales weighed at once."""
    for k, bales in enumerate(draft.cells("weighings", "bales")):
        if len(bales) < 2:
            continue
        row = draft.rows("weighings")[k]
        twice = len({*bales}) < len(bales)
        bindings = _bindings(draft, bales)
        mixed = len(bindings) > 1
        if not row["first"] and _mixes_openings(draft, row, bales):
            yield draft.problem(
                "weighings",
                row["line"],
                "bales",
                found=f"{len(bales)} bales of different openings on the scale at once",
                expected="bales of one opening, but for the weighing at wrapping",
                remedy="correct the bales or the date, or remove the weighing: it is of no opening",
            )
            continue
        yield draft.problem(
            "weighings",
            row["line"],
            "bales",
            found=f"{len(bales)} bales on the scale at once"
            + (", one of them named twice" if twice else "")
            + (f", of {' and '.join(bindings)}" if mixed else ""),
            expected="one bale, for a value of its own",
            remedy="name each bale once"
            if twice
            else "it stays one value of the group, never divided: these bales give no DM loss of "
            "their own from it" + ("; it says nothing about a binding" if mixed else ""),
            severity="error" if twice else "warning",
        )


def parts_known(draft: Draft) -> Iterator[Problem]:
    """Check that the samples and bales of composites are in their tables."""
    samples = {name for name in draft.cells("samples", "sample") if name is not None}
    for column, known, table in (("sample", samples, "samples"), ("bale", draft.bales, "bales")):
        if not draft.can_look_up(table):
            continue
        used = {row[column] for row in draft.rows("sample_parts")}
        for row in draft.rows("sample_parts"):
            name = row[column]
            if is_given(name) and name not in known and not draft.is_unsure(table, name):
                yield draft.problem(
                    "sample_parts",
                    row["line"],
                    column,
                    found=f"{name!r}, which is not in {draft.called(table)}",
                    expected=f"the name of a {column} in {draft.called(table)}",
                    remedy=suggestion(
                        nearest_name(name, known, used=used),
                        otherwise=f"correct the name, or add the {column}",
                    ),
                )


def composite_parts(draft: Draft) -> Iterator[Problem]:
    """Check that a composite is of several bales, each once, of one binding."""
    for sample, rows in draft.parts.items():
        bales = [row["bale"] for row in rows]
        bindings = _bindings(draft, bales)
        if len(bindings) > 1:
            found = f"composite {sample} mixes {' and '.join(bindings)}"
            remedy = "a composite of both bindings compares nothing: correct the bales, or remove "
            remedy += "the sample"
        elif len({*bales}) < len(bales):
            found = f"composite {sample} names a bale twice"
            remedy = "name each bale once, with the number of its cores"
        elif len(bales) == 1:
            found = f"composite {sample} of one bale, {bales[0]}"
            remedy = "write the bale under of in samples and remove the line"
        else:
            continue
        yield draft.problem(
            "sample_parts",
            rows[-1]["line"],
            "bale",
            found=found,
            expected="two or more bales of one binding",
            remedy=remedy,
        )


def composites_kept_whole(draft: Draft) -> Iterator[Problem]:
    """Check that a composite is of no bale besides its parts, and say that it stays one value."""
    for k, name in enumerate(draft.cells("samples", "sample")):
        parts = draft.parts.get(name)
        if parts is None:
            continue
        row = draft.rows("samples")[k]
        single = is_given(row["of"])
        if not single and _mixes_openings(draft, row, [part["bale"] for part in parts]):
            yield draft.problem(
                "samples",
                row["line"],
                "sample",
                found=f"sample {row['sample']}, a composite of bales of different openings",
                expected="bales that were opened, or cored, at one opening",
                remedy="correct the bales or the date, or remove the sample: it is of no opening",
            )
            continue
        yield draft.problem(
            "samples",
            row["line"],
            "of",
            found=f"{row['of']!r} for sample {row['sample']}, a composite of {len(parts)} bales"
            if single
            else f"sample {row['sample']}, a composite of {len(parts)} bales",
            expected="a blank cell: sample_parts names the bales"
            if single
            else "a sample of one bale, for a value of its own",
            remedy="empty the cell, or remove the lines of sample_parts"
            if single
            else "it stays one value of the composite, never copied to its bales, which have none "
            "of their own from it",
            severity="error" if single else "warning",
        )


def _mixes_openings(draft: Draft, row: Row, names: Sequence[str]) -> bool:
    """Tell whether a value of silage has bales that are at different openings on its day."""
    if is_given(row["opening"]) or not is_given(row["days"]) or row.get("kind") == "day0":
        return False
    planned = [draft.bales[name]["planned_opening"] for name in names if name in draft.bales]
    return draft.settings.design == "recored" or all(map(draft.settings.opening, planned))


def _bindings(draft: Draft, bales: Iterator[str] | list[str] | tuple[str, ...]) -> list[str]:
    """Return the bindings of bales that are known, each once, in the order of trial.toml."""
    there = {str(draft.bales[name]["binding"]) for name in bales if name in draft.bales}
    return [name for name in draft.settings.compare if name in there]
