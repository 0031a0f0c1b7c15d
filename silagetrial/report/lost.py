"""Bales lost to the trial, and what counting them would do to the answer.

The answer is about bales that reach their opening. What it would be about all bales made depends on
bales nobody could sample; two sentences say how much. DM loss has a worst case: a lost bale has
lost everything. Any response has a tipping point: with the mean of a binding moved by its share
lost times delta, the comparison moves by the difference of the two shares times delta, its standard
error staying as it is, and some delta turns what is said.

References
----------
Yan, X., Lee, S. & Li, N. (2009). Missing data handling methods in medical device clinical trials.
Journal of Biopharmaceutical Statistics 19, 1085-1098: tipping points (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import FAR, amount, count, joined, quantity, tenths
from silagetrial.report.findings import Finding, levels, planned

__all__ = ["Losses", "losses_at", "lost_bales", "tipping_point"]

ALL: float = 100.0
"""DM loss of a bale that is lost, % of the DM ensiled."""


@dataclass(frozen=True)
class Losses:
    """Bales due at an opening, and those of them that were lost, by binding.

    Parameters
    ----------
    made, lost : mapping of str to int
    """

    made: Mapping[str, int]
    lost: Mapping[str, int]

    def share(self, binding: str) -> float:
        """Return the share of a binding's bales that was lost."""
        return self.lost[binding] / self.made[binding]

    @property
    def any(self) -> bool:
        """Whether a bale was lost."""
        return sum(self.lost.values()) > 0


def losses_at(trial: Trial, result: ResponseAnalysis, opening: str | None = None) -> Losses:
    """Return how many bales were due at an opening, or at any, and how many of them were lost."""
    rows, out = result.records.rows, result.records.left_out.frame
    if opening is not None:
        rows, out = rows[rows["opening"] == opening], out[out["opening"] == opening]
    gone = out[out["what"] == "bale lost"]
    whole = pd.concat([part[["bale", "binding"]] for part in (rows, out)]).drop_duplicates("bale")
    return Losses(_by_binding(trial, whole), _by_binding(trial, gone.drop_duplicates("bale")))


def _by_binding(trial: Trial, bales: pd.DataFrame) -> dict[str, int]:
    return {name: int((bales["binding"] == name).sum()) for name in trial.settings.compare}


def tipping_point(finding: Finding, losses: Losses, *, alpha: float) -> float:
    """Return by how much worse than the others lost bales must be to turn what is said.

    Parameters
    ----------
    finding : Finding
        At one opening.
    losses : Losses
        At the same opening.
    alpha : float
        Size of the test.

    Returns
    -------
    float
        On the scale of the model (the logarithm of a ratio), above 0; infinite where no lost
        bale that is worse than the others turns it.
    """
    more = losses.share(finding.first) - losses.share(finding.second)
    low, high = finding.low, finding.high
    if finding.effect == "ratio":
        low, high = (math.log(end) if end > 0 else -math.inf for end in (low, high))
    if more == 0:
        return math.inf
    # The interval moves up where the first binding lost more, down where the second did.
    told = finding.p < alpha
    end = high if (more > 0) == told else low
    delta = -end / more
    return delta if delta > 0 and math.isfinite(delta) else math.inf


def lost_bales(analysis: Analysis) -> list[str]:
    """Say how many bales were lost, and what counting them does to the comparison planned."""
    trial = analysis.trial
    results = list(analysis.responses.values())
    whole = losses_at(trial, results[0])
    if not whole.any:
        return [say("lost.none")]
    each = joined(
        [say("seen.by_binding", binding=name, number=n) for name, n in whole.lost.items()],
        last="comma",
    )
    bales = count(sum(whole.lost.values()), "bale")
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
    opening, alpha = finding.opening, trial.settings.analysis.alpha
    if not here.lost[finding.first] + here.lost[finding.second]:
        return []
    lines = []
    if result.response.name == "dm_loss":
        lines += _worst_case(result, finding, here)
    if here.share(finding.first) == here.share(finding.second):
        return [*lines, say("lost.as_many", opening=opening)]
    said = {"what": result.response.in_sentence}
    delta = tipping_point(finding, here, alpha=alpha)
    if not math.isfinite(delta) or _beyond(result, finding, here, delta):
        return [*lines, say("lost.stays", **said)]
    if finding.effect == "ratio":
        return [*lines, say("lost.turns_ratio", **said, times=quantity(math.exp(delta)))]
    size = f"{tenths(delta)} {finding.unit}"
    return [*lines, say("lost.turns_difference", **said, amount=size)]


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
