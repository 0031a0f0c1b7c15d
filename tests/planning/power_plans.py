"""Small plans for tests of power by formula; all names are invented."""

from __future__ import annotations

import math
from typing import Any

from silagetrial.data.settings import AnalysisPlan, Opening, Settings
from silagetrial.planning.plan import Assumption, Plan, SitePlan, Spread

__all__ = ["cv_of", "power_plan"]

DAYS = {"A": 30.0, "B": 90.0, "C": 180.0, "D": 270.0}
PAIRED = Spread(bale=0.7 / math.sqrt(2.0))
"""Standard deviation 0.7 of the difference within a pair."""


def cv_of(sd: float) -> float:
    """Coefficient of variation of a lognormal variable whose logarithm has this SD."""
    return math.sqrt(math.expm1(sd**2))


def power_plan(
    *pairs: int,
    design: str = "separate",
    openings: str = "A",
    bindings: tuple[str, ...] = ("net", "film"),
    response: str = "dm_loss",
    spread: Spread = PAIRED,
    effect: tuple[float, ...] = (0.5,),
    level: float | None = None,
    limit: float | None = None,
    analysis: dict[str, Any] | None = None,
    spare_pairs: int = 0,
    **plan: Any,
) -> Plan:
    """A site for each number of pairs; film minus net, of DM loss in percentage points."""
    settings = Settings(
        compare=bindings,
        reference=bindings[0],
        design=design,
        openings=tuple(Opening(n, DAYS[n], (DAYS[n] - 9, DAYS[n] + 9)) for n in openings),
        analysis=AnalysisPlan(
            **{"primary": response, "contrast": ("film", "net"), **(analysis or {})}
        ),
    )
    sites = tuple(SitePlan(f"Farm {i}", n, spare_pairs) for i, n in enumerate(pairs or (8,)))
    assumed = Assumption(effect=effect, level=level, limit=limit, spread=spread, source="invented")
    return Plan(settings, sites, assumptions={response: assumed}, **plan)
