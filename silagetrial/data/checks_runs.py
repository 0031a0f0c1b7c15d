"""Check that bindings were made in turn, or that the runs of one binding are recorded."""

from __future__ import annotations

from collections.abc import Iterator

from silagetrial.data.draft import Draft
from silagetrial.data.stretches import in_stretches
from silagetrial.errors import Problem

__all__ = ["made_in_turn"]


def made_in_turn(draft: Draft) -> Iterator[Problem]:
    """Check that the order of baling has bindings in turn, not one after all of another."""
    for found in in_stretches(list(draft.bales.values())):
        yield draft.problem(
            "bales",
            found.stretches[0][0]["line"],
            found.by,
            found=f"{found.where}: bindings made in {len(found.stretches)} stretches "
            f"({found.in_words})",
            expected="bindings in turn, the bales of a pair made one after the other",
            remedy=f"check {found.by}; if it is right, crop, weather and machine changed along the "
            "day together with the binding: each stretch counts as one replicate (a run), however "
            "many bales it has",
            severity="warning",
        )
