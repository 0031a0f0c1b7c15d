"""Values as the equations of this room take them: arrays of floats, or refused."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from silagetrial.errors import UsageError

__all__ = ["Floats", "as_floats", "checked_dm"]

Floats: TypeAlias = NDArray[np.float64]


def as_floats(values: ArrayLike) -> Floats:
    """Return values as an array of floats."""
    return np.asarray(values, dtype=np.float64)


def checked_dm(dm: ArrayLike) -> Floats:
    """Return dry matter, g/kg fresh.

    Raises
    ------
    UsageError
        For a dry matter that is not above 0 and below 1000 g/kg.
    """
    values = as_floats(dm)
    if np.any((values <= 0) | (values >= 1000)):
        wrong = values[(values <= 0) | (values >= 1000)]
        raise UsageError(
            found=f"a dry matter of {wrong.flat[0]:g} g/kg",
            expected="dry matter above 0 and below 1000 g per kg fresh",
            remedy="convert per cent to g/kg (times 10)",
        )
    return values
