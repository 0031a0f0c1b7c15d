"""The layout of a trial: every bale, weighing and sample to come, drawn and in its place."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from html import escape
from pathlib import Path

import numpy as np
import pandas as pd

from silagetrial.analysis.model import ModelChoice, choose_model
from silagetrial.data.nearest import did_you_mean
from silagetrial.display.phrases import block_word
from silagetrial.display.table import Table
from silagetrial.errors import Problem, UsageError
from silagetrial.planning.allocate import PlannedPair, allocate
from silagetrial.planning.laboratory_draw import (
    PlannedSample,
    add_controls,
    coded_samples,
    in_batches,
)
from silagetrial.planning.layout_tables import (
    bale_table,
    calendar_table,
    event_table,
    key_table,
    opening_lists,
    sample_table,
    scale_table,
    weighing_table,
)
from silagetrial.planning.plan import Plan, SitePlan
from silagetrial.planning.randomise import streams
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.spoilers import spoilers

__all__ = ["Layout", "plan_trial"]


@dataclass(frozen=True, eq=False, repr=False)
class Layout:
    """A trial laid out before its first bale.

    Attributes
    ----------
    plan : Plan
    seed : int
        Seed of all that was drawn: the same plan and seed give the same layout.
    bales, samples, weighings, events, scales : pandas.DataFrame
        The trial's tables with the columns of the schema; what is planned is filled in, what is
        yet to be measured is missing. Samples carry blind codes only.
    key : pandas.DataFrame
        The blind key, kept apart: which sample is of which bale or pair, at which opening, in
        which batch, and whether it is a duplicate or the reference sample.
    calendar : Table
        ``site opening date window bales``: opening days, their bales in the order drawn.
    stopped : mapping of str to int
        Pairs made on the sites where baling was stopped early.
    """

    plan: Plan
    seed: int
    bales: pd.DataFrame
    samples: pd.DataFrame
    weighings: pd.DataFrame
    events: pd.DataFrame
    scales: pd.DataFrame
    key: pd.DataFrame
    calendar: Table
    stopped: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def rows(self) -> pd.DataFrame:
        """One row a value of the analysis to come: bales that are to be opened, and samples.

        What `choose_model` asks for: ``bale pair lot site run binding opening laboratory batch``,
        further factors and all else that bales.csv holds. Analyses of one sample are averaged, so
        they are one row; spare pairs, day-0 samples and controls are none.
        """
        planned = self.key[(self.key["role"] == "sample") & (self.key["kind"] != "day0")]
        planned = planned[planned["batch"].notna()]
        laboratory = self.plan.laboratory
        number = planned.groupby(["of", "opening"]).cumcount() // laboratory.analyses
        planned = planned[["of", "opening", "batch"]].assign(result=number).drop_duplicates()
        bales = self.bales.drop(columns="note").set_index("bale", drop=False)
        rows = bales.loc[planned["of"]].reset_index(drop=True)
        return rows.assign(
            opening=planned["opening"].to_numpy(),
            batch=planned["batch"].to_numpy(),
            laboratory=laboratory.name,
        )

    @cached_property
    def model(self) -> ModelChoice:
        """The model this layout supports, term by term, with the reasons."""
        return choose_model(self.rows, self.plan.settings)

    @cached_property
    def warnings(self) -> tuple[Problem, ...]:
        """What would spoil the comparison, errors first."""
        return spoilers(replace(self.plan, sites=self._made_sites()), self.rows, self.model)

    def _made_sites(self) -> tuple[SitePlan, ...]:
        """The sites with the pairs that were made, where baling stopped early."""
        return tuple(
            replace(
                site,
                pairs=min(site.pairs, self.stopped.get(site.label, site.pairs)),
                spare_pairs=max(0, self.stopped[site.label] - site.pairs)
                if site.label in self.stopped
                else site.spare_pairs,
            )
            for site in self.plan.sites
        )

    @cached_property
    def summary(self) -> Table:
        """Pairs, bales and openings of each site, and what of them is spare."""
        opened = self.bales["bale"].isin(self.rows["bale"])
        records = []
        for site in self.plan.sites:
            mine = (self.bales["site"] == site.name) & (
                (self.bales["cut"] == site.cut) if site.cut else self.bales["cut"].isna()
            )
            pairs = self.bales.loc[mine & opened, "pair"].nunique()
            records.append(
                {
                    "site": site.label,
                    "baling": site.baling,
                    "pairs": pairs,
                    "spare_pairs": self.bales.loc[mine, "pair"].nunique() - pairs,
                    "bales": int(mine.sum()),
                    **self._per_opening(self.bales.loc[mine & opened, "bale"]),
                }
            )
        frame, block = pd.DataFrame(records), block_word(self.plan.settings.compare)
        return Table(
            frame,
            title=f"{block.capitalize()}s of each site",
            notes=(self._seed_note(),),
            labels={
                name: name.replace("pairs", f"{block}s").replace("_", " ")
                for name in frame.columns
                if name.startswith(("pairs", "spare_pairs"))
            },
        )

    def _per_opening(self, bales: pd.Series[str]) -> dict[str, int]:
        rows = self.rows[self.rows["bale"].isin(bales)]
        return {
            f"pairs at {o.name}": rows.loc[rows["opening"] == o.name, "pair"].nunique()
            for o in self.plan.settings.openings
        }

    def _seed_note(self) -> str:
        block = block_word(self.plan.settings.compare)
        stopped = "".join(
            f"; stopped early on {site} after {made} {block}s"
            for site, made in self.stopped.items()
        )
        return f"Drawn at random with seed {self.seed}{stopped}."

    def __repr__(self) -> str:
        """Return the summary, the calendar and what would spoil the comparison, as text."""
        problems = [str(problem) for problem in self.warnings]
        return "\n\n".join([str(self.summary), str(self.calendar), *problems])

    def _repr_html_(self) -> str:
        items = "".join(f"<li>{escape(str(problem))}</li>" for problem in self.warnings)
        listed = f"<ul>{items}</ul>" if items else ""
        return self.summary.to_html() + self.calendar.to_html() + listed


def plan_trial(
    plan: str | Path | Plan,
    *,
    seed: int | None = None,
    stopped_early: Mapping[str, int] | None = None,
) -> Layout:
    """Lay a trial out: draw who gets which bale, when it is opened, and its blind codes.

    Parameters
    ----------
    plan : str, pathlib.Path or Plan
        The plan, or the path of plan.toml.
    seed : int, optional
        Seed of all that is drawn; the plan's by default.
    stopped_early : mapping of str to int, optional
        Site (``"name, cut 1"`` where a cut is named) to the pairs made there before baling had to
        stop. With the plan's seed kept, the pairs made keep their bindings, openings, places and
        codes; those not made leave the layout, and batches are filled anew from what is left.

    Returns
    -------
    Layout

    Raises
    ------
    DataProblems
        If plan.toml has errors.
    UsageError
        If the seed is negative, or `stopped_early` names no site of the plan or more pairs than
        were planned.
    """
    if not isinstance(plan, Plan):
        plan = read_plan(plan)
    seed = plan.seed if seed is None else seed
    if seed < 0:
        raise UsageError(
            found=f"seed {seed}", expected="a whole number from 0", remedy="give another seed"
        )
    stopped = dict(stopped_early or {})
    _check_stopped(plan, stopped)
    plan, rng = replace(plan, seed=seed), streams(seed)
    drawn = allocate(plan, rng)
    coded = coded_samples(plan, drawn, rng["codes"])
    made = tuple(p for p in drawn if p.place < stopped.get(p.site.label, len(drawn)))
    _refuse_nothing_made(made)
    kept = {pair.pair for pair in made}
    taken = [s for s in coded if s.pair is not None and s.pair.pair in kept]
    samples = add_controls(
        plan,
        in_batches(plan, taken, rng["batches"]),
        rng["controls"],
        taken={s.sample for s in coded},
    )
    return _layout(plan, made, samples, stopped, rng)


def _layout(
    plan: Plan,
    pairs: Sequence[PlannedPair],
    samples: Sequence[PlannedSample],
    stopped: Mapping[str, int],
    rng: Mapping[str, np.random.Generator],
) -> Layout:
    lists = opening_lists(plan, pairs, rng["opening_day"])
    return Layout(
        plan=plan,
        seed=plan.seed,
        bales=bale_table(plan, pairs),
        samples=sample_table(plan, samples),
        weighings=weighing_table(plan, pairs, lists, rng["weighings"]),
        events=event_table(plan, pairs),
        scales=scale_table(plan, lists),
        key=key_table(samples),
        calendar=calendar_table(lists, block=block_word(plan.settings.compare)),
        stopped=stopped,
    )


def _check_stopped(plan: Plan, stopped: Mapping[str, int]) -> None:
    planned = {site.label: site.pairs + site.spare_pairs for site in plan.sites}
    block = block_word(plan.settings.compare)
    for site, made in stopped.items():
        if site not in planned:
            raise UsageError(
                found=f"baling stopped early on {site!r}",
                expected=f"a site of the plan: {', '.join(planned)}",
                remedy=did_you_mean(site, planned, otherwise="name the site as in the plan"),
            )
        if not 0 <= made <= planned[site]:
            raise UsageError(
                found=f"{made} {block}s made on {site!r}",
                expected=f"0 to {planned[site]}, the {block}s planned with the spare ones",
                remedy=f"count complete {block}s only; a bale without its partner is no {block}",
            )


def _refuse_nothing_made(pairs: Sequence[PlannedPair]) -> None:
    if all(pair.spare for pair in pairs):
        raise UsageError(
            found="no pair that is to be opened",
            expected="at least one pair made",
            remedy="draw a new plan for another day",
        )
