"""Power over numbers of pairs from simulated trials, with the formula beside it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.errors import NoAnswer
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.chunks import Progress
from silagetrial.planning.curves import axis_of_pairs
from silagetrial.planning.finished import finished
from silagetrial.planning.many import Case, powers
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Plan
from silagetrial.planning.simulate import simulate_power

__all__ = ["simulated_by_pairs"]

_POINTS: Final = 8


def simulated_by_pairs(
    plan: Plan,
    *,
    response: str | None = None,
    effect: float | None = None,
    report: str | Path | None = None,
    pairs: Sequence[int] | None = None,
    trials: int = 4000,
    seed: int | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    checkpoint: str | Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> pd.DataFrame:
    """Simulate the planned contrast with several numbers of pairs.

    Parameters
    ----------
    plan, response, effect, report, trials, seed, workers, cluster, checkpoint, progress
        As in `simulate_power`.
    pairs : sequence of int, optional
        Of each site; from few to past what is needed, when left out.

    Returns
    -------
    pandas.DataFrame
        ``pairs power power_mc paired_t paired_t_mc formula``: pairs in all; power by the model of
        the report and by the exact companion with their Monte Carlo standard errors; power by
        formula, NaN where it has no answer.
    """
    name = response_planned(plan, response).name
    past = None if report is None else finished(report, name)
    variances = None if past is None else past.to_components(plan)[0]
    if pairs is None:
        pairs = _axis(plan, name, effect, variances)
    found = simulate_power(
        plan,
        response=name,
        effect=effect,
        report=report,
        grid={"pairs": tuple(pairs)},
        trials=trials,
        seed=seed,
        workers=workers,
        cluster=cluster,
        checkpoint=checkpoint,
        progress=progress,
    )
    frame = found.table.frame
    frame = frame[frame["contrast"] == found.primary]
    out = pd.DataFrame({"pairs": [count * len(plan.sites) for count in pairs]})
    analyses = [analysis.name for analysis in found.scenarios[0].analyses]
    for column, analysis in zip(("power", "paired_t"), analyses, strict=True):
        here = frame[frame["analysis"] == analysis].set_index("pairs").reindex(list(pairs))
        out[column] = here["rejected"].to_numpy()
        out[f"{column}_mc"] = here["rejected_mc"].to_numpy()
    cases = [Case(plan, name, count, effect, variances, "difference") for count in pairs]
    return out.assign(formula=powers(cases)).dropna(subset="power", ignore_index=True)


def _axis(
    plan: Plan, response: str, effect: float | None, variances: np.ndarray | None
) -> tuple[int, ...]:
    """Numbers of pairs as in the picture of the formula, fewer of them, the plan's among them."""
    try:
        needed = pairs_needed(plan, response=response, effect=effect, spread=variances).pairs
    except NoAnswer:
        needed = None
    counts = axis_of_pairs(plan, needed)
    step = math.ceil(len(counts) / _POINTS)
    planned = max(site.pairs for site in plan.sites)
    return tuple(sorted({*counts[::step], counts[-1], planned}))
