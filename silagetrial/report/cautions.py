"""The cautions as a report shows them."""

from __future__ import annotations

from silagetrial.display.block import Prose
from silagetrial.display.cautions import CAUTIONS, DEFERRAL

__all__ = ["cautions", "deferral"]


def cautions() -> Prose:
    """Return the cautions on handling, gas, mould and feeding, as a list."""
    return Prose(CAUTIONS, kind="list")


def deferral() -> Prose:
    """Return whom to ask, and which rules come before this report."""
    return Prose((DEFERRAL,))
