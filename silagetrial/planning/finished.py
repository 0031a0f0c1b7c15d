"""Variances of a finished trial, with their uncertainty, as the start of the next plan."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from silagetrial.data.settings import Design
from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumptions import COMPONENTS, components, response_planned
from silagetrial.planning.plan import Plan, Spread

__all__ = ["Finished", "finished"]

RESULTS = "results.json"


@dataclass(frozen=True)
class Finished:
    """What a finished report says about the variation of one response.

    Attributes
    ----------
    source : str
        The report, in words.
    response : str
    design : {"separate", "recored"}
    terms : tuple of str
        Terms of the model that was fitted.
    variances : (k,) array
        Estimates on the scale of the model; a negative one (none detected) stands as it is.
    covariance : (k, k) array
        Of these estimates.
    interval : str
        The intervals of the differences found, in words.
    estimates : mapping of str to tuple of mapping
        ``differences``, ``average`` and ``growth`` as the report has them, a row a comparison.
    """

    source: str
    response: str
    design: Design
    terms: tuple[str, ...]
    variances: Floats
    covariance: Floats
    interval: str
    estimates: Mapping[str, tuple[Mapping[str, Any], ...]] = field(default_factory=dict)

    def to_components(self, plan: Plan) -> tuple[Floats, Floats]:
        """Return variances for a plan, (6,), and how each estimate enters them, (6, k).

        Sources that the report says nothing about are the plan's.

        Raises
        ------
        NoAnswer
            The report cannot tell bales from cores, and the plan asks for it.
        """
        response = response_planned(plan, self.response)
        assumed = plan.assumptions.get(self.response)
        spread = Spread() if assumed is None else assumed.spread
        base = components(spread, response, plan.laboratory)
        weights = np.zeros((len(COMPONENTS), len(self.terms)))
        told = self._told()
        for k, component in enumerate(told):
            if component is not None:
                weights[COMPONENTS.index(component), k] = 1.0
        found = weights @ np.maximum(self.variances, 0.0)
        silent = np.asarray(weights.sum(axis=1) == 0)
        bale, residual = COMPONENTS.index("bale"), COMPONENTS.index("residual")
        if silent[residual]:
            # One value a bale: its variance is the bale's and the sample's together.
            within = min(float(base[residual]), float(found[bale]))
            if plan.settings.design == "recored" and not within > 0:
                raise NoAnswer(
                    found=f"{self.source} has one value of each bale, which cannot tell the "
                    "bale from its cores",
                    expected="the variation between cores of a bale, for a plan that cores each "
                    "bale again and again",
                    remedy=f"add cv_core or sd_core to [assumptions.{self.response}]; it is "
                    "taken off what the report found between bales",
                )
            found[bale] -= within
            found[residual] = within
            if found[bale] == 0:
                # All of it is within the bale now, and moves with what the report found.
                weights[[bale, residual]] = weights[[residual, bale]]
            silent[residual] = False
        return np.where(silent, base, found), weights

    def _told(self) -> list[str | None]:
        """The component each term's variance belongs to; None: it leaves the difference."""
        recored = "bale" in self.terms
        several = "bale:opening" in self.terms
        home: dict[str, str | None] = {name: name for name in COMPONENTS}
        home["residual"] = "residual" if recored or several else "bale"
        home["bale:opening"] = "residual" if recored else "bale"
        home["site:binding:opening"] = "site:binding"
        return [home.get(term) for term in self.terms]

    def df(self, variance: float, gradient: Floats, plan: Plan) -> float:
        """Degrees of freedom of the variance of a contrast, as this trial estimates it.

        Satterthwaite: ``2 f^2 / (g'Wg)``, f the variance of the contrast in the trial planned, g
        its derivatives by the variances estimated, W their covariance.
        """
        _, weights = self.to_components(plan)
        g = gradient @ weights
        spread = float(g @ self.covariance @ g)
        return 2.0 * variance**2 / spread if spread > 0 else np.inf


def finished(report: str | Path, response: str | None = None) -> Finished:
    """Read the variances of a finished report.

    Parameters
    ----------
    report : str or Path
        Folder of the report, or its results.json.
    response : str, optional
        The first that was answered, when left out.

    Raises
    ------
    UsageError
        No such file, or a file that is no report's.
    NoAnswer
        The report has no variances of the response, or of several bales as one value.
    """
    path = Path(report)
    path = path / RESULTS if path.is_dir() else path
    content = _load(path)
    responses: Mapping[str, Any] = content["responses"]
    name = response or next((k for k, v in responses.items() if v.get("variances")), "")
    if name not in responses or not responses[name].get("variances"):
        listed = ", ".join(k for k, v in responses.items() if v.get("variances"))
        raise NoAnswer(
            found=f"no variances of {name or 'any response'} in {path.name}",
            expected=f"a response that was answered ({listed or 'there is none'})",
            remedy="name another response, or give spreads in the plan",
        )
    own = responses[name]
    variances = own["variances"]
    together = own.get("values_of", {"what": "bale", "bales": 1})
    if together["bales"] > 1:
        raise NoAnswer(
            found=f"variances of {together['what']}s of {together['bales']} bales in {path.name}",
            expected="variances of single bales: several bales as one value vary less",
            remedy="give spreads in the plan",
        )
    unknown = [t for t in variances["terms"] if t.startswith(("residual:", "serial"))]
    if unknown:
        raise NoAnswer(
            found=f"variances by group or over time in {path.name} ({', '.join(unknown)})",
            expected="one residual variance, which power by formula takes",
            remedy="give spreads in the plan, or plan by simulation",
        )
    return Finished(
        source=f"the finished report {content['title'] or path.parent.name!r}",
        response=name,
        design=content["design"],
        terms=tuple(variances["terms"]),
        variances=np.array([row["estimate"] for row in variances["estimates"]], dtype=float),
        covariance=np.array(variances["covariance"], dtype=float),
        interval=_interval(own, content["level"]),
        estimates={
            name: tuple(own.get(name) or ()) for name in ("differences", "average", "growth")
        },
    )


def _load(path: Path) -> Mapping[str, Any]:
    wanted = "the folder of a finished report, or its results.json"
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UsageError(
            found=f"{path} cannot be read as a report's results ({type(error).__name__})",
            expected=wanted,
            remedy="give the folder that silagetrial report wrote",
        ) from error
    if not isinstance(content, dict) or not {"responses", "design", "level"} <= set(content):
        raise UsageError(
            found=f"{path} holds no results of a report",
            expected=wanted,
            remedy="give the folder that silagetrial report wrote",
        )
    return content


def _interval(own: Mapping[str, Any], level: float) -> str:
    """The intervals of the differences, one after another."""
    parts = [
        f"{row['term']} at {row['opening']}: {row['conf_low']:.3g} to {row['conf_high']:.3g}"
        for row in own["differences"] or ()
    ]
    return (
        f"{100 * level:.0f} % intervals of the {own['effect']}: " + "; ".join(parts)
        if parts
        else ""
    )
