"""Bales lost to the trial, and what counting them would do to the answer.

The answer is about bales that reach their opening. What it would be about all bales made depends on
bales nobody could sample; two sentences say how much. DM loss has a worst case: a lost bale has
lost everything. Any response has a tipping point: with the mean of a binding moved by its share
lost times delta, the comparison moves by the difference of the two shares times delta, and some
delta turns a verdict (`tipping_point`). Adjusted means weigh farms alike, and so do the shares.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from statistics import fmean
from typing import Final

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import FAR, amount, count, joined, quantity, tenths
from silagetrial.report.claims import claimed
from silagetrial.report.findings import Finding, levels, planned
from silagetrial.report.tipping import tipping_point

__all__ = ["Losses", "losses_at", "lost_bales"]

ALL: Final = 100.0
"""DM loss of a bale that is lost, % of the DM ensiled."""
_VERDICTS: Final = {
    "none": "lost.of_none",
    "important": "lost.of_importance",
    "margin": "lost.of_margin",
}


@dataclass(frozen=True)
class Losses:
    """Bales due at an opening, and those of them that were lost, by binding.

    Parameters
    ----------
    made, lost : mapping of str to tuple of int
        Of each binding a number for each farm, the farms in one order.
    """

    made: Mapping[str, tuple[int, ...]]
    lost: Mapping[str, tuple[int, ...]]

    def share(self, binding: str) -> float:
        """Return the share of a binding's bales that was lost, every farm with equal weight."""
        both = zip(self.made[binding], self.lost[binding], strict=True)
        return fmean(lost / made for made, lost in both if made)

    def number(self, binding: str) -> int:
        """Return how many bales of a binding were lost, on all farms."""
        return sum(self.lost[binding])

    @property
    def any(self) -> bool:
        """Whether a bale was lost."""
        return any(self.number(binding) for binding in self.lost)


def losses_at(trial: Trial, result: ResponseAnalysis, opening: str | None = None) -> Losses:
    """Return how many bales were due at an opening, or at any, and how many of them were lost."""
    rows, out = result.records.rows, result.records.left_out.frame
    if opening is not None:
        rows, out = rows[rows["opening"] == opening], out[out["opening"] == opening]
    gone = out[out["what"] == "bale lost"]
    whole = pd.concat([part[["bale", "binding"]] for part in (rows, out)]).drop_duplicates("bale")
    return Losses(_by_binding(trial, whole), _by_binding(trial, gone.drop_duplicates("bale")))


def _by_binding(trial: Trial, bales: pd.DataFrame) -> dict[str, tuple[int, ...]]:
    """Number of bales of each binding, farm by farm."""
    farm_of = trial.bales.set_index("bale")["site"].astype(str)
    farms, mine = list(dict.fromkeys(farm_of)), bales["bale"].map(farm_of)
    return {
        name: tuple(int(((bales["binding"] == name) & (mine == farm)).sum()) for farm in farms)
        for name in trial.settings.compare
    }


def lost_bales(analysis: Analysis) -> list[str]:
    """Say how many bales were lost, and what counting them does to the comparison planned."""
    trial = analysis.trial
    results = list(analysis.responses.values())
    whole = losses_at(trial, results[0])
    if not whole.any:
        return [say("lost.none")]
    each = joined(
        [say("seen.by_binding", binding=name, number=whole.number(name)) for name in whole.lost],
        last="comma",
    )
    bales = count(sum(map(whole.number, whole.lost)), "bale")
    compared = [
        (result, finding)
        for result in results
        # A composite or a group has no bale of its own that could be counted.
        if result.records.unit.size == 1 and (finding := planned(trial, result)) is not None
    ]
    lines = [
        line
        for result, finding in compared
        for line in _counted(trial, result, finding, losses_at(trial, result, finding.opening))
    ]
    if compared and not lines:
        lines = [say("lost.not_here")]
    about = [say("lost.reaching")] if any(result.answered for result in results) else []
    return [say("lost.some", bales=bales, each=each), *about, *dict.fromkeys(lines)]


def _counted(trial: Trial, result: ResponseAnalysis, finding: Finding, here: Losses) -> list[str]:
    """What counting the bales lost before one comparison does to it."""
    opening = finding.opening
    if not here.number(finding.first) + here.number(finding.second):
        return []
    lines = []
    if result.response.name == "dm_loss":
        lines += _worst_case(result, finding, here)
    if here.share(finding.first) == here.share(finding.second):
        percent = f"{100 * here.share(finding.first):.0f}"
        return [*lines, say("lost.as_many", opening=opening, percent=percent)]
    what = result.response.in_sentence
    edge = trial.settings.analysis.important.get(result.response.name)
    claim = claimed(trial, result, finding)
    more = here.share(finding.first) - here.share(finding.second)
    delta, turned = tipping_point(finding, more, important=edge, claim=claim)
    if not math.isfinite(delta) or _beyond(result, finding, here, delta):
        return [*lines, say("lost.stays", what=what)]
    verdict = say(_VERDICTS[turned], what=what)
    if finding.effect == "ratio":
        return [*lines, say("lost.turns_ratio", verdict=verdict, times=quantity(math.exp(delta)))]
    size = f"{tenths(delta)} {finding.unit}"
    return [*lines, say("lost.turns_difference", verdict=verdict, amount=size)]


def _beyond(result: ResponseAnalysis, finding: Finding, here: Losses, delta: float) -> bool:
    """Whether no bale can be as bad: more than all its DM lost, or a ratio out of all reach."""
    if finding.effect == "ratio":
        return delta > math.log(FAR)
    both = levels(result, finding)
    if result.response.name != "dm_loss" or both is None:
        return False
    more = here.share(finding.first) > here.share(finding.second)
    return delta > ALL - (both[0] if more else both[1])


def _worst_case(result: ResponseAnalysis, finding: Finding, here: Losses) -> list[str]:
    """DM loss of all bales made, a lost one having lost everything."""
    both = levels(result, finding)
    if both is None:
        return []
    shares = [here.share(name) for name in (finding.first, finding.second)]
    first, second = (
        (1 - share) * level + share * ALL for level, share in zip(both, shares, strict=True)
    )
    return [
        say(
            "lost.worst",
            opening=finding.opening,
            first=finding.first,
            second=finding.second,
            first_loss=tenths(first),
            second_loss=tenths(second),
            counted=amount(first - second, finding.unit),
            difference=quantity(finding.estimate, finding.unit),
        )
    ]
