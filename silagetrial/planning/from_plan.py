"""From a plan to what is simulated: the truth trials are drawn from, and the layout."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumed_checks import check_ratios
from silagetrial.planning.assumptions import along_storage, components, effects
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.plan import Assumption, Plan, Spread
from silagetrial.planning.plan_checks import room_in_batch
from silagetrial.planning.plan_keys import INSTRUMENTS
from silagetrial.planning.planned_rows import pairs_of, planned_rows
from silagetrial.planning.questions import QuestionBook
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.trial_analyses import PairedTAnalysis, RemlAnalysis, TrialAnalysis
from silagetrial.planning.truth import MassBalance, Truth

__all__ = ["ANALYSES", "primary_of", "scenario_of", "truth_of"]

ANALYSES: tuple[TrialAnalysis, ...] = (RemlAnalysis(), PairedTAnalysis())
"""What every simulated trial goes through: the model of the report and its exact companion."""


def truth_of(
    plan: Plan,
    response: Response,
    *,
    effect: float | None = None,
    variances: Floats | None = None,
) -> Truth:
    """Turn what a plan assumes into what trials are drawn from.

    Parameters
    ----------
    plan : Plan
    response : Response
    effect : float, optional
        Ratio or difference; by default the plan's.
    variances : (6,) array, optional
        On the scale of the model, in the order of `COMPONENTS`, in place of the plan's spread.

    Returns
    -------
    Truth
        On the scale of the model.

    Raises
    ------
    UsageError
        Nothing is assumed of the response, or what is assumed cannot be.
    """
    assumed = plan.assumptions.get(response.name)
    if assumed is None and variances is not None:
        assumed = Assumption()
    if assumed is None:
        raise UsageError(
            found=f"nothing assumed of {response.label}",
            expected=f"a section [assumptions.{response.name}] with its spread",
            remedy="add the section, or take the spread from a finished report with --from",
        )
    if effect is not None:
        check_ratios(response.name, (effect,))
    log = response.scale == "log"
    level, limit = assumed.level, assumed.limit
    if limit is not None and level is None:
        raise UsageError(
            found=f"a limit of {response.label} without its level",
            expected=f"the median of the reference binding in [assumptions.{response.name}]",
            remedy="add level, or remove limit",
        )
    return Truth(
        _spread(plan, response, assumed.spread, variances),
        effect=tuple(along_storage(plan, effects(plan, response, effect)).tolist()),
        level=(0.0 if level is None else math.log(level) if log else level,),
        limit=None if limit is None else math.log(limit) if log else limit,
        substitute=0.0 if limit is None else math.log(limit / 2.0) if log else limit / 2.0,
        lost=plan.lost,
        spare=_spare(plan),
        balance=_balance(plan, response, assumed),
        **_departures(response, assumed),
    )


def _spare(plan: Plan) -> tuple[int, ...]:
    """Spare pairs of each farm, those of its cuts together."""
    found: dict[str, int] = {}
    for site in plan.sites:
        found[site.name] = found.get(site.name, 0) + site.spare_pairs
    return tuple(found.values())


def _spread(plan: Plan, response: Response, assumed: Spread, variances: Floats | None) -> Spread:
    """Standard deviations on the scale of the model; a report tells no laboratory from cores."""
    given = components(assumed, response, plan.laboratory) if variances is None else variances
    site, crossed, run, pair, bale, within = (math.sqrt(v) for v in given)
    core = within
    if variances is None:
        alone = replace(assumed, laboratory=0.0)
        core = math.sqrt(components(alone, response, plan.laboratory)[-1])
    return Spread(
        site=site,
        pair=pair,
        bale=bale,
        core=core,
        laboratory=math.sqrt(max(within**2 - core**2, 0.0)),
        effect_between_sites=crossed * math.sqrt(2.0),
        run=run,
    )


def _departures(response: Response, assumed: Assumption) -> dict[str, Any]:
    """Departures as `Truth` names them; of batches, a coefficient of variation for ratios."""
    found: dict[str, Any] = {k: v for k, v in assumed.departures.items() if k not in INSTRUMENTS}
    if response.scale == "log" and "batch" in found:
        found["batch"] = math.copysign(math.sqrt(math.log1p(found["batch"] ** 2)), found["batch"])
    return found


def _balance(plan: Plan, response: Response, assumed: Assumption) -> MassBalance | None:
    """Errors of scales and ovens of DM losses, where the plan's [measurement_sd] gives any."""
    given = plan.settings.measurement_sd
    if response.name != "dm_loss" or (given.mass is None and given.dm is None):
        return None
    typical: dict[str, Any] = {
        INSTRUMENTS[k]: v for k, v in assumed.departures.items() if k in INSTRUMENTS
    }
    return MassBalance(mass_sd=given.mass or 0.0, dm_sd=given.dm or 0.0, **typical)


def scenario_of(
    plan: Plan,
    truth: Truth,
    *,
    pairs: int | tuple[int, ...] | None = None,
    analyses: tuple[TrialAnalysis, ...] = ANALYSES,
    name: str = "",
    varied: Mapping[str, float] | None = None,
) -> Scenario:
    """Lay out a plan for simulation.

    Parameters
    ----------
    plan : Plan
    truth : Truth
    pairs : int or tuple of int, optional
        Pairs of each site; by default the plan's.
    analyses : tuple of TrialAnalysis
    name : str
        What the scenario is called in tables.
    varied : mapping of str to float, optional
        What of a grid the scenario is.

    Raises
    ------
    NoAnswer
        The layout has no test of the binding.
    """
    settings = plan.settings
    rows = planned_rows(plan, pairs_of(plan, pairs))
    days = {opening.name: opening.days for opening in settings.openings}
    rows = rows.assign(days=rows["opening"].map(days))
    first, second = _contrast(plan)
    others = (other for other in settings.compare if other not in (first, second))
    book = QuestionBook(rows, settings)
    seen = {opening: days[opening] for opening in book.openings}
    if book.question(tuple(range(len(seen)))) is None:
        raise NoAnswer(
            found=f"a layout of {rows['pair'].nunique()} pairs that has no test of the binding",
            expected="at least two pairs at an opening",
            remedy="plan more pairs",
        )
    grid = Grid.of(rows.assign(batch=_batches(plan, rows)), (second, first, *others), seen)
    return Scenario(name, grid, book, truth, analyses, settings.analysis.alpha, varied or {})


def _batches(plan: Plan, rows: pd.DataFrame) -> pd.Series[Any]:
    """Laboratory batches as the layout makes them: whole pairs of one farm and opening.

    As the bales of a pair lie in one batch, the model of the report has no term for it.
    """
    each = len(plan.settings.compare) * plan.laboratory.samples * plan.laboratory.analyses
    place = rows.groupby(["lot", "opening"])["pair"].transform(lambda p: pd.factorize(p)[0])
    pairs = place.groupby([rows["lot"], rows["opening"]]).transform("max") + 1
    count = np.ceil(pairs / max(1, room_in_batch(plan) // each)).astype(int)
    names = rows["lot"] + " " + rows["opening"] + " " + (place % count).astype(str)
    return pd.Series(names, dtype=object)


def _contrast(plan: Plan) -> tuple[str, str]:
    """Return the planned contrast: first minus second."""
    settings = plan.settings
    if len(settings.analysis.contrast) == 2:
        return settings.analysis.contrast[0], settings.analysis.contrast[1]
    first = next(name for name in settings.compare if name != settings.reference)
    return first, settings.reference


def primary_of(plan: Plan, scenario: Scenario) -> str:
    """Return the name of the planned contrast among those of a scenario."""
    openings = scenario.book.openings
    if plan.aim != "opening" and len(openings) > 1:
        return plan.aim
    planned = plan.settings.analysis.opening
    return f"at {planned if planned in openings else openings[-1]}"
