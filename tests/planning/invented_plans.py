"""Plans with invented names, for every test that needs one."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

from silagetrial.data.settings import AnalysisPlan, Opening, Settings
from silagetrial.planning.plan import Factor, Plan, SitePlan

__all__ = ["make_plan", "make_settings"]

BALING = dt.date(2027, 5, 20)
EQUAL = {"film_layers": 6, "baler": "baler X"}
SITE = SitePlan("", 0, baling=BALING)


def make_settings(
    *, openings: int = 3, bindings: int = 2, design: str = "separate", **further: Any
) -> Settings:
    names = ("net", "film", "twine", "sisal")[:bindings]
    factors = tuple(further.pop("factors", ()))
    planned = tuple(
        Opening(f"{2 * n} months", 60.0 * n, (60.0 * n - 10, 60.0 * n + 10))
        for n in range(1, openings + 1)
    )
    return Settings(
        title="invented",
        compare=names,
        reference="net",
        design=design,
        held_equal=further.pop("held_equal", EQUAL),
        openings=planned,
        analysis=AnalysisPlan(contrast=("film", "net"), factors=factors),
        **further,
    )


def make_plan(
    *pairs: int,
    openings: int = 3,
    bindings: int = 2,
    design: str = "separate",
    factors: tuple[Factor, ...] = (),
    site: SitePlan = SITE,
    held_equal: dict[str, str | float] | None = None,
    **further: Any,
) -> Plan:
    """One site for each number of pairs, like `site` otherwise."""
    settings = make_settings(
        openings=openings,
        bindings=bindings,
        design=design,
        factors=[factor.column for factor in factors],
        held_equal=EQUAL if held_equal is None else held_equal,
    )
    sites = tuple(replace(site, name=f"Farm {n}", pairs=k) for n, k in enumerate(pairs, 1))
    return Plan(settings, sites, factors=factors, **further)
