"""What power by formula answers with: numbers apart from their display."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table

__all__ = ["Detectable", "PairsNeeded", "PowerResult"]


@dataclass(frozen=True, repr=False)
class PowerResult(ShownInParts):
    """Power of one question.

    Attributes
    ----------
    power : float
        Mean over drawn losses where the plan expects any.
    df, std_error, ncp : float
        Degrees of freedom, standard error of the contrast on the scale of the model, and the
        difference in standard errors.
    effect : float
        Ratio or difference assumed.
    exact : bool
        Balanced, and one error stratum: the power is exact for the model assumed.
    wording : str
        All of it in a sentence, with exact or approximate.
    contrast : str
    half_width : float
        Expected half-width of the interval: a factor for ratios.
    share_below : mapping or None
        Expected share of values below the laboratory's limit, by binding.
    notes : tuple of str
    response, kind, scale : str
        ``scale`` is ratio or difference.
    pairs : tuple of int
        Of each site.
    mc_error : float or None
        Monte Carlo error of `power`, where losses were drawn.
    variance_df, expected, assured : float or None
        From a finished report: the degrees of freedom its estimate of this contrast's variance
        has; power averaged over the variances it leaves possible; power at their upper 80 %
        limit.
    """

    power: float
    df: float
    std_error: float
    ncp: float
    effect: float
    exact: bool
    wording: str
    contrast: str
    half_width: float
    share_below: Mapping[str, float] | None
    notes: tuple[str, ...]
    response: str
    kind: str
    pairs: tuple[int, ...]
    scale: str
    mc_error: float | None = None
    variance_df: float | None = None
    expected: float | None = None
    assured: float | None = None

    def _parts(self) -> tuple[str]:
        return ("\n".join([self.wording, *self.notes]),)


@dataclass(frozen=True, repr=False)
class PairsNeeded(ShownInParts):
    """Fewest pairs for the power, or the precision, wanted.

    Attributes
    ----------
    pairs : int or None
        On each site; None where `most` are not enough.
    total : int or None
        On all sites.
    power, half_width : float
        With that number.
    target : float
    table : Table
        ``pairs power df half_width`` of every number looked at.
    assured : int or None
        From a finished report: pairs that have the power with 80 % confidence in its variances.
    most : int
    contrast : str
    wording : str
        How many it takes, in a sentence.
    """

    pairs: int | None
    total: int | None
    power: float
    target: float
    table: Table
    assured: int | None
    half_width: float
    most: int
    contrast: str
    wording: str

    def _parts(self) -> tuple[str, Table]:
        return (self.wording, self.table)


@dataclass(frozen=True, repr=False)
class Detectable(ShownInParts):
    """The smallest difference shown with the power wanted.

    Attributes
    ----------
    effect : float
        Ratio above 1, or difference above 0.
    other_side : float
        As far on the other side: its inverse, or its negative.
    power, df, std_error : float
    contrast, scale : str
    pairs : tuple of int
    """

    effect: float
    other_side: float
    power: float
    df: float
    std_error: float
    contrast: str
    scale: str
    pairs: tuple[int, ...]

    def _parts(self) -> tuple[str]:
        error = "standard error of its logarithm" if self.scale == "ratio" else "standard error"
        return (
            f"{self.contrast}: smallest {self.scale} shown with a power of {self.power:.3f}: "
            f"{self.effect:.4g}, on the other side {self.other_side:.4g}\n"
            f"pairs of each site: {', '.join(map(str, self.pairs))}; degrees of freedom: "
            f"{self.df:.4g}; {error}: {self.std_error:.4g}",
        )
