"""What knowing more is worth: the value of information for a choice between two bindings.

One of two bindings is used on all bales for some years. What the first gains a bale over the
second is not known exactly: it is believed to be normal with mean m and variance s2, in money a
bale. Without more knowledge the first is used where m > 0. Knowing better is worth what wrong
choices would have cost.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from scipy import special

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.plan import NextTrial

__all__ = ["TrialValue", "perfect_information", "sample_information", "value_of_trial"]


@dataclass(frozen=True)
class TrialValue:
    """What a trial is worth before a decision, in the plan's currency.

    Parameters
    ----------
    mean, sd : float
        What the first binding is believed to gain a bale over the second, its extra cost taken
        off, and the standard deviation of that belief.
    perfect : float
        Expected value of knowing the difference exactly, over all bales and years.
    sample : float
        Expected value of what the trial will tell.
    cost : float
        Of the trial.
    bales : float
        Bales decided upon: bales a year times years.
    """

    mean: float
    sd: float
    perfect: float
    sample: float
    cost: float
    bales: float

    @property
    def net(self) -> float:
        """What the trial tells less what it costs; below 0 it costs more than it tells."""
        return self.sample - self.cost


def perfect_information(mean: float, sd: float) -> float:
    """Return the expected value of perfect information, for one bale.

    EVPI = E max(d, 0) - max(m, 0) = s phi(m / s) - |m| Phi(-|m| / s) with d ~ N(m, s2).

    Parameters
    ----------
    mean, sd : float
        Of what is believed about the gain, in money.

    Raises
    ------
    UsageError
        If the standard deviation is not 0 or more.

    References
    ----------
    Raiffa & Schlaifer (1961), Applied Statistical Decision Theory: the unit normal loss integral.
    """
    if _checked(sd) == 0:
        return 0.0
    z = abs(mean) / sd
    density = math.exp(-z * z / 2) / math.sqrt(2 * math.pi)
    return float(sd * density - abs(mean) * special.ndtr(-z))


def sample_information(mean: float, sd: float, variance: float) -> float:
    """Return the expected value of the information of one trial, for one bale.

    What will be believed after a trial whose estimate has variance v has the mean m and the
    standard deviation s2 / sqrt(s2 + v), seen from before it: EVSI is EVPI with that in place
    of s.

    Parameters
    ----------
    mean, sd : float
        As in `perfect_information`.
    variance : float
        Of the trial's estimate, in money squared; infinite where it tells nothing.

    Raises
    ------
    UsageError
        If the variance is not 0 or more.

    References
    ----------
    Raiffa & Schlaifer (1961), Applied Statistical Decision Theory, preposterior analysis.
    """
    if not variance >= 0:
        raise UsageError(
            found=f"an estimate with variance {variance:g}",
            expected="0 or more",
            remedy="give the square of the standard error that the trial will have",
        )
    known = _checked(sd) / math.hypot(sd, math.sqrt(variance)) if sd else 0.0
    return perfect_information(mean, sd * known)


def _checked(sd: float) -> float:
    if not sd >= 0:
        raise UsageError(
            found=f"a standard deviation of {sd:g}",
            expected="0 or more",
            remedy="give how uncertain the gain is, as a standard deviation in money a bale",
        )
    return sd


def value_of_trial(
    decision: NextTrial | None,
    *,
    effect: float | None,
    effect_sd: float | None,
    std_error: float,
    cost: float | None,
) -> TrialValue:
    """Return what the next trial is worth for the decision it is made for.

    Parameters
    ----------
    decision : NextTrial or None
        Bales a year, years, and money a unit of difference.
    effect, effect_sd : float or None
        What is believed about the difference, first binding minus second, on the scale of the
        model (logarithm of the ratio for acids), and the standard deviation of that belief.
        Lower is better, as in every claim of the analysis; a negative gain turns it round.
    std_error : float
        Of the difference as the trial will estimate it, on the same scale.
    cost : float or None
        Of the trial.

    Raises
    ------
    NoAnswer
        Naming everything that is not given.
    """
    missing = _missing(decision, effect=effect, effect_sd=effect_sd, cost=cost)
    if decision is None or effect is None or effect_sd is None or cost is None:
        raise NoAnswer(
            found=f"no value of the next trial: not given are {'; '.join(missing)}",
            expected="what the decision is about, what it is worth and what the trial costs: "
            "they are yours to give and are never guessed",
            remedy="add to plan.toml what is missing, in the sections named",
        )
    bales = decision.bales_per_year * decision.years
    mean = -decision.gain_per_bale * effect - decision.extra_cost_per_bale
    sd = abs(decision.gain_per_bale) * effect_sd
    variance = (decision.gain_per_bale * std_error) ** 2
    return TrialValue(
        mean,
        sd,
        perfect=bales * perfect_information(mean, sd),
        sample=bales * sample_information(mean, sd, variance),
        cost=cost,
        bales=bales,
    )


def _missing(
    decision: NextTrial | None,
    *,
    effect: float | None,
    effect_sd: float | None,
    cost: float | None,
) -> list[str]:
    """Name what is not given, each with its place in plan.toml."""
    missing = []
    if decision is None:
        missing.append("bales_per_year, years and gain_per_bale under [next_trial]")
    if effect is None:
        missing.append("the expected ratio or difference under [assumptions]")
    if effect_sd is None:
        missing.append("effect_sd under [next_trial], or a finished report it can be taken from")
    if cost is None:
        missing.append("the prices of pair, core and analysis under [costs]")
    return missing
