"""What simulated trials give: one table, the failed trials, and any trial drawn again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.planning.chunks import Done, chunk_rng, chunk_sizes
from silagetrial.planning.draws import draw_trials
from silagetrial.planning.scenario import Scenario
from silagetrial.planning.tally import FAILURES, STATES, summary
from silagetrial.planning.truth import MassBalance

__all__ = ["Simulation", "simulation_of"]

_SHOWN = (
    "scenario", "analysis", "contrast", "truth", "trials", "rejected", "rejected_mc", "covered",
    "covered_mc", "bias", "bias_mc", "width", "width_mc", "negative", "held", "failed",
)  # fmt: skip
_FORMATS = {
    **dict.fromkeys(("truth", "rejected", "covered", "bias", "width", *STATES), ".3f"),
    **dict.fromkeys(("rejected_mc", "covered_mc", "bias_mc", "width_mc"), ".4f"),
    "trials": ",.0f",
}


@dataclass(frozen=True, repr=False)
class Simulation(ShownInParts):
    """Simulated trials of one or more scenarios.

    Attributes
    ----------
    table : Table
        One row a scenario, analysis and contrast, with the values of a grid in front:
        ``rejected`` (power, or size where the truth is no difference), ``covered``, ``bias``,
        ``width``, ``negative``, ``held``, ``failed``, each with its Monte Carlo standard error
        in the column that ends in ``_mc``.
    failures : Table
        The first 20 failed trials of each scenario and analysis: ``scenario chunk trial``, with
        which `trial` draws them again.
    primary : str
        The planned contrast.
    scenarios : tuple of Scenario
    seed : int
    asked : int
        Trials asked for, of each scenario.
    interrupted : bool
        The run was stopped before its end; the table holds what was done.
    """

    table: Table
    failures: Table
    primary: str
    scenarios: tuple[Scenario, ...]
    seed: int
    asked: int
    interrupted: bool = False

    def trial(self, chunk: int, trial: int, *, scenario: int = 0) -> pd.DataFrame:
        """Draw one of the trials again, as it went into the analysis.

        Parameters
        ----------
        chunk, trial : int
            Number of the chunk, and of the trial in it, both from 0.
        scenario : int
            Number of the scenario, from 0.

        Returns
        -------
        pandas.DataFrame
            One row a result: ``pair bale site binding opening days value below``; ``value`` on
            the scale of the model, missing where the result is.
        """
        sizes = chunk_sizes(self.asked)
        if not (
            0 <= scenario < len(self.scenarios)
            and 0 <= chunk < len(sizes)
            and 0 <= trial < sizes[chunk]
        ):
            raise UsageError(
                found=f"trial {trial} of chunk {chunk} of scenario {scenario}",
                expected=f"scenarios 0 to {len(self.scenarios) - 1}, chunks 0 to {len(sizes) - 1}, "
                "and a trial of the chunk, counted from 0",
                remedy="take them from the table of failures",
            )
        here = self.scenarios[scenario]
        rng = chunk_rng(self.seed, scenario, chunk)
        drawn = draw_trials(here.grid, here.truth, rng, sizes[chunk])
        there = True if drawn.present is None else drawn.present[trial]
        columns = ["pair", "bale", "site", "binding", "opening", "days"]
        return here.book.rows[columns].assign(
            value=np.where(there, drawn.y[trial], np.nan),
            below=False if drawn.below is None else drawn.below[trial],
        )

    def of_response(self, response: Response, balance: MassBalance | None) -> Simulation:
        """Name the response above the table, and the errors of measuring drawn with it."""
        notes = self.table.notes
        if balance is not None:
            notes = (
                *notes,
                f"Beside the spread assumed, DM losses carry errors of scales (SD "
                f"{balance.mass_sd:g} kg of {balance.mass:g} kg) and ovens (SD {balance.dm_sd:g} "
                f"of {balance.dm:g} g/kg).",
            )
        title = f"{response.label}: simulated trials"
        return replace(self, table=replace(self.table, title=title, notes=notes))

    @property
    def shown(self) -> Table:
        """The table without the columns that few look at; of a grid, the planned contrast."""
        frame = self.table.frame
        varied = [name for name in frame if name in self.scenarios[0].varied]
        if len(self.scenarios) > 1 and len(frame):
            frame = frame[frame["contrast"] == self.primary]
        columns = [*varied, *(name for name in _SHOWN if name in frame)]
        return replace(self.table, frame=frame[columns].reset_index(drop=True))

    def _parts(self) -> list[Table]:
        """What is looked at first, the places of failed trials in one line an analysis."""
        if not len(self.failures):
            return [self.shown]
        frame = self.failures.frame
        places = frame["chunk"].astype(str) + ":" + frame["trial"].astype(str)
        keys = ["scenario", "analysis"]
        joined = places.groupby([frame[key] for key in keys]).agg(" ".join).reset_index()
        joined.columns = pd.Index([*keys, "chunk:trial"])
        return [self.shown, replace(self.failures, frame=joined)]


def simulation_of(
    scenarios: Sequence[Scenario], done: Sequence[Done], *, seed: int, primary: str, asked: int
) -> Simulation:
    """Turn tallies into tables.

    Parameters
    ----------
    scenarios : sequence of Scenario
    done : sequence of Done
        One a scenario; those without a chunk have no rows.
    seed : int
    primary : str
    asked : int
        Trials asked for.
    """
    rows = []
    for scenario, each in zip(scenarios, done, strict=True):
        if each.tally is not None:
            rows += summary(
                each.tally,
                analyses=tuple(analysis.name for analysis in scenario.analyses),
                contrasts=scenario.book.names,
                truth=scenario.true_values(),
                labels=_labels(scenario),
            )
    frame = pd.DataFrame(rows)
    notes = (
        "rejected: power, or size where the truth is no difference; share of all trials, a trial "
        "without an answer counting as not significant.",
        "covered, bias, width: over trials with an answer, on the scale of the model. negative, "
        "held: a variance below zero, or at a bound.",
        f"mc: Monte Carlo standard error of the column before. Seed {seed}.",
    )
    table = Table(frame, title="Simulated trials", notes=notes, formats=_FORMATS)
    failures = _failures(scenarios, done, seed)
    return Simulation(table, failures, primary, tuple(scenarios), seed, asked)


def _labels(scenario: Scenario) -> dict[str, object]:
    name: dict[str, object] = {"scenario": scenario.name} if scenario.name else {}
    return {**name, **scenario.varied}


def _failures(scenarios: Sequence[Scenario], done: Sequence[Done], seed: int) -> Table:
    rows: list[dict[str, object]] = []
    counts: dict[str, int] = {}
    for number, (scenario, each) in enumerate(zip(scenarios, done, strict=True)):
        if each.tally is None:
            continue
        names = [analysis.name for analysis in scenario.analyses]
        for name, count in zip(names, each.tally.states[:, STATES.index("failed")], strict=True):
            counts[name] = counts.get(name, 0) + int(count)
        rows += [
            {"scenario": number, "analysis": names[a], "chunk": chunk, "trial": trial}
            for a, chunk, trial in each.tally.failures
        ]
    said = "; ".join(f"{name}: {count:,}" for name, count in counts.items() if count)
    notes = (
        f"In all {said}. Listed: the first {FAILURES} of each scenario and analysis.",
        f"Simulation.trial(chunk, trial, scenario=...) draws them again from seed {seed}.",
    )
    columns = ["scenario", "analysis", "chunk", "trial"]
    return Table(
        pd.DataFrame(rows, columns=columns),
        title="Trials without an answer",
        notes=notes if said else (),
    )
