"""What limits a plan, and what becomes of it if the assumptions are wrong, in sentences."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final

from silagetrial.display.phrases import block_word, count
from silagetrial.display.table import Table
from silagetrial.planning.facts import Facts

__all__ = ["if_wrong", "limits_it"]


def limits_it(parts: Table, *, block: str) -> str:
    """Say which source of variation decides, and what halving it would save.

    Parameters
    ----------
    parts : Table
        From `dominance`.
    block : str
        ``pair`` or ``set``.
    """
    row = parts.frame.iloc[0]
    said = (
        f"Most of the uncertainty, {100 * row['share']:.0f} %, comes from the variation "
        f"{row['what']}."
        if row["share"] > 0.5
        else f"The largest part of the uncertainty, {100 * row['share']:.0f} %, comes from the "
        f"variation {row['what']}."
    )
    if math.isfinite(row["saved"]):
        now = int(row["pairs"] + row["saved"])
        said += (
            f" Halving its variance would save {int(row['saved'])} of {count(now, block)} on each "
            "farm."
        )
    elif math.isfinite(row["pairs"]):
        said += (
            f" With its variance halved {count(int(row['pairs']), block)} on each farm would do."
        )
    return f"{said}{_WAYS.get(row['source'], '')}"


def if_wrong(facts: Facts, wrong: Table) -> str:
    """Say what becomes of the power if the variances are half or twice what is assumed.

    Parameters
    ----------
    facts : Facts
    wrong : Table
        From `sensitivity`.
    """
    block = block_word(facts.plan.settings.compare)
    each = " on each farm" if len(facts.plan.sites) > 1 else ""
    rows = wrong.frame.set_index("variances")

    def becomes(name: str) -> str:
        """What power and pairs become in one case, in words."""
        row = rows.loc[name].to_dict()
        power, pairs = float(row["power"]), float(row["pairs"])
        takes = (
            f"it takes {count(int(pairs), block)}{each}"
            if math.isfinite(pairs)
            else f"no number of {block}s looked at is enough"
        )
        return f"{100 * power:.0f} % power and {takes}"

    return (
        f"If the assumptions are wrong: with all variances halved {becomes('halved')}; doubled, "
        f"{becomes('doubled')}."
    )


_WAYS: Final[Mapping[str, str]] = {
    "core": " Twice as many samples of each bale, mixed or averaged, halve it.",
    "laboratory": " Two analyses of each sample, averaged, halve it.",
    "within": " More samples of each bale, mixed or averaged, make it less.",
    "bale": " Bales of one pair made closer together, from one windrow, make it less; otherwise "
    "only more bales do.",
    "site:binding": " More farms, not more bales on each, make it less.",
    "run": " Changing the binding more often makes it less.",
}
