"""What every plan, field sheet and report says about the safety of people and animals."""

from __future__ import annotations

from typing import Final

__all__ = ["CAUTIONS", "DEFERRAL"]

# Weights, heights and distances: extension service of Penn State University; Health and Safety
# Authority of Ireland. Silage gas: NIOSH, IDLH value for nitrogen dioxide, 2017. The advice on
# mouldy bales and masks, and on pieces of net, film and corers, is from memory.
CAUTIONS: Final = (
    "Bales weigh 350 to 1000 kg. Stack them at most three high, and two high when they are soft "
    "or below 350 g DM/kg; one layer below 250 g DM/kg. Stacked on the curved side they form a "
    "pyramid with the bottom row chocked; on flat ends one high is safest.",
    "Stack on firm, level ground, away from overhead lines, and unstack from the top. Nobody "
    "stands under or behind a lifted bale, and no children are near.",
    "Silage gas (nitrogen dioxide) smells of bleach, is brown and heavier than air, and lies "
    "lowest. The first days are the worst: stay out of closed stores for about three weeks and "
    "ventilate them before going in. 13 ppm is immediately dangerous to life or health. The nose "
    "is no alarm, and damage to the lung can come hours later: see a doctor even when well.",
    "Mouldy or torn bales can carry listeria (sheep are most at risk), botulinum toxin (horses, "
    "also cattle) and spores. Discard them, and wear a well-fitting particle mask.",
    "Pieces of net and film, and drill corers, injure people and animals.",
    "No laboratory value proves a bale safe to feed. Neither pH nor butyric acid rules out toxins.",
)
"""Handling, gas, mould, sharp pieces and feeding, one point each."""

DEFERRAL: Final = (
    "Ask the vet about feeding and about sick animals. Follow the local codes on distance of "
    "stores from water, on manual handling and on waste plastics, and take licensed advice where "
    "it is required: they come before anything written here."
)
"""Whom to ask, and which rules come first."""
