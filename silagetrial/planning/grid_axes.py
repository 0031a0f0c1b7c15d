"""What the [grid] of a plan may vary, and which values make sense."""

from __future__ import annotations

from collections.abc import Sequence

from silagetrial.data.nearest import did_you_mean
from silagetrial.errors import UsageError
from silagetrial.planning.assumed_checks import Fault, cv_fault, effect_fault, share_fault
from silagetrial.planning.plan_keys import GRID_LAYOUT, GRID_NAMES

__all__ = ["check_axis"]


def check_axis(name: str, values: Sequence[float], *, response: str) -> None:
    """Refuse an axis of a grid that has no meaning.

    Parameters
    ----------
    name : str
    values : sequence of float
    response : str
        The response that is simulated.

    Raises
    ------
    UsageError
        An unknown name, a value twice or none, or values that cannot be, percentages among them.
    """
    if name not in GRID_NAMES:
        raise UsageError(
            found=f"{name!r} in the grid",
            expected=f"one of {', '.join(GRID_NAMES)}",
            remedy=did_you_mean(name, GRID_NAMES, otherwise="remove it"),
        )
    whole = name in GRID_LAYOUT
    for good, expected in (
        (0 < len(set(values)) == len(values), "one value or several different ones"),
        (not whole or all(v >= 1 and v == int(v) for v in values), "whole numbers from 1"),
        (name != "spread" or all(v >= 0 for v in values), "factors from 0"),
        (name not in ("level", "limit") or all(v > 0 for v in values), "values above 0"),
    ):
        if not good:
            raise UsageError(
                found=f"{name} = {list(values)} in the grid",
                expected=expected,
                remedy=f"correct {name}",
            )
    for value in values:
        fault = _assumed_fault(name, value, response)
        if fault is not None:
            found = f"{name} = {list(values)} in the grid"
            raise UsageError(found=found, expected=fault[0], remedy=fault[1])


def _assumed_fault(name: str, value: float, response: str) -> Fault | None:
    """Return what is wrong with a value as an assumption, in the words of those."""
    if name == "effect":
        return effect_fault(response, (value,))
    if name == "batch":
        return cv_fault(response, value)
    return share_fault(value) if name in ("lost", "missing") else None
