"""The designs that tests and intervals are calibrated with: what people run, and some worse.

Standard deviations make the variance of one result 1.  Re-cored bales of correlation r within
pairs and s within bales have ``pair = sqrt(r)`` and ``bale = sqrt(s)``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from planning.simulation_plans import plan_of
from scipy import stats

from silagetrial.planning.plan import Plan, Spread

__all__ = ["DESIGNS", "QUICK", "CalibrationDesign", "named"]


@dataclass(frozen=True)
class CalibrationDesign:
    """One layout and what its trials are drawn from.

    Attributes
    ----------
    name : str
    plan : Plan
    violates : bool
        The truth has a spread or correlation that the model of the report has no term for.
    """

    name: str
    plan: Plan
    violates: bool = False

    @property
    def limited(self) -> bool:
        """Some values lie below a limit."""
        return any(assumed.limit is not None for assumed in self.plan.assumptions.values())

    @property
    def shifted(self) -> CalibrationDesign:
        """The same where the bindings differ, net to film as 0.6 to 1: of a limit, it matters."""
        assumed = {
            name: replace(each, effect=(0.6,)) for name, each in self.plan.assumptions.items()
        }
        return replace(self, name=f"{self.name}, ratio 0.6", plan=replace(
            self.plan, assumptions=assumed))  # fmt: skip


def _design(
    name: str,
    pairs: int,
    *,
    days: tuple[float, ...] = (30, 90, 180, 270),
    sites: int = 1,
    design: str = "recored",
    pair: float = 0.0,
    bale: float = 0.0,
    farms: float = 0.0,
    run: float = 0.0,
    switch_every: int = 1,
    below: float = 0.0,
    violates: bool = False,
    **departures: float,
) -> CalibrationDesign:
    """Lay out a design from shares of the variance; ``pairs`` on each site."""
    shares = np.array([pair, bale, run, 1.0 - pair - bale - run])
    pair_sd, bale_sd, run_sd, core_sd = np.sqrt(shares)
    if below > 0.0:
        # Compared by ratios: coefficients of variation of the same variances of the logarithm.
        pair_sd, bale_sd, core_sd = np.sqrt(np.expm1(shares[[0, 1, 3]]))
    spread = Spread(pair=pair_sd, bale=bale_sd, run=run_sd, core=core_sd,
                    effect_between_sites=farms)  # fmt: skip
    plan = plan_of(
        pairs,
        openings=days,
        sites=sites,
        design=design,
        response="butyric_acid" if below else "pH",
        effect=(1.0,) if below else (0.0,),
        spread=spread,
        departures=departures,
        level=1.0 if below else None,
        limit=float(np.exp(stats.norm.ppf(below))) if below else None,
    )
    return CalibrationDesign(name, replace(plan, switch_every=switch_every), violates)


THREE, TWO, FIVE, ONE = (30, 120, 240), (60, 240), (15, 60, 120, 200, 300), (120,)

DESIGNS = (
    _design("3 pairs, 1 opening", 3, days=ONE, design="separate", pair=0.5),
    _design("16 pairs on 4 farms, 1 opening", 4, sites=4, days=ONE, design="separate", pair=0.3),
    _design("8 pairs, 2 openings, separate", 8, days=TWO, design="separate", pair=0.5),
    _design("12 pairs on 2 farms, 3 openings, separate, 10 % missing", 6, sites=2, days=THREE,
            design="separate", pair=0.3, missing=0.1),
    _design("16 pairs, 4 openings, separate, 25 % missing", 16, design="separate", pair=0.6,
            missing=0.25),
    _design("12 pairs, 3 openings, separate, spread x3", 12, days=THREE, design="separate",
            pair=0.2, by_opening=3.0, violates=True),
    _design("12 pairs in runs of 3, 1 opening", 12, days=ONE, design="separate", run=0.2,
            switch_every=3),
    _design("6 farms x 4 pairs, 1 opening, effect varies", 4, sites=6, days=ONE,
            design="separate", pair=0.3, farms=0.3),
    _design("8 farms x 2 pairs, 3 openings, effect varies", 2, sites=8, days=THREE, pair=0.2,
            bale=0.2, farms=0.3),
    _design("5 farms x 2 pairs, 3 openings, effect varies, 10 % missing", 2, sites=5, days=THREE,
            pair=0.2, bale=0.2, farms=0.2, missing=0.1),
    _design("3 pairs, 3 openings, no correlation", 3, days=THREE),
    _design("4 pairs, 4 openings, pairs 0.2", 4, pair=0.2),
    _design("4 pairs, 4 openings, pairs 0.2, bales 0.2, 10 % missing", 4, pair=0.2, bale=0.2,
            missing=0.1),
    _design("4 pairs, 4 openings, no correlation, 25 % missing", 4, missing=0.25),
    _design("6 pairs, 4 openings, no correlation, 25 % missing", 6, missing=0.25),
    _design("6 pairs, 3 openings, pairs 0.3, bales 0.2", 6, days=THREE, pair=0.3, bale=0.2),
    _design("12 pairs on 2 farms, 4 openings, pairs 0.3, bales 0.3, 25 % missing", 6, sites=2,
            pair=0.3, bale=0.3, missing=0.25),
    _design("16 pairs, 2 openings, pairs 0.4, bales 0.4", 16, days=TWO, pair=0.4, bale=0.4),
    _design("6 pairs, 4 openings, spread x2", 6, pair=0.2, bale=0.2, by_opening=2.0,
            violates=True),
    _design("6 pairs, 4 openings, spread x3", 6, by_opening=3.0, violates=True),
    _design("6 pairs, 4 openings, half-life 120 d", 6, half_life=120.0, violates=True),
    _design("8 pairs, 5 openings, spread x2, half-life 60 d, 10 % missing", 8, days=FIVE,
            pair=0.2, by_opening=2.0, half_life=60.0, missing=0.1, violates=True),
    _design("8 pairs, 4 openings, 20 % below the limit", 8, pair=0.2, bale=0.2, below=0.2),
    _design("8 pairs, 4 openings, 50 % below the limit", 8, pair=0.2, bale=0.2, below=0.5),
)  # fmt: skip
"""Twenty-four designs."""

QUICK = (
    "3 pairs, 1 opening",
    "6 farms x 4 pairs, 1 opening, effect varies",
    "4 pairs, 4 openings, pairs 0.2",
    "12 pairs in runs of 3, 1 opening",
    "6 pairs, 3 openings, pairs 0.3, bales 0.2",
    "6 pairs, 4 openings, spread x3",
)
"""Six of them, for a check that takes seconds."""


def named(*names: str) -> tuple[CalibrationDesign, ...]:
    """Return designs by their names."""
    by_name = {design.name: design for design in DESIGNS}
    return tuple(by_name[name] for name in names)
