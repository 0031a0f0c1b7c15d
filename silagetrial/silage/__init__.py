"""Silage arithmetic on arrays: dry matter, its correction for volatiles, and its loss."""

from silagetrial.silage.drymatter import dm_loss, dm_loss_se
from silagetrial.silage.volatiles import (
    COEFFICIENTS,
    CorrectedDm,
    corrected_dm,
    rebase,
    volatile_load,
)

__all__ = [
    "COEFFICIENTS",
    "CorrectedDm",
    "corrected_dm",
    "dm_loss",
    "dm_loss_se",
    "rebase",
    "volatile_load",
]
