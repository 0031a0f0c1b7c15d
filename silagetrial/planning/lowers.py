"""What lowers the power of a plan: the truth is changed in one way at a time, and simulated."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.chunks import Progress
from silagetrial.planning.finished import finished
from silagetrial.planning.from_plan import primary_of, scenario_of, truth_of
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulate import simulate_grid
from silagetrial.planning.truth import Truth

__all__ = ["AS_PLANNED", "what_lowers"]

AS_PLANNED = "as planned"
SHARES = ("power", "difference", "paired_t", "size", "paired_t_size")
LOST = 0.1
"""Share of bales, or of results, that are lost more than planned."""
FEWER_SEEN = -0.5244005127080407
"""Standard normal deviate below which 3 in 10 lie."""


def what_lowers(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    pairs: int | tuple[int, ...] | None = None,
    effect: float | None = None,
    report: str | Path | None = None,
    changes: Mapping[str, Mapping[str, Any]] | None = None,
    trials: int = 4000,
    seed: int | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    checkpoint: str | Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> Table:
    """Simulate a plan with its truth changed in one way at a time.

    Parameters
    ----------
    plan, response, pairs, effect, report
        As in `simulate_power`.
    changes : mapping of str to mapping, optional
        What each change is called, and the fields of `Truth` that it sets; by default lost bales
        and results, more spread, spread that grows with storage or differs between the bindings,
        correlation over storage, heavy tails, an effect that varies from farm to farm, and a
        limit of the laboratory, as far as they have a meaning in the plan's layout.
    trials, seed, workers, cluster, checkpoint, progress
        As in `simulate_power`; each change is simulated twice, with the effect and without.

    Returns
    -------
    Table
        ``change trials power difference paired_t size paired_t_size``, each share with its Monte
        Carlo standard error in a column that ends in ``_mc``: the power of the planned contrast
        by the model of the report, its difference to the plan's own, the power of the exact
        companion, and the sizes of both tests where the bindings do not differ.  The plan's own
        is the first row; the others follow from the lowest power.

    Raises
    ------
    NoAnswer
        The layout has no test of the binding.
    UsageError
        An option is no good, or nothing is assumed of the response.

    Examples
    --------
    >>> from silagetrial import what_lowers                                     # doctest: +SKIP
    >>> print(what_lowers("plan.toml"))                                         # doctest: +SKIP
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    wanted = response_planned(plan, response)
    past = None if report is None else finished(report, wanted.name)
    variances = None if past is None else past.to_components(plan)[0]
    truth = truth_of(plan, wanted, effect=effect, variances=variances)
    own = scenario_of(plan, truth, pairs=pairs)
    primary = primary_of(plan, own)
    given = _usual(own, primary, log=wanted.scale == "log") if changes is None else changes
    changed = {AS_PLANNED: truth, **{words: _changed(truth, new) for words, new in given.items()}}
    found = simulate_grid(
        _with_and_without(own, changed),
        trials=trials,
        seed=plan.seed if seed is None else seed,
        primary=primary,
        workers=workers,
        cluster=cluster,
        checkpoint=checkpoint,
        progress=progress,
    )
    frame = _table(found.table.frame, primary, own, list(changed))
    if not len(frame):
        raise NoAnswer(
            found="a simulation interrupted before its first trials",
            expected="some trials of the plan as it is",
            remedy="let it run longer",
        )
    notes = (
        f"Share of simulated trials in which the difference is shown: {primary}; size: the same "
        "where the bindings do not differ. A change that raises the size above "
        f"{100 * own.alpha:.0f} % breaks the model's test, and its power cannot be trusted: read "
        "the paired t, computed from pair to pair, where its own size holds.",
        "mc: Monte Carlo standard error of the column before.",
    )
    formats = {"trials": ",.0f", **dict.fromkeys(SHARES, ".3f")}
    formats |= {f"{name}_mc": ".4f" for name in SHARES}
    title = f"What lowers the power, one at a time: {wanted.in_sentence}"
    return Table(frame, title=title, notes=notes, formats=formats)


def _with_and_without(own: Scenario, changed: Mapping[str, Truth]) -> list[Scenario]:
    """Each truth twice: with its effect, and with none."""
    return [
        scenario
        for words, true in changed.items()
        for scenario in (
            replace(own, name=words, truth=true),
            replace(own, name=_without(words), truth=replace(true, effect=(0.0,))),
        )
    ]


def _without(change: str) -> str:
    """Name of the scenario in which the bindings do not differ."""
    return f"{change}, no difference"


def _changed(truth: Truth, new: Mapping[str, Any]) -> Truth:
    """Change a truth; parts of its spread are named as those of `Spread`."""
    spread = {name: value for name, value in new.items() if name in vars(truth.spread)}
    rest = {name: value for name, value in new.items() if name not in spread}
    unknown = sorted(set(rest) - set(vars(truth)))
    if unknown:
        raise UsageError(
            found=f"{unknown[0]!r} among the changes",
            expected=f"one of {', '.join((*vars(truth), *vars(truth.spread)))}",
            remedy="name what is changed as in Truth or Spread",
        )
    return replace(truth, **{"spread": replace(truth.spread, **spread), **rest})


def _usual(own: Scenario, primary: str, *, log: bool) -> dict[str, Mapping[str, Any]]:
    """Changes that mean something in this layout."""
    truth, grid = own.truth, own.grid
    worse = min(truth.lost + LOST, 0.9)
    out: dict[str, Mapping[str, Any]] = {
        "all variation a quarter higher": {
            name: 1.25 * sd for name, sd in vars(truth.spread).items()
        },
        "1 bale in 10 lost": {"lost": worse},
        "1 bale in 10 lost, sooner the worse": {"lost": worse, "spoilage": truth.spoilage + 1.0},
        "1 result in 10 missing": {"missing": min(truth.missing + LOST, 0.9)},
        "one binding varies twice as much": {"by_binding": 2 * truth.by_binding},
    }
    if len(grid.days) > 1:
        out["spread doubles over storage"] = {"by_opening": 2 * truth.by_opening}
    if grid.recored and truth.spread.core > 0 and truth.half_life < 60:
        out["cores alike: half-life 60 days"] = {"half_life": 60.0}
    if truth.tails > 4:
        out["heavy tails: t with 4 df"] = {"tails": 4.0}
    difference = abs(float(own.true_values()[own.book.names.index(primary)]))
    if grid.site.max() > 0 and difference > 0:
        sd = math.hypot(truth.spread.effect_between_sites, difference / 2)
        out["effect varies by half from farm to farm"] = {"effect_between_sites": sd}
    if log and truth.limit is None:
        limit = float(np.mean(truth.level)) + FEWER_SEEN * _total(truth.spread)
        out["3 results in 10 below the limit"] = {
            "limit": limit, "substitute": limit - math.log(2.0)
        }  # fmt: skip
    return out


def _total(spread: Spread) -> float:
    """Standard deviation of one result among all of one binding."""
    parts = {**vars(spread), "effect_between_sites": spread.effect_between_sites / math.sqrt(2.0)}
    return math.sqrt(sum(sd**2 for sd in parts.values()))


def _table(frame: pd.DataFrame, primary: str, own: Scenario, changes: list[str]) -> pd.DataFrame:
    """A row a change, from the rows of all scenarios."""
    model, companion = (analysis.name for analysis in own.analyses)
    found: dict[tuple[str, str], dict[Any, Any]] = {
        (row["scenario"], row["analysis"]): row
        for row in frame.to_dict("records")
        if row["contrast"] == primary
    }

    def share(scenario: str, analysis: str) -> tuple[float, float]:
        """Share of significant trials and its Monte Carlo error."""
        row = found[scenario, analysis]
        return row["rejected"], row["rejected_mc"]

    rows: list[tuple[Any, ...]] = []
    for change in changes:
        if not {(AS_PLANNED, model), (change, model), (_without(change), model)} <= found.keys():
            continue  # the simulation was interrupted before its turn
        power, mc = share(change, model)
        planned, planned_mc = share(AS_PLANNED, model)
        rows.append(
            (change, found[change, model]["trials"], power, mc, power - planned,
             math.hypot(mc, planned_mc) if rows else 0.0, *share(change, companion),
             *share(_without(change), model), *share(_without(change), companion))
        )  # fmt: skip
    columns = ["change", "trials", *(f"{name}{mc}" for name in SHARES for mc in ("", "_mc"))]
    out = pd.DataFrame(rows, columns=columns)
    rest = out.iloc[1:].sort_values("power", kind="stable")
    return pd.concat([out.iloc[:1], rest], ignore_index=True)
