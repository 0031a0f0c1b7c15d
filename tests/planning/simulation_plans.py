"""Plans that tests of simulation draw trials from."""

from __future__ import annotations

from collections.abc import Mapping

from silagetrial.data.settings import AnalysisPlan, Design, Opening, Settings
from silagetrial.planning.plan import Assumption, Plan, SitePlan, Spread

CORES = Spread(core=1.0)


def plan_of(
    pairs: int,
    *,
    openings: tuple[float, ...] = (30, 90, 180, 270),
    sites: int = 1,
    design: Design = "recored",
    response: str = "pH",
    effect: tuple[float, ...] = (0.0,),
    spread: Spread = CORES,
    departures: Mapping[str, float] | None = None,
    level: float | None = None,
    limit: float | None = None,
    lost: float = 0.0,
    analysis: Mapping[str, object] | None = None,
) -> Plan:
    """Net and film on some sites, compared by differences unless the response is an acid."""
    planned = tuple(Opening(f"{d:g} days", float(d), (d - 5.0, d + 5.0)) for d in openings)
    settings = Settings(
        title="made for a test",
        compare=("net", "film"),
        reference="net",
        design=design,
        openings=planned,
        analysis=AnalysisPlan(primary=response, contrast=("film", "net"), **(analysis or {})),
    )
    assumed = Assumption(
        effect=effect, level=level, limit=limit, spread=spread, departures=departures or {}
    )
    farms = tuple(SitePlan(f"farm {k}", pairs) for k in range(sites))
    return Plan(settings, farms, assumptions={response: assumed}, lost=lost)
