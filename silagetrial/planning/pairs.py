"""How many pairs a question takes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.planning.cases import Source, case_of, check_target, report_of, variance_df
from silagetrial.planning.finished import Finished
from silagetrial.planning.many import Asked, Case, Known, answers, asked, error_of
from silagetrial.planning.noncentral import variance_factor
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_rows import pairs_of
from silagetrial.planning.planned_test import Effect, Kind
from silagetrial.planning.power_results import PairsNeeded
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.structure import shares
from silagetrial.planning.wording import wording_of_pairs

__all__ = ["pairs_needed"]

CONFIDENCE = 0.8
"""Confidence with which the pairs from a finished report have the power wanted."""
CAPS, STEPS = (16, 48), 6
"""Pairs a site of the layouts searched before the largest, and numbers first looked at in each."""


def pairs_needed(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    target: float | None = None,
    effect: Effect = None,
    spread: Source = None,
    kind: Kind | None = None,
    half_width: float | None = None,
    most: int = 200,
) -> PairsNeeded:
    """Return the fewest pairs on each site that reach the power wanted.

    Parameters
    ----------
    plan : Plan or path of plan.toml
    target : float, optional
        Power; the plan's, when left out.
    half_width : float, optional
        Plan by precision instead: the half-width of the interval, a ratio above 1 or a
        difference.
    most : int
        Pairs of a site to search up to.
    response, effect, spread, kind
        As in `power`.

    Returns
    -------
    PairsNeeded
        ``pairs`` is None where `most` pairs are not enough.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    target = plan.power if target is None else target
    case = case_of(plan, response, None, effect, spread, kind)
    check_target(plan, target, half_width, case.response)
    search = _Search(case, report_of(spread), target, half_width)
    return search.run(most)


@dataclass
class _Search:
    """Search of the number of pairs: every number looked at is kept."""

    case: Case
    finished: Finished | None
    target: float
    half_width: float | None
    seen: dict[int, dict[str, float]] = field(default_factory=dict)
    last: Asked | None = None

    def look(self, counts: Sequence[int], cap: int) -> None:
        """Evaluate numbers of pairs, all of them masks of one layout with `cap` pairs a site."""
        ready: list[tuple[int, Asked]] = []
        for count in counts:
            if count in self.seen:
                continue
            try:
                ready.append((count, asked(replace(self.case, pairs=count))))
            except NoAnswer:
                if self.shared(count):
                    raise
                self.seen[count] = {"power": np.nan, "df": np.nan, "half_width": np.nan}
        found = answers([one for _, one in ready], largest=cap)
        for (count, one), known in zip(ready, found, strict=True):
            self.last = one
            self.seen[count] = self._figures(one, known)

    def shared(self, count: int) -> bool:
        """Whether so many pairs are enough for the model that all larger layouts have."""
        return shares(self.case.plan, pairs_of(self.case.plan, count))

    def _figures(self, one: Asked, known: Known) -> dict[str, float]:
        error, there = error_of(one, known), np.isfinite(known.std_error)
        figures = {
            "power": np.nan,
            "df": float(known.df[there].mean()) if there.any() else np.nan,
            "half_width": np.nan,
        }
        if there.any():
            wide = float(np.mean(one.question.half_width(error[there], known.df[there])))
            figures["half_width"] = one.question.shown(wide)
        if one.question.difference is not None:
            value = one.question.power(one.difference, error, known.df)
            figures["power"] = float(value.mean())
        if self.finished is not None and there.any():
            nu = variance_df(one, known, self.finished)
            safe = error * np.sqrt(variance_factor(nu, confidence=CONFIDENCE))
            figures["assured"] = float(one.question.power(one.difference, safe, known.df).mean())
        return figures

    def reached(self, count: int, column: str) -> bool:
        """Whether so many pairs reach what is asked."""
        value = self.seen[count].get(column, np.nan)
        if column == "half_width":
            return bool(value <= (self.half_width or 0.0))
        return bool(value >= self.target)

    def first(self, column: str, most: int) -> int | None:
        """Fewest pairs that reach the aim: coarsely up to a cap, then by halving."""
        least = next((c for c in range(1, most + 1) if self.shared(c)), most)
        below = 0
        for cap in (*(c for c in CAPS if least < c < most), most):
            start = max(least, below + 1)
            coarse = np.unique(np.geomspace(start, cap, STEPS).round().astype(int)).tolist()
            self.look(coarse, cap)
            good = [count for count in coarse if self.reached(count, column)]
            if good:
                lower = [count for count in coarse if count < good[0]]
                return self._halve(max([below, *lower]), good[0], cap, column)
            below = cap
        return None

    def _halve(self, below: int, above: int, cap: int, column: str) -> int:
        while above - below > 1:
            middle = (below + above) // 2
            self.look([middle], cap)
            if self.reached(middle, column):
                above = middle
            else:
                below = middle
        return above

    def run(self, most: int) -> PairsNeeded:
        """Search up to the most pairs."""
        column = "power" if self.half_width is None else "half_width"
        found = self.first(column, most)
        assured = self.first("assured", most) if self.finished is not None else None
        frame = pd.DataFrame([{"pairs": count, **self.seen[count]} for count in sorted(self.seen)])
        assert self.last is not None
        sites = len(self.last.plan.sites)
        factor = "a factor of " if self.last.question.response.effect == "ratio" else ""
        labels = {"half_width": f"half the interval's width{', a factor' if factor else ''}"}
        needed = PairsNeeded(
            pairs=found,
            total=None if found is None else found * sites,
            power=np.nan if found is None else self.seen[found]["power"],
            target=self.target,
            table=Table(frame, title="Pairs on each site and power", labels=labels),
            assured=assured,
            half_width=np.nan if found is None else self.seen[found]["half_width"],
            most=most,
            contrast=self.last.question.name,
            wording="",
        )
        wanted = None if self.half_width is None else f"{factor}{self.half_width:.3g}"
        return replace(needed, wording=wording_of_pairs(needed, self.last.plan, half_width=wanted))
