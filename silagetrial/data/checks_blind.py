"""Checks of what is noted without knowing the binding, and of the key to it."""

from __future__ import annotations

from collections.abc import Iterator

from silagetrial.data.draft import Draft, is_given
from silagetrial.data.nearest import did_you_mean, nearest_name, suggestion
from silagetrial.errors import Problem

__all__ = ["binding_as_seen", "key_opening_kept", "key_samples_known"]


def binding_as_seen(draft: Draft) -> Iterator[Problem]:
    """Check that the binding seen at opening is the one the bale is recorded with."""
    compare = draft.settings.compare
    for k, seen in enumerate(draft.cells("samples", "binding_seen")):
        if seen is None:
            continue
        row = draft.rows("samples")[k]
        bale = draft.bales.get(row["of"])
        if compare and seen not in compare:
            yield draft.problem(
                "samples",
                row["line"],
                "binding_seen",
                found=repr(seen),
                expected=f"one of {', '.join(compare)}, as in [bindings] of trial.toml",
                remedy=did_you_mean(seen, compare, otherwise="correct the cell, or leave it blank"),
            )
        elif bale is not None and is_given(bale["binding"]) and bale["binding"] != seen:
            yield draft.problem(
                "samples",
                row["line"],
                "binding_seen",
                found=f"{seen} seen on bale {bale['bale']}, recorded with {bale['binding']}: "
                f"swapped with its partner in the pair?",
                expected=f"the binding in line {bale['line']} of {draft.called('bales')}",
                remedy="look at the tags, the photographs and the order of baling; correct the "
                "bale under of, the binding of both bales, or what was seen",
            )


def key_samples_known(draft: Draft) -> Iterator[Problem]:
    """Check that the samples of the blind key are among the samples."""
    raw = draft.read["samples"].frame["sample"].dropna()
    known = set(raw)
    if not known or not draft.can_look_up("samples"):
        return
    in_key = {row["sample"] for row in draft.rows("blind_key") if is_given(row["sample"])}
    for row in draft.rows("blind_key"):
        name = row["sample"]
        if is_given(name) and name not in known and not draft.is_unsure("samples", name):
            yield draft.problem(
                "blind_key",
                row["line"],
                "sample",
                found=f"{name!r}, which is not in {draft.called('samples')}",
                expected="the name of a sample",
                remedy=suggestion(
                    nearest_name(name, known, used=in_key),
                    otherwise="correct the name; nothing to do if it was never sent",
                ),
                severity="warning",
            )


def key_opening_kept(draft: Draft) -> Iterator[Problem]:
    """Check that a sample was taken at the opening that the blind key names."""
    planned = {row["sample"]: row for row in draft.rows("blind_key") if is_given(row["opening"])}
    if not planned:
        return
    for row in draft.rows("samples"):
        entry = planned.get(row["sample"])
        if entry is None or not is_given(row["opening"]) or entry["opening"] == row["opening"]:
            continue
        yield draft.problem(
            "samples",
            row["line"],
            "taken_on",
            found=f"sample {row['sample']} of bale {row['of']} taken at {row['opening']}, planned "
            f"for {entry['opening']} in line {entry['line']} of {draft.called('blind_key')}",
            expected="the opening of the key",
            remedy="check the date and the name; if they are right, it counts at the opening at "
            "which it was taken",
            severity="warning",
        )
