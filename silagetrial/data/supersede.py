"""Results that another result replaces leave the trial, each listed."""

from __future__ import annotations

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.errors import Problem

__all__ = ["without_superseded"]


def without_superseded(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft without results that another result replaces, each listed."""
    if not any(draft.cells("samples", "supersedes")):
        return draft, ()
    rows = {row["sample"]: row for row in draft.rows("samples") if is_given(row["sample"])}
    problems: list[Problem] = []
    replaced: set[int] = set()
    for row in rows.values():
        old = row["supersedes"]
        if not is_given(old):
            continue
        target = rows.get(old)
        if _not_read(draft, old, target, row):
            continue
        if target is None or old == row["sample"] or target["of"] != row["of"]:
            problems.append(_dangling_supersedes(draft, row, target))
            continue
        replaced.add(target["line"])
        problems.append(
            draft.problem(
                "samples",
                target["line"],
                "sample",
                found=f"sample {old}, replaced by {row['sample']} in line {row['line']}",
                expected="one result in use",
                remedy=f"{old} is left out; nothing to do if that is meant",
                severity="warning",
            )
        )
    return draft.without_rows("samples", replaced), tuple(problems)


def _not_read(draft: Draft, old: str, target: Row | None, row: Row) -> bool:
    """Tell whether what a result replaces, or is of, stands in the file and could not be read."""
    if target is None:
        return "sample" not in draft.given["samples"] or draft.is_unsure("samples", old)
    return not (is_given(target["of"]) and is_given(row["of"]))


def _dangling_supersedes(draft: Draft, row: Row, target: Row | None) -> Problem:
    found = f"supersedes {row['supersedes']}, which is no sample of {draft.called('samples')}"
    if target is not None:
        found = f"supersedes {row['supersedes']}, a sample of {target['of']}, not of {row['of']}"
        if target is row or target["sample"] == row["sample"]:
            found = f"sample {row['sample']} supersedes itself"
    return draft.problem(
        "samples",
        row["line"],
        "supersedes",
        found=found,
        expected="the name of an earlier result of the same bale, pair or lot, in this file",
        remedy="correct the name, or leave the cell blank",
    )
