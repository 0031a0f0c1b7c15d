"""Times of planning by formula, against the limits the project set itself.

Run:  python tests/benchmarks/bench_planning.py     (prints a table; exit 1 when a limit is passed)

One process, one core, nothing kept from one run to the next: every model is chosen again.
"""

from __future__ import annotations

import itertools
import sys
from dataclasses import replace

import numpy as np
from bench_engine import Line, measured, on_one_core

from silagetrial.data.settings import AnalysisPlan, Opening, Settings
from silagetrial.planning import structure
from silagetrial.planning.many import Case, powers
from silagetrial.planning.plan import Assumption, Laboratory, Plan, SitePlan, Spread
from silagetrial.planning.power import pairs_needed, power

SPREAD = Spread(site=0.3, pair=0.5, bale=0.6, core=0.4, laboratory=0.1)
ONE, MANY = 100.0, 2000.0
"""Limits in milliseconds: pairs for one question, power of 1,000 layouts."""


def plan_of(design: str, openings: int, *, sites: int = 2, lost: float = 0.0) -> Plan:
    """A plan with invented spreads, butyric acid by ratio 0.6."""
    times = [Opening(f"{60 * k} days", 60.0 * k, (60.0 * k - 9, 60.0 * k + 9))
             for k in range(1, openings + 1)]  # fmt: skip
    settings = Settings(
        compare=("net", "film"),
        reference="net",
        design=design,
        openings=tuple(times),
        analysis=AnalysisPlan(contrast=("film", "net")),
    )
    farms = tuple(SitePlan(f"Farm {k}", 8) for k in range(sites))
    assumed = {"butyric_acid": Assumption(effect=(0.6,), spread=SPREAD)}
    return Plan(settings, farms, assumptions=assumed, lost=lost)


def thousand_layouts() -> list[Case]:
    """Pairs, openings, samples, analyses and spreads of all kinds, a third of them unbalanced."""
    rng = np.random.default_rng(20260101)
    cases = []
    for design, openings in itertools.product(("separate", "recored"), (1, 2, 3, 4)):
        base = plan_of(design, openings)
        for samples, analyses in itertools.product((1, 2, 4), (1, 2)):
            plan = replace(base, laboratory=Laboratory(samples=samples, analyses=analyses))
            for pairs in range(3, 24):
                own = replace(SPREAD, pair=rng.uniform(0.2, 0.8), bale=rng.uniform(0.2, 0.9))
                uneven = (pairs, pairs + 2) if pairs % 3 == 0 else pairs
                cases.append(Case(plan, pairs=uneven, spread=own))
    return cases[:1000]


def afresh() -> None:
    """Forget every model chosen."""
    structure._structure.cache_clear()
    structure._sized.cache_clear()


def lines() -> list[Line]:
    """Measure."""
    found = []
    kinds = [("separate", 1, 1), ("separate", 4, 2), ("recored", 4, 1), ("recored", 4, 6)]
    for design, openings, sites in kinds:
        plan = plan_of(design, openings, sites=sites)
        what = f"pairs needed: {design}, {openings} openings, {sites} sites"
        found.append(measured(what, lambda plan=plan: (afresh(), pairs_needed(plan)), runs=7,
                              limit=ONE))  # fmt: skip
    plan = plan_of("recored", 2, lost=0.1)
    what = "power with a tenth of the bales lost (32 drawn layouts)"
    found.append(measured(what, lambda: (afresh(), power(plan)), runs=7, limit=ONE))
    cases = thousand_layouts()
    assert len(cases) == 1000
    assert np.isfinite(powers(cases)).all()
    found.append(measured("power of 1,000 layouts", lambda: (afresh(), powers(cases)), runs=3,
                          limit=MANY))  # fmt: skip
    return found


def main() -> int:
    """Print all lines; 1 when one is over its limit."""
    on_one_core()
    found = lines()
    for line in found:
        print(line)
    return int(any(line.median > line.limit for line in found))


if __name__ == "__main__":
    sys.exit(main())
