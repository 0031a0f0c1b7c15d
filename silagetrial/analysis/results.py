"""What an analysis is: one object per response, every part a value that can be looked at."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from html import escape

import pandas as pd

from silagetrial.analysis.compare import Comparison
from silagetrial.analysis.curve_analysis import CurveAnalysis
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.other_forms import OtherForm
from silagetrial.analysis.records import Records
from silagetrial.analysis.responses import Response
from silagetrial.analysis.witness import Witness
from silagetrial.data.settings import Form
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Fit

__all__ = ["Analysis", "ResponseAnalysis"]

NOTHING = Table(pd.DataFrame())


@dataclass(frozen=True, eq=False, repr=False)
class ResponseAnalysis:
    """The analysis of one response.

    Attributes
    ----------
    response : Response
    records : Records
        Values per bale and opening, and what is left out and why.
    summary : Table
        What was found, counted and averaged without a model.
    model : ModelChoice
        The model the design supports, term by term; its `refusal` says why there is no test.
    fit : Fit or None
        The model fitted; None when the design supports no test of the binding.
    refusal : NoAnswer or None
        Why there is no answer about the binding at all.
    refused : Table
        ``opening found expected remedy``: openings without a comparison of all bindings.
    comparison : Comparison or None
        The linear functions behind the tables.
    means, differences, average, growth : Table
        In the one vocabulary; medians and ratios for a response modelled on the log scale.
        `differences` has a family of openings for each comparison of bindings, `average` and
        `growth` one of bindings.
    half_widths : Table
        Half the width of each interval: what the trial could not tell from no difference.
    tests, variances : Table
        F tests of the fixed part; variances and what they mean.
    exact : Table
        The paired t of each contrast, on the model's scale.
    witness : Witness or None
        statsmodels' answer.
    residuals : pandas.DataFrame
        ``bale binding opening fitted residual standardised``.
    variance_intervals : Table
        Profile-likelihood intervals of the variances.
    sd_ratios : Table
        Ratios of residual SDs, where trial.toml plans a residual variance by group.
    blups : Table
        Predicted effects of sites, lots, runs, pairs and bales, on the model's scale.
    bootstrap : Table
        The primary contrast by bootstrap-t beside Kenward and Roger's interval, where planned.
    sensitivity : Table
        The main contrast under other covariance structures.
    claim : Table
        Equivalence or non-inferiority at each opening, where trial.toml names a margin.
    curve : CurveAnalysis or None
        The curve over storage, where trial.toml plans one and the design compares bindings.
    shares, shares_counted : Table
        Share of bales over the limit named in trial.toml by binding and opening, from the model
        and as counts; empty without a limit.
    """

    response: Response
    records: Records
    summary: Table
    model: ModelChoice | None
    fit: Fit | None
    refusal: NoAnswer | None
    refused: Table
    comparison: Comparison | None
    means: Table
    differences: Table
    average: Table
    growth: Table
    half_widths: Table
    tests: Table
    variances: Table
    exact: Table
    witness: Witness | None
    residuals: pd.DataFrame
    variance_intervals: Table = NOTHING
    sd_ratios: Table = NOTHING
    blups: Table = NOTHING
    bootstrap: Table = NOTHING
    sensitivity: Table = NOTHING
    claim: Table = NOTHING
    curve: CurveAnalysis | None = None
    shares: Table = NOTHING
    shares_counted: Table = NOTHING
    other_forms: Mapping[Form, OtherForm] = field(default_factory=dict)

    @property
    def answered(self) -> bool:
        """Whether the design supports an answer about the binding."""
        return self.fit is not None

    def _repr_html_(self) -> str:
        if self._has_table:
            return self._shown.to_html()
        return f"<pre>{escape(str(self))}</pre>"

    def __repr__(self) -> str:
        """Return the table a reader wants first, as text."""
        return str(self)

    def __str__(self) -> str:
        """Return the table a reader wants first, or why there is none."""
        if self._has_table:
            return str(self._shown)
        return f"{self.response.label}: no answer\n{self.refusal}"

    @property
    def _has_table(self) -> bool:
        return self.answered or len(self.summary) > 0

    @property
    def _shown(self) -> Table:
        return self.differences if self.answered else self.summary


@dataclass(frozen=True, eq=False, repr=False)
class Analysis:
    """The analysis of a trial.

    Attributes
    ----------
    trial : Trial
    responses : mapping of str to ResponseAnalysis
        ``"butyric_acid"``, ``"dm_loss"`` and further ones planned, by name.
    """

    trial: Trial
    responses: Mapping[str, ResponseAnalysis]

    def __getitem__(self, name: str) -> ResponseAnalysis:
        """Return the analysis of one response; `UsageError` where there is none of the name."""
        if name not in self.responses:
            raise UsageError(
                found=f"the response {name!r}",
                expected=f"one of {', '.join(repr(known) for known in self.responses)}",
                remedy="take one of these names",
            )
        return self.responses[name]

    @property
    def further(self) -> tuple[ResponseAnalysis, ...]:
        """Responses that trial.toml names beside butyric acid and DM loss."""
        standard = ("butyric_acid", "dm_loss")
        return tuple(r for name, r in self.responses.items() if name not in standard)

    @cached_property
    def level(self) -> float:
        """Confidence level of the intervals."""
        return 1.0 - self.trial.settings.analysis.alpha

    def __repr__(self) -> str:
        """Return the tables a reader wants first, as text."""
        return str(self)

    def __str__(self) -> str:
        """Return the tables a reader wants first."""
        return "\n\n".join(str(part) for part in self.responses.values())

    def _repr_html_(self) -> str:
        return "\n".join(part._repr_html_() for part in self.responses.values())
