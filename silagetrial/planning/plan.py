"""The typed form of plan.toml: a trial's settings, and what is known before the first bale."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Literal, TypeAlias

import pandas as pd

from silagetrial.data.settings import Settings
from silagetrial.display.phrases import block_word
from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table

__all__ = [
    "Aim",
    "Assumption",
    "Costs",
    "Factor",
    "Laboratory",
    "NextTrial",
    "Plan",
    "SitePlan",
    "Spread",
]

Aim: TypeAlias = Literal["opening", "average", "growth"]
"""What the primary contrast is about: one opening, the mean over openings, growth with storage."""


@dataclass(frozen=True)
class SitePlan:
    """One farm of the plan.

    Parameters
    ----------
    name : str
    pairs : int
        Pairs to be opened; with three bindings, sets.
    spare_pairs : int
        Further pairs, made and stored alike, for a bale that is lost.
    fields : tuple of str
        Fields baled one after another; pairs are spread evenly over them. Empty: one field.
    baling : datetime.date or None
        Planned day of baling; the dates of openings count from it.
    stores : tuple of str
        Places in the store; both bales of a pair lie in one of them, on one tier.
    tiers : int
        Layers of the stack in use, 1 where bales lie singly.
    cut : str
        Cut of the year; a farm with several cuts is planned as several of these.
    """

    name: str
    pairs: int
    spare_pairs: int = 0
    fields: tuple[str, ...] = ()
    baling: dt.date | None = None
    stores: tuple[str, ...] = ()
    tiers: int = 1
    cut: str = ""

    @property
    def label(self) -> str:
        """The farm, with the cut where one is named."""
        return f"{self.name}, cut {self.cut}" if self.cut else self.name


@dataclass(frozen=True)
class Factor:
    """A further factor, applied to whole pairs: column of bales.csv and its levels."""

    column: str
    levels: tuple[str, ...]


@dataclass(frozen=True)
class Laboratory:
    """How samples go to the laboratory.

    Parameters
    ----------
    name : str
    batch : int
        Samples the laboratory takes through together, controls included.
    duplicates : int
        Blind duplicates in each batch.
    reference : bool
        A frozen reference sample in each batch.
    samples : int
        Samples of each bale at each opening.
    analyses : int
        Analyses of each sample.
    """

    name: str = "laboratory"
    batch: int = 20
    duplicates: int = 1
    reference: bool = True
    samples: int = 1
    analyses: int = 1


@dataclass(frozen=True)
class Spread:
    """How much values vary, in the user's terms.

    For a response compared by ratios (acids) each is a coefficient of variation as a fraction
    (0.5 is 50 %); for one compared by differences, a standard deviation in its unit.

    Parameters
    ----------
    site, pair, bale, core, laboratory : float
        Between farms; between pairs of a farm; between bales of a pair; between cores (samples)
        of a bale; between analyses of one sample.
    effect_between_sites : float
        Of the difference between bindings from farm to farm.
    run : float
        Between runs, where bindings are made in runs.
    """

    site: float = 0.0
    pair: float = 0.0
    bale: float = 0.0
    core: float = 0.0
    laboratory: float = 0.0
    effect_between_sites: float = 0.0
    run: float = 0.0


@dataclass(frozen=True, repr=False)
class Assumption(ShownInParts):
    """What is assumed of one response.

    Parameters
    ----------
    effect : tuple of float
        Ratio (acids) or difference (DM loss, pH, DM) of the planned contrast; one value for all
        openings, or one an opening.
    level : float or None
        Median of the reference binding, in the response's unit, at each opening alike.
    limit : float or None
        The laboratory's limit, for the share of values below it.
    spread : Spread
    departures : mapping of str to float
        How far the truth of simulated trials departs from the model: ``by_opening``,
        ``by_binding``, ``half_life``, ``tails``, ``batch`` (a coefficient of variation for
        acids), ``spoilage``, ``missing`` (`silagetrial.planning.truth.Truth`); of DM loss also
        ``fresh_mass`` and ``dry_matter`` (`silagetrial.planning.truth.MassBalance`).
    source : str
        Where the figures are from, shown beside every result.
    """

    effect: tuple[float, ...] = ()
    level: float | None = None
    limit: float | None = None
    spread: Spread = Spread()
    departures: Mapping[str, float] = field(default_factory=dict)
    source: str = ""

    def _parts(self) -> tuple[str]:
        spread = {name: value for name, value in asdict(self.spread).items() if value}
        said = {
            "effect": ", ".join(f"{value:g}" for value in self.effect),
            "level": "" if self.level is None else f"{self.level:g}",
            "limit": "" if self.limit is None else f"{self.limit:g}",
            "spread": _named(spread),
            "departures": _named(self.departures),
            "source": self.source,
        }
        lines = [f"{name.replace('_', ' ')}: {text}" for name, text in said.items() if text]
        return ("\n".join(lines) or "nothing is assumed",)


def _named(numbers: Mapping[str, float]) -> str:
    return ", ".join(f"{name.replace('_', ' ')} {value:g}" for name, value in numbers.items())


@dataclass(frozen=True)
class Costs:
    """What the parts of a trial cost, in one currency."""

    currency: str = ""
    site: float = 0.0
    pair: float = 0.0
    opening: float = 0.0
    core: float = 0.0
    analysis: float = 0.0
    money: float | None = None


@dataclass(frozen=True)
class NextTrial:
    """What a decision is worth: bales a year, years, and what one unit of the response is worth.

    Parameters
    ----------
    bales_per_year, years : float
    gain_per_bale : float
        Money gained a bale by each unit that the response is lower (log unit for acids); negative
        where higher is better.
    extra_cost_per_bale : float
        What the new binding costs more.
    effect_sd : float or None
        Standard deviation of the prior of the effect; None: from the finished report.
    """

    bales_per_year: float
    years: float
    gain_per_bale: float
    extra_cost_per_bale: float = 0.0
    effect_sd: float | None = None


@dataclass(frozen=True, repr=False)
class Plan(ShownInParts):
    """A trial before its bales are made.

    Parameters
    ----------
    settings : Settings
        What trial.toml will hold.
    sites : tuple of SitePlan
    aim : {"opening", "average", "growth"}
        What the primary contrast is about; for ``"opening"`` see `settings.analysis.opening`.
    factors : tuple of Factor
    laboratory : Laboratory
    assumptions : mapping of str to Assumption
        By response; the primary one decides the size of the trial.
    power : float
        Power wanted.
    half_width : float or None
        Half-width of the interval wanted, for planning by precision: a ratio above 1 or a
        difference.
    lost : float
        Share of bales expected to be lost, or opened outside the window of their opening.
    switch_every : int
        Bales of one binding made before the binding is switched; 1: at every bale.
    costs : Costs or None
    next_trial : NextTrial or None
    seed : int
        Seed of the randomisation.
    inspections : tuple of float
        Days from film wrapping at which the bales in store are inspected; empty: after two weeks
        and halfway to each opening.
    grid : mapping of str to tuple of float
        What simulations vary, in every combination.
    """

    settings: Settings
    sites: tuple[SitePlan, ...]
    aim: Aim = "opening"
    factors: tuple[Factor, ...] = ()
    laboratory: Laboratory = Laboratory()
    assumptions: Mapping[str, Assumption] = field(default_factory=dict)
    power: float = 0.8
    half_width: float | None = None
    lost: float = 0.0
    switch_every: int = 1
    costs: Costs | None = None
    next_trial: NextTrial | None = None
    seed: int = 20260101
    inspections: tuple[float, ...] = ()
    grid: Mapping[str, tuple[float, ...]] = field(default_factory=dict)

    def _parts(self) -> tuple[str, Table]:
        settings = self.settings
        openings = ", ".join(
            o.name if o.name == f"{o.days:g} days" else f"{o.name} ({o.days:g} days)"
            for o in settings.openings
        )
        bales = {"separate": "each opened once", "recored": "cored at each opening"}
        lines = [
            settings.title,
            f"Bindings: {', '.join(settings.compare)}; reference: {settings.reference}",
            f"Openings: {openings}; bales {bales[settings.design]}",
            f"Primary response: {settings.analysis.primary}; asked about: {self.aim}",
            f"Power wanted: {self.power:g}; seed: {self.seed}",
        ]
        for response, assumed in self.assumptions.items():
            lines.append(f"Assumed of {response}: {'; '.join(str(assumed).splitlines())}")
        return "\n".join(line for line in lines if line), self._sites()

    def _sites(self) -> Table:
        rows = [
            {
                "farm": site.label,
                "pairs": site.pairs,
                "spare_pairs": site.spare_pairs,
                "baling": site.baling,
                "fields": ", ".join(site.fields) or None,
            }
            for site in self.sites
        ]
        block = block_word(self.settings.compare)
        labels = {"pairs": f"{block}s", "spare_pairs": f"spare {block}s"}
        return Table(pd.DataFrame(rows), title="Farms", labels=labels)
