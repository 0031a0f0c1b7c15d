"""Repeat analyses: averaged where every sample has equally many, else the first one counts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from silagetrial.data.laboratory.contents import Content
from silagetrial.data.laboratory.settle import Key

__all__ = ["averaged"]


def averaged(
    contents: Mapping[Key, Sequence[Content]], kinds: Mapping[str, str]
) -> tuple[Mapping[Key, Content], Mapping[int, str]]:
    """Return one result for each sample and column.

    Parameters
    ----------
    contents : mapping of Key to sequence of Content
        First analyses first.
    kinds : mapping of str to str
        Sample code to its kind: day0, core, opening.

    Returns
    -------
    mapping of Key to Content
        The mean, on the scale of the values, where every sample of a kind has equally many
        analyses and all of them a value. Else the first: a sample with more analyses would weigh
        more than its partner, and a mean of values and limits is neither.
    mapping of int to str
        Identity of each content to its use: ``used``, ``averaged`` or ``repeat, not used``.
    """
    counts: dict[tuple[str, str], set[int]] = {}
    for (sample, column), found in contents.items():
        if found:
            # A sample with an analysis below the limit is as one without a repeat.
            whole = all(np.isfinite(item.value) for item in found)
            counts.setdefault((kinds[sample], column), set()).add(len(found) if whole else 1)
    used: dict[Key, Content] = {}
    uses: dict[int, str] = {}
    for key, found in contents.items():
        if not found:
            continue
        mean = len(found) > 1 and counts[kinds[key[0]], key[1]] == {len(found)}
        used[key] = found[0]
        if mean:
            value = float(np.mean([item.value for item in found]))
            used[key] = replace(found[0], value=value)
        uses |= {
            id(item): "averaged" if mean else "used" if item is found[0] else "repeat, not used"
            for item in found
        }
    return used, uses
