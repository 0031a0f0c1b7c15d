"""Which units a response is analysed in: bales, or composites or groups of one size.

Several bales as one value vary less than a bale does, so that one response holds units of one size
only. The choice looks at what was sampled and weighed together, never at a result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from silagetrial.analysis.massbalance import is_whole
from silagetrial.analysis.overlaps import sharing_bales
from silagetrial.analysis.responses import DM_LOSS, Response
from silagetrial.analysis.units import BALE, Measured, Members, Unit, UnitKind, expected_openings
from silagetrial.data.draft import is_given
from silagetrial.data.trial import Trial
from silagetrial.display.language import say

__all__ = ["Choice", "choose_units"]


@dataclass(frozen=True)
class Choice:
    """The units of a response.

    Attributes
    ----------
    kind : UnitKind
    openings : mapping
        Units to the openings at which they were to give a value.
    counts : mapping
        Size of units to the number of bales they hold, added up over openings.
    bindings : mapping
        Size of units to the largest number of bindings that one opening holds in it.
    overlapping : mapping
        Units of the kind chosen whose bales count in another one, and why they are left out.
    """

    kind: UnitKind
    openings: Mapping[Members, tuple[str, ...]]
    counts: Mapping[int, int]
    bindings: Mapping[int, int]
    overlapping: Mapping[Members, str]

    def why_not(self, response: Response, size: int) -> str:
        """Why units of another size are left out, in words."""
        other, here = _kind(response, size), self.counts.get(self.kind.size, 0)
        there = self.counts.get(size, 0)
        names = {"these": self.kind.several, "others": other.several}
        start = say("left_out.other_kind", **names)
        if response is DM_LOSS and not there:
            return say("left_out.lack", start=start)
        most, these = (self.bindings.get(k, 0) for k in (self.kind.size, size))
        if there and these < most:
            return say("left_out.fewer_bindings", start=start, most=most, fewer=these, **names)
        return say("left_out.fewer_bales", start=start, most=here, fewer=there, **names)


def _kind(response: Response, size: int) -> UnitKind:
    return BALE if size == 1 else UnitKind("group" if response is DM_LOSS else "composite", size)


def choose_units(
    trial: Trial, response: Response, found: Measured, units: Mapping[Members, Unit | str]
) -> Choice:
    """Choose the size of unit that holds the most bales, added up over openings.

    Only sizes count that hold as many bindings at one opening as any: one that holds fewer compares
    less, or nothing. Of sizes that hold equally many the smallest is taken, which gives the most
    units. Samples count where the result was determined in any sample of that size at all; a DM
    loss counts where everything was weighed and sampled. Of units that share bales one counts.
    """
    whole = {bales: unit for bales, unit in units.items() if isinstance(unit, Unit)}
    openings = {bales: tuple(expected_openings(trial, unit.rows)) for bales, unit in whole.items()}
    every = [(bales, opening) for bales, expected in openings.items() for opening in expected]
    if response is DM_LOSS:
        held = [(bales, at) for bales, at in every if _weighed(found, whole, bales, at)]
    else:
        held = [(bales, opening) for bales, opening in every if _in_time(found, bales, opening)]
        known = {len(bales) for bales, at in held if _determined(found, response, bales, at)}
        held = [(bales, opening) for bales, opening in held if len(bales) in known]
    twice = _overlapping(trial, response, found, whole, held)
    held = [(bales, opening) for bales, opening in held if bales not in twice]
    cells: dict[int, set[tuple[str, str]]] = {}
    there: dict[int, dict[str, set[str]]] = {}
    for bales, opening in held:
        size = len(bales)
        cells.setdefault(size, set()).update((bale, opening) for bale in bales)
        at = there.setdefault(size, {}).setdefault(opening, set())
        at.add(whole[bales].shared["binding"])
    counts = {size: len(found_in) for size, found_in in cells.items()}
    bindings = {size: max(map(len, at.values())) for size, at in there.items()}
    size = min(counts, key=lambda size: (-bindings[size], -counts[size], size), default=1)
    overlapping = {bales: why for bales, why in twice.items() if len(bales) == size}
    return Choice(_kind(response, size), openings, counts, bindings, overlapping)


def _overlapping(
    trial: Trial,
    response: Response,
    found: Measured,
    units: Mapping[Members, Unit],
    held: Sequence[tuple[Members, str]],
) -> dict[Members, str]:
    """Units of several bales, size by size, that share bales with one that counts, and why."""
    names = trial.settings.opening_names
    alike: dict[int, dict[Members, list[str]]] = {}
    for bales, unit in units.items():
        if len(bales) > 1 and any(_gave(found, response, unit, opening) for opening in names):
            inside = [opening for mine, opening in held if mine == bales]
            alike.setdefault(len(bales), {})[bales] = inside
    out: dict[Members, str] = {}
    for size, sets in alike.items():
        kind = _kind(response, size)
        out |= sharing_bales(units, sets, kind=kind, openings=names)
    return out


def _gave(found: Measured, response: Response, unit: Unit, opening: str) -> bool:
    """Tell whether a unit gave what a response needs at an opening, inside the window or not."""
    if response is DM_LOSS:
        return is_whole(found, unit, opening)
    there = (unit.bales, opening) in found.samples
    return there and _determined(found, response, unit.bales, opening)


def _in_time(found: Measured, bales: Members, opening: str) -> bool:
    """Tell whether bales have a sample of their own inside the window of the opening."""
    return any(sample["in_window"] for sample in found.samples.get((bales, opening), []))


def _determined(found: Measured, response: Response, bales: Members, opening: str) -> bool:
    """Tell whether the laboratory determined a response in some sample of these bales."""
    names = (response.name, f"{response.name}_below")
    samples = found.samples[bales, opening]
    return any(is_given(sample.get(name)) for sample in samples for name in names)


def _weighed(found: Measured, units: Mapping[Members, Unit], bales: Members, opening: str) -> bool:
    """Tell whether bales have all that a DM loss needs; several where not each has it alone."""
    if not is_whole(found, units[bales], opening):
        return False
    alone = [units[(bale,)] for bale in bales]
    return len(bales) == 1 or not all(is_whole(found, one, opening) for one in alone)
