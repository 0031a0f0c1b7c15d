"""What a simulated trial is drawn from: more than the model assumes, where the user says so."""

from __future__ import annotations

from dataclasses import dataclass

from silagetrial.errors import UsageError
from silagetrial.planning.plan import Spread

__all__ = ["MassBalance", "Truth"]


@dataclass(frozen=True)
class MassBalance:
    """Errors of scales and ovens under a DM loss: what the loss is computed from.

    Parameters
    ----------
    mass, dm : float
        Typical fresh mass of a bale (kg) and DM at wrapping (g/kg fresh).
    mass_sd : float
        Standard deviation of one weighing, kg.
    dm_sd : float
        Standard deviation of one DM result, g/kg fresh.
    shared_day0 : bool
        One crop sample for both bales of a pair: its error drops out of their difference.
    """

    mass: float = 600.0
    dm: float = 350.0
    mass_sd: float = 1.0
    dm_sd: float = 5.0
    shared_day0: bool = True

    def __post_init__(self) -> None:
        """Refuse what no DM loss can be computed from."""
        _check(
            self,
            ("mass", self.mass > 0, "kg, above 0"),
            ("dm", 0 < self.dm < 1000, "g/kg fresh, between 0 and 1000"),
            ("mass_sd", self.mass_sd >= 0, "a standard deviation, 0 or more"),
            ("dm_sd", self.dm_sd >= 0, "a standard deviation, 0 or more"),
        )


@dataclass(frozen=True)
class Truth:
    """What the values of a simulated trial come from, on the scale of the model.

    Parameters
    ----------
    spread : Spread
        Standard deviations on the scale of the model: of logarithms for responses compared by
        ratios, else in the response's unit.
    effect : tuple of float
        The contrast, one binding minus the other, at each opening, or one value for all.
    level : tuple of float
        Mean of the other binding at each opening, or one value for all.
    batch : float
        Standard deviation between laboratory batches.
    by_opening : float
        Ratio of the standard deviation of one bale's result at the last opening to that at the
        first; between them it grows evenly in the logarithm over the openings.
    by_binding : float
        The same ratio of the one binding to the others.
    half_life : float
        Days after which the correlation between two cores of a bale is one half; 0: none.
        The part of a core, not of the laboratory, is correlated.
    tails : float
        Degrees of freedom of the Student's t (scaled to the standard deviation asked for) of
        bales and cores; infinite: normal.
    limit : float or None
        Below it a value is not seen and counts as `substitute`; an opening with more than half
        of the values of a binding below it leaves the model.
    substitute : float
        What stands for a value below the limit, on the scale of the model.
    missing : float
        Share of results missing at random.
    lost : float
        Share of bales lost: gone at and after a random opening.
    spare : tuple of int
        Spare pairs of each site (the last number for all further ones): whole ones step in for
        pairs that lost a bale.
    spoilage : float
        Logarithm of the odds by which the loss of a bale is more likely one standard deviation
        higher; 0: at random.
    balance : MassBalance or None
        Errors of measurement under a DM loss.
    """

    spread: Spread
    effect: tuple[float, ...] = (0.0,)
    level: tuple[float, ...] = (0.0,)
    batch: float = 0.0
    by_opening: float = 1.0
    by_binding: float = 1.0
    half_life: float = 0.0
    tails: float = float("inf")
    limit: float | None = None
    substitute: float = 0.0
    missing: float = 0.0
    lost: float = 0.0
    spare: tuple[int, ...] = (0,)
    spoilage: float = 0.0
    balance: MassBalance | None = None

    def __post_init__(self) -> None:
        """Refuse what nothing can be drawn from."""
        _check(
            self,
            ("by_opening", self.by_opening > 0, "a ratio above 0"),
            ("by_binding", self.by_binding > 0, "a ratio above 0"),
            ("half_life", self.half_life >= 0, "days, 0 or more"),
            ("tails", self.tails > 2, "degrees of freedom above 2, which have a variance"),
            ("missing", 0 <= self.missing < 1, "a share from 0 to below 1"),
            ("lost", 0 <= self.lost < 1, "a share from 0 to below 1"),
            ("batch", self.batch >= 0, "a standard deviation, 0 or more"),
        )


def _check(thing: object, *rules: tuple[str, bool, str]) -> None:
    for name, good, wanted in rules:
        if not good:
            raise UsageError(
                found=f"{name}={getattr(thing, name)!r}",
                expected=wanted,
                remedy=f"correct {name}",
            )
