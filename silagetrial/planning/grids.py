"""Grids of layouts and assumptions: every combination of the values of a plan's [grid]."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import product
from typing import Any

from silagetrial.analysis.responses import Response
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.from_plan import scenario_of, truth_of
from silagetrial.planning.grid_axes import check_axis
from silagetrial.planning.plan import Assumption, Plan, SitePlan, Spread
from silagetrial.planning.plan_keys import GRID_LAYOUT
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.trial_analyses import TrialAnalysis

__all__ = ["scenarios_of"]


def scenarios_of(
    plan: Plan,
    response: Response,
    grid: Mapping[str, Sequence[float]],
    *,
    pairs: int | tuple[int, ...] | None = None,
    effect: float | None = None,
    variances: Floats | None = None,
    analyses: tuple[TrialAnalysis, ...],
) -> list[Scenario]:
    """Make the scenario of every combination, the last axis varying fastest.

    Parameters
    ----------
    plan : Plan
    response : Response
    grid : mapping of str to sequence of float
        Axes and their values; empty: the plan itself.
    pairs, effect, analyses
        As for `simulate_power`.
    variances : (6,) array, optional
        As for `truth_of`.

    Raises
    ------
    UsageError
        An axis without meaning, or one that is given as an option as well.
    NoAnswer
        A layout has no test of the binding.
    """
    for name, values in grid.items():
        check_axis(name, values, response=response.name)
    for name, given in (("pairs", pairs), ("effect", effect)):
        if given is not None and name in grid:
            raise UsageError(
                found=f"{name}={given!r} beside {name} in the grid",
                expected=f"{name} in one place",
                remedy="leave one of them out",
            )
    fixed = {"samples", "analyses"} & grid.keys()
    if variances is not None and fixed:
        raise UsageError(
            found=f"{' and '.join(sorted(fixed))} in the grid beside a finished report",
            expected="variances that tell cores from analyses: the report has one of both",
            remedy="leave one of them out",
        )
    # The model of a layout is looked for once, however many assumptions go through it.
    layouts: dict[tuple[float, ...], Scenario] = {}
    found = []
    for point in _points(grid):
        here = _varied(plan, response, point)
        scaled = None if variances is None else variances * point.get("spread", 1.0) ** 2
        truth = truth_of(here, response, effect=effect, variances=scaled)
        key = tuple(value for name, value in point.items() if name in GRID_LAYOUT)
        if key not in layouts:
            layouts[key] = scenario_of(here, truth, pairs=pairs, analyses=analyses)
        found.append(replace(layouts[key], truth=truth, varied=point))
    return found


def _points(grid: Mapping[str, Sequence[float]]) -> Iterator[dict[str, float]]:
    axes = [
        [int(value) if name in GRID_LAYOUT else float(value) for value in values]
        for name, values in grid.items()
    ]
    for values in product(*axes):
        yield dict(zip(grid, values, strict=True))


def _varied(plan: Plan, response: Response, point: Mapping[str, float]) -> Plan:
    """The plan with the values of one point in place of its own."""
    assumed = plan.assumptions.get(response.name)
    for name, value in point.items():
        if name == "lost":
            plan = replace(plan, lost=value)
        elif name == "sites":
            plan = replace(plan, sites=_sites(plan.sites, int(value)))
        elif name in ("samples", "analyses"):
            new: dict[str, Any] = {name: int(value)}
            plan = replace(plan, laboratory=replace(plan.laboratory, **new))
        elif assumed is not None and name != "pairs":
            assumed = _assumed(assumed, name, value)
    if "pairs" in point:
        pairs = int(point["pairs"])
        plan = replace(plan, sites=tuple(replace(site, pairs=pairs) for site in plan.sites))
    if assumed is None:
        return plan
    return replace(plan, assumptions={**plan.assumptions, response.name: assumed})


def _assumed(assumed: Assumption, name: str, value: float) -> Assumption:
    if name == "effect":
        return replace(assumed, effect=(value,))
    if name == "spread":
        scaled = {part: value * sd for part, sd in vars(assumed.spread).items()}
        return replace(assumed, spread=Spread(**scaled))
    if name in ("level", "limit"):
        new: dict[str, Any] = {name: value}
        return replace(assumed, **new)
    return replace(assumed, departures={**assumed.departures, name: value})


def _sites(sites: tuple[SitePlan, ...], count: int) -> tuple[SitePlan, ...]:
    """So many sites: the plan's first ones, then further ones like them."""
    n = len(sites)
    return tuple(
        replace(sites[k % n], name=f"{sites[k % n].name} ({k // n + 1})") if k >= n else sites[k]
        for k in range(count)
    )
