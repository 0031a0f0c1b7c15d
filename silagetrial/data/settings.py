"""The typed form of trial.toml: what was asked, what was compared, how it is to be analysed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, TypeAlias

from silagetrial.data.schema import ANALYTES

__all__ = [
    "COVARIATES",
    "RESPONSES",
    "SLOPE_GROUPINGS",
    "AnalysisPlan",
    "Crop",
    "CurveShape",
    "Decimal",
    "Design",
    "DmCorrection",
    "Families",
    "Files",
    "Flat",
    "Form",
    "MeasurementSd",
    "Opening",
    "Separator",
    "Settings",
]

Design: TypeAlias = Literal["separate", "recored"]
Form: TypeAlias = Literal["none", "full", "short"]
Crop: TypeAlias = Literal["grass", "legume", "mixed"]
Families: TypeAlias = Literal["reference", "all pairs"]
Decimal: TypeAlias = Literal[".", ","]
Separator: TypeAlias = Literal["comma", "semicolon", "tab"]
Claim: TypeAlias = Literal["equivalence", "non-inferiority"]
ResidualBy: TypeAlias = Literal["opening", "binding", "binding:opening"]
CurveShape: TypeAlias = Literal["linear", "log", "spline", "broken"]

DIFFERENCE_RESPONSES = ("dm_loss", "dm", "pH")
"""Responses compared by differences; all others, contents, by ratios."""
RESPONSES = ("dm_loss", "dm", "pH", *ANALYTES)
"""What an analysis plan may name as a response."""

COVARIATES = {"day0_dm": "dm", "day0_wsc": "wsc"}
"""What a response may be adjusted for, and the column of samples.csv at day 0 that holds it: only
what is measured before the binding acts."""

SLOPE_GROUPINGS = ("site", "lot", "pair", "bale")
"""Groupings that may be planned to have curves of their own."""


@dataclass(frozen=True)
class Opening:
    """A planned storage time.

    Parameters
    ----------
    name : str
        Name used in bales.csv and in the report.
    days : float
        Planned days from film wrapping.
    window : tuple of float
        First and last calendar day from film wrapping that still count as this opening.
    """

    name: str
    days: float
    window: tuple[float, float]

    def covers(self, days: float) -> bool:
        """Tell whether a number of calendar days lies inside the window, ends included."""
        return self.window[0] <= days <= self.window[1]


@dataclass(frozen=True)
class DmCorrection:
    """How oven dry matter of silage is corrected for volatiles, and the crop it is for."""

    form: Form = "none"
    crop: Crop = "grass"


@dataclass(frozen=True)
class Files:
    """How the CSV files of the tables are written.

    Parameters
    ----------
    decimal : {".", ","} or None
        The decimal mark of every number; None: each column shows its own.
    separator : {"comma", "semicolon", "tab"} or None
        What stands between cells; None: the headings show it.
    """

    decimal: Decimal | None = None
    separator: Separator | None = None


@dataclass(frozen=True)
class Flat:
    """One flat table in place of several: the file, and where each heading belongs.

    Parameters
    ----------
    file : str
        Name of the file in the trial's folder, a CSV file or a workbook.
    sheet : str or None
        Sheet of a workbook; None: the first.
    columns : mapping of str to tuple of str
        Heading to the columns its cells are for, as in ``opening.dm``.
    same : mapping of str to str
        Column to what is the same in every row.
    """

    file: str
    sheet: str | None = None
    columns: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    same: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class MeasurementSd:
    """Standard deviations of measuring alone: one weighing (kg), one DM result (g/kg)."""

    mass: float | None = None
    dm: float | None = None


@dataclass(frozen=True)
class AnalysisPlan:
    """What was decided before the data were seen.

    Parameters
    ----------
    primary : str
        The one primary response, of `RESPONSES`.
    opening : str or None
        The opening of the primary contrast; None: the last one.
    contrast : tuple of str
        The two bindings compared, first minus (or over) second; empty: none named.
    factors : tuple of str
        Further fixed factors: columns of bales.csv.
    blocks : tuple of str
        Further blocks: columns of bales.csv.
    covariates : tuple of str
        Crop values at day 0 the response is adjusted for, of `COVARIATES`.
    responses : tuple of str
        Responses analysed beside butyric acid and DM loss, of `RESPONSES`.
    limits : mapping of str to float
        Level of a response that matters in practice, in its own unit: the day at which the median
        bale passes it and the share of bales over it are reported.
    curve : {"linear", "log", "spline", "broken"} or None
        Shape over storage, fitted beside openings as a factor; None: no shape is assumed.
    knots : tuple of float
        Knots of a spline or broken line, days, fixed in advance.
    slopes : tuple of str
        Groupings whose curves differ at random in their first column: ``site lot pair bale``.
    margins : mapping of str to float
        Largest difference that does not matter, for the claim made: a ratio for acids, percentage
        points for DM loss.
    claim : {"equivalence", "non-inferiority"}
        What is claimed within the margins; worse is higher for butyric acid and DM loss.
    residual_by : {"opening", "binding", "binding:opening"} or None
        Groups with residual variances of their own.
    serial : bool
        Serial correlation between the cores of a bale, exponential in days.
    measurement_error : bool
        Beside serial correlation, a variance without it.
    important : mapping of str to float
        Smallest difference of practical importance: a ratio for acids, percentage points for
        DM loss.
    families : {"reference", "all pairs"}
        Which differences between bindings form the family of simultaneous intervals.
    alpha : float
        Size of the tests.
    bootstrap : int
        Data sets drawn for a bootstrap-t of each response's primary contrast; 0: none.
    seed : int
        Seed of every simulation in the report.
    """

    primary: str = "butyric_acid"
    opening: str | None = None
    contrast: tuple[str, ...] = ()
    factors: tuple[str, ...] = ()
    blocks: tuple[str, ...] = ()
    covariates: tuple[str, ...] = ()
    responses: tuple[str, ...] = ()
    limits: Mapping[str, float] = field(default_factory=dict)
    curve: CurveShape | None = None
    knots: tuple[float, ...] = ()
    slopes: tuple[str, ...] = ()
    margins: Mapping[str, float] = field(default_factory=dict)
    claim: Claim = "equivalence"
    residual_by: ResidualBy | None = None
    serial: bool = False
    measurement_error: bool = False
    important: Mapping[str, float] = field(default_factory=dict)
    families: Families = "reference"
    alpha: float = 0.05
    bootstrap: int = 0
    seed: int = 20260101


@dataclass(frozen=True)
class Settings:
    """trial.toml as typed values.

    Parameters
    ----------
    title, question : str
        Plain text; never markup.
    invented : bool
        The numbers are invented, as in demonstrations; the report says so.
    compare : tuple of str
        The bindings compared, in the order of display.
    reference : str
        The binding the others are compared with.
    design : {"separate", "recored"}
        A bale is opened once, or the same bale is cored at each time.
    held_equal : mapping
        What was held equal between the bindings, in the user's own keys.
    openings : tuple of Opening
        Planned openings, by days.
    units : mapping of str to str
        Unit in which each laboratory result stands in the file.
    measures : mapping of str to str
        Unit of masses, sizes and depths, of `units.MEASURES`, where it is not the one used inside.
    dm_correction, measurement_sd, analysis, files, flat
        The further sections.
    """

    title: str = ""
    question: str = ""
    invented: bool = False
    compare: tuple[str, ...] = ()
    reference: str = ""
    design: Design = "separate"
    held_equal: Mapping[str, str | float] = field(default_factory=dict)
    openings: tuple[Opening, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)
    measures: Mapping[str, str] = field(default_factory=dict)
    dm_correction: DmCorrection = DmCorrection()
    measurement_sd: MeasurementSd = MeasurementSd()
    analysis: AnalysisPlan = AnalysisPlan()
    files: Files = Files()
    flat: Flat | None = None

    def opening(self, name: object) -> Opening | None:
        """Return the opening of this name, None where there is none."""
        return self._by_name.get(name)

    @cached_property
    def opening_names(self) -> tuple[str, ...]:
        """Names of the openings, by days."""
        return tuple(opening.name for opening in self.openings)

    @cached_property
    def _by_name(self) -> dict[object, Opening]:
        return {opening.name: opening for opening in reversed(self.openings)}
