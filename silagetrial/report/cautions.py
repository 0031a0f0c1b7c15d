"""The cautions as a report shows them."""

from __future__ import annotations

from silagetrial.display import cautions as texts
from silagetrial.display.block import Prose

__all__ = ["cautions", "deferral", "short"]


def cautions() -> Prose:
    """Return the cautions on handling, gas, mould and feeding, as a list."""
    return Prose(texts.cautions(), kind="list")


def deferral() -> Prose:
    """Return whom to ask, and which rules come before this report."""
    return Prose((texts.deferral(),))


def short() -> Prose:
    """Return the cautions in a few lines, for page one; the full list stands at the end."""
    return Prose(texts.short_cautions(), kind="list")
