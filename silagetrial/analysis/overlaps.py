"""Composites and groups that share bales: a bale counts once, in one of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from silagetrial.analysis.units import Members, Unit, UnitKind
from silagetrial.data.draft import is_given
from silagetrial.display.language import noun, say

__all__ = ["sharing_bales"]


def sharing_bales(
    units: Mapping[Members, Unit],
    held: Mapping[Members, Sequence[str]],
    *,
    kind: UnitKind,
    openings: Sequence[str],
) -> dict[Members, str]:
    """Return the units of one size that are left out because their bales are in another one.

    Values of two units that share bales are not independent, at one opening or at two, and no term
    of the model says how alike they are. The units kept are the same at every opening or have no
    bale in common.

    Parameters
    ----------
    units : mapping
        Bales to their unit: at least those in `held`.
    held : mapping
        The sets of bales that gave something, in the order of bales.csv, with the openings at which
        they did so inside the window.
    kind : UnitKind
        What they are.
    openings : sequence of str
        All openings, in their order.

    Returns
    -------
    dict
        Bales of each unit that is left out, and why.

    Notes
    -----
    Taken one after the other, each that shares no bale with one taken before: those over pairs that
    the most bindings have first; of these, those that gave values at the most openings, bindings
    added up; then those of the earliest opening, then in the order of bales.csv. No result is
    looked at.
    """
    taken: dict[str, Members] = {}
    out: dict[Members, str] = {}
    for bales in _in_order(units, held, openings):
        other = next((taken[bale] for bale in bales if bale in taken), None)
        if other is None:
            taken |= dict.fromkeys(bales, bales)
        else:
            word, name = noun(kind.word, 1), units[other].name
            out[bales] = say("left_out.overlap", unit=word, bales=name)
    return out


def _in_order(
    units: Mapping[Members, Unit], held: Mapping[Members, Sequence[str]], openings: Sequence[str]
) -> list[Members]:
    """Sets of bales in the order in which they are taken; those over the same pairs together."""
    alike: dict[Any, list[Members]] = {}
    for bales in held:
        pair = units[bales].shared["pair"]
        alike.setdefault(pair if is_given(pair) else bales, []).append(bales)
    place = {key: k for k, key in enumerate(alike)}

    def order(key: Any) -> tuple[int, int, int, int]:
        """Sets of most bindings, at most openings, from the earliest on, as bales stand."""
        mine = alike[key]
        bindings = {units[bales].shared["binding"] for bales in mine}
        at = [openings.index(opening) for bales in mine for opening in held[bales]]
        return (-len(bindings), -len(at), min(at, default=len(openings)), place[key])

    return [bales for key in sorted(alike, key=order) for bales in alike[key]]
