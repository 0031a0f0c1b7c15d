"""Power by simulation: trials are drawn from a plan and go through the analysis of the report."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from silagetrial.errors import UsageError
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.checkpoint import Checkpoint
from silagetrial.planning.chunks import Progress, simulate
from silagetrial.planning.cluster import cluster_workers
from silagetrial.planning.finished import finished
from silagetrial.planning.from_plan import ANALYSES, primary_of, scenario_of, truth_of
from silagetrial.planning.grids import scenarios_of
from silagetrial.planning.plan import Plan
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.runners import Workers, local_workers
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.simulation import Simulation, simulation_of
from silagetrial.planning.tally import MEASURES, Tally, share_error
from silagetrial.planning.trial_analyses import TrialAnalysis

__all__ = ["Simulation", "scenario_of", "simulate_grid", "simulate_power", "truth_of"]

LONG = 4_000_000
"""Results to draw (trials times rows) from which several processes pay: some 5 s of work in one,
against 2 s for starting others."""


def simulate_power(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    trials: int = 10_000,
    pairs: int | tuple[int, ...] | None = None,
    effect: float | None = None,
    report: str | Path | None = None,
    grid: Mapping[str, Sequence[float]] | None = None,
    precision: float | None = None,
    seed: int | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    checkpoint: str | Path | None = None,
    analyses: tuple[TrialAnalysis, ...] = ANALYSES,
    progress: Callable[[Progress], None] | None = None,
) -> Simulation:
    """Draw trials from a plan, analyse each as planned, and count.

    Parameters
    ----------
    plan : Plan, str or pathlib.Path
    response : str, optional
        By default the primary one.
    trials : int
        Trials simulated, at most, of each scenario.
    pairs : int or tuple of int, optional
        Pairs of each site; by default the plan's.
    effect : float, optional
        Ratio or difference in truth; by default the plan's.
    report : str or pathlib.Path, optional
        A finished report, whose variances are taken in place of the plan's spread.
    grid : mapping of str to sequence of float, optional
        What is varied, in every combination, by the names of the plan's section [grid], which is
        the default; ``{}``: nothing.
    precision : float, optional
        Monte Carlo standard error of the power of the planned contrast at which a scenario stops.
    seed : int, optional
        By default the plan's.
    workers : int or None
        Processes; any number gives the same digits.  None: all cores where the work is long
        enough for them to pay.
    cluster : str, optional
        Address of a dask.distributed scheduler, whose workers are taken instead.
    checkpoint : str or pathlib.Path, optional
        File of finished chunks: a run that was interrupted goes on from it.
    analyses : tuple of TrialAnalysis
    progress : callable, optional
        Called with a `Progress` whenever chunks are finished.

    Returns
    -------
    Simulation
        ``interrupted`` after Ctrl-C: then it holds what was done till then.

    Raises
    ------
    NoAnswer
        The layout has no test of the binding, or the report no variances of the response.
    UsageError
        An option is no good, or nothing is assumed of the response.
    SilageTrialError
        A worker process was killed.

    Examples
    --------
    >>> from silagetrial import simulate_power                                  # doctest: +SKIP
    >>> print(simulate_power("plan.toml", grid={"pairs": [6, 8, 12]}))          # doctest: +SKIP
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    wanted = response_planned(plan, response)
    axes = plan.grid if grid is None else grid
    past = None if report is None else finished(report, wanted.name)
    scenarios = scenarios_of(
        plan,
        wanted,
        axes,
        pairs=pairs,
        effect=effect,
        variances=None if past is None else past.to_components(plan)[0],
        analyses=analyses,
    )
    found = simulate_grid(
        scenarios,
        trials=trials,
        precision=precision,
        primary=primary_of(plan, scenarios[0]),
        seed=plan.seed if seed is None else seed,
        workers=workers,
        cluster=cluster,
        checkpoint=checkpoint,
        progress=progress,
    )
    return found.of_response(wanted, scenarios[0].truth.balance)


def simulate_grid(
    scenarios: Sequence[Scenario],
    *,
    trials: int,
    seed: int,
    primary: str,
    precision: float | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    checkpoint: str | Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> Simulation:
    """Simulate several scenarios as one table.

    Parameters
    ----------
    scenarios : sequence of Scenario
    primary : str
        Contrast whose power's Monte Carlo error decides when to stop.
    trials, seed, precision, workers, cluster, checkpoint, progress
        As for `simulate_power`.
    """
    _check(trials=trials, seed=seed, workers=workers, precision=precision)

    def enough(scenario: int, tally: Tally) -> bool:
        """Whether the precision asked for is reached."""
        if precision is None:
            return False
        return _error(tally, scenarios[scenario], primary) <= precision

    with _workers(scenarios, trials, workers, cluster) as these:
        done, interrupted = simulate(
            scenarios,
            trials=trials,
            seed=seed,
            workers=these,
            enough=enough,
            checkpoint=None if checkpoint is None else Checkpoint(Path(checkpoint)),
            progress=progress,
        )
    found = simulation_of(scenarios, done, seed=seed, primary=primary, asked=trials)
    return replace(found, interrupted=interrupted)


@contextlib.contextmanager
def _workers(
    scenarios: Sequence[Scenario], trials: int, workers: int | None, cluster: str | None
) -> Iterator[Workers]:
    if cluster is not None:
        with cluster_workers(cluster) as these:
            yield these
        return
    if workers is None:
        results = trials * sum(len(scenario.grid.bale) for scenario in scenarios)
        workers = _cores() if results >= LONG else 1
    yield local_workers(workers)


def _cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _check(*, trials: int, seed: int, workers: int | None, precision: float | None) -> None:
    counts: tuple[tuple[str, int | None, int], ...] = (
        ("trials", trials, 1), ("seed", seed, 0), ("workers", workers, 1),
    )  # fmt: skip
    for name, value, least in counts:
        if value is None and name == "workers":
            continue
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise UsageError(
                found=f"{name}={value!r}",
                expected=f"a whole number of at least {least}",
                remedy=f"correct {name}",
            )
    if precision is not None and not 0 < precision < 1:
        raise UsageError(
            found=f"precision={precision!r}",
            expected="a Monte Carlo standard error between 0 and 1, such as 0.005",
            remedy="correct precision",
        )


def _error(tally: Tally, scenario: Scenario, primary: str) -> float:
    """Monte Carlo standard error of the power of the planned contrast."""
    contrast = scenario.book.names.index(primary)
    rejected = float(tally.sums[0, contrast, MEASURES.index("rejected")]) / tally.trials
    return share_error(rejected, tally.trials)
