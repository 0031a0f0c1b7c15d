"""What every plan, field sheet and report says about the safety of people and animals."""

from __future__ import annotations

from silagetrial.display.language import say

__all__ = ["cautions", "deferral", "short_cautions"]


def cautions() -> tuple[str, ...]:
    """Return handling, gas, mould, sharp pieces and feeding, one point each."""
    return (
        say("caution.stacking"),
        say("caution.ground"),
        say("caution.gas"),
        say("caution.mould"),
        say("caution.pieces"),
        say("caution.feeding"),
    )


def deferral() -> str:
    """Return whom to ask, and which rules come first."""
    return say("caution.deferral")


def short_cautions() -> tuple[str, ...]:
    """Return the same in four lines, for a first page."""
    return (
        say("caution.short_feeding"),
        say("caution.short_gas"),
        say("caution.short_handling"),
        say("caution.short_more"),
    )
