"""The analysis plan: what is decided before the first bale, as one file with its hash.

The file is canonical JSON: the same plan gives the same bytes and so the same SHA-256. Whoever
keeps the hash elsewhere can show later that the plan is the one written then.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Final

import pandas as pd

import silagetrial
from silagetrial.analysis.catalogue import responses_of
from silagetrial.analysis.model import choose_model
from silagetrial.data.draft import is_given
from silagetrial.data.settings import Settings
from silagetrial.errors import UsageError
from silagetrial.planning.filed_names import DRAWN, HASH_FILE, PLAN_RECORD
from silagetrial.planning.layout import Layout

__all__ = [
    "FORMAT",
    "SHOWN_DIGITS",
    "FiledPlan",
    "analysis_plan",
    "canonical",
    "filed_plan",
    "settings_record",
    "write_analysis_plan",
]

FORMAT: Final = "silagetrial analysis plan, version 1"
SHOWN_DIGITS: Final = 12
"""Digits of the hash shown; the whole stands in the file beside the plan."""

Record = dict[str, Any]

_RULES: Final = {
    "estimation": "linear mixed model by restricted maximum likelihood; standard errors, degrees "
    "of freedom and tests after Kenward and Roger (1997)",
    "limits": "a result below the laboratory's limit counts as half the limit; an opening with "
    "more than half of its results below the limit, in any binding, leaves the model and is "
    "reported as counts",
    "lost_bales": "a lost bale is reported with its cause; its partner stays in the analysis and "
    "is told from the other pairs by the model; nothing is imputed. The comparison is about bales "
    "that reach their opening. A spare pair may take the place of a pair with a lost bale",
    "late": "a value measured outside the window of its opening is none of that opening: it is "
    "listed, and counts for a curve over storage only; its partner stays in the analysis",
    "units": "a composite of several bales, or bales weighed together, is one value and one unit; "
    "bindings are compared between those of the same pairs. A response holds single bales, or "
    "composites of one size: the kind that holds the most bales over all openings",
    "repeats": "two results of one bale at one opening are averaged on their own scale where every "
    "bale has as many; otherwise the model has a term for them",
    "multiplicity": "the primary contrast stands by its own interval; the openings of one "
    "comparison are one family with simultaneous intervals (multivariate t); the other responses "
    "are told beside it, without a claim",
    "contrasts": "an average gives every opening the same weight; growth with storage is the one "
    "contrast along log(1 + days), from the first opening to the last",
    "claims": "equivalence: two one-sided tests, each of size alpha; non-inferiority: one "
    "one-sided test of half of alpha; margins of ratios are taken on the logarithm",
    "companion": "the paired t of the same contrast stands beside the model where pairs are the "
    "replicates; it is shown, whatever it says, and the model's answer stays the answer",
}
"""Rules that no setting changes."""


@dataclass(frozen=True)
class FiledPlan:
    """An analysis plan as it lies in a trial's folder.

    Parameters
    ----------
    content : mapping or None
        The plan; None where the file holds none.
    sha256 : str
        Of the file as it is.
    noted : str or None
        Hash in the file beside it; None where there is none.
    """

    content: Mapping[str, Any] | None
    sha256: str
    noted: str | None

    @property
    def intact(self) -> bool:
        """Whether the file is still the one whose hash was noted."""
        return self.content is not None and self.sha256 == self.noted

    @property
    def date(self) -> str:
        """Day on which the plan was written; empty where it does not say."""
        return "" if self.content is None else str(self.content.get("filed", ""))


def analysis_plan(
    layout: Layout, *, filed: dt.date, detectable: Mapping[str, Any] | None = None
) -> Record:
    """Return the analysis plan of a layout.

    Parameters
    ----------
    layout : Layout
    filed : datetime.date
        The day of writing.
    detectable : mapping, optional
        What the trial can see, by response, where assumptions were given.

    Returns
    -------
    dict
        ``format written_by filed settings aim responses rules layout power``: texts, numbers,
        lists and dictionaries only. `responses` names, for each, scale, fixed part, random terms
        and what the answer is about, as the layout supports them without a value of data.
    """
    plan, settings = layout.plan, layout.plan.settings
    return {
        "format": FORMAT,
        "written_by": f"silagetrial {silagetrial.__version__}",
        "filed": filed.isoformat(),
        "settings": settings_record(settings),
        "aim": plan.aim,
        "responses": _models(layout),
        "rules": dict(_RULES),
        "layout": {
            "seed": layout.seed,
            "switch_every": plan.switch_every,
            "laboratory": asdict(plan.laboratory),
            "stopped_early": dict(layout.stopped),
            "sites": [
                {"site": site.name, "pairs": site.pairs, "spare_pairs": site.spare_pairs}
                for site in plan.sites
            ],
            "bales": _bales(layout),
        },
        "power": {
            "target": plan.power,
            "half_width": plan.half_width,
            "lost": plan.lost,
            "assumptions": {name: asdict(a) for name, a in plan.assumptions.items()},
            "detectable": dict(detectable or {}),
        },
    }


def settings_record(settings: Settings) -> Record:
    """Return settings as texts, numbers, lists and dictionaries."""
    found: Record = json.loads(json.dumps(asdict(settings)))
    return found


def _models(layout: Layout) -> Record:
    """The model of each response as the design supports it; the same rows serve all of them."""
    settings = layout.plan.settings
    choice = choose_model(_with_covariates(layout), settings)
    refusal = None if choice.refusal is None else choice.refusal.found
    return {
        response.name: {
            "label": response.label,
            "scale": response.scale,
            "effect": response.effect,
            "formula": choice.formula,
            "random": list(choice.random),
            "scope": choice.scope,
            "replicate": choice.unit,
            "error_df": choice.error_df,
            "no_answer": refusal,
        }
        for response in responses_of(settings)
    }


def _with_covariates(layout: Layout) -> pd.DataFrame:
    """Rows of the layout with a value of each planned covariate, different from pair to pair.

    Which value is of no matter: terms are chosen by what the design can tell apart.
    """
    rows = layout.rows.copy()
    groups = rows["pair"].where(rows["pair"].notna(), rows["bale"])
    place = pd.Series(pd.factorize(groups)[0], index=rows.index).astype("float64")
    for name in layout.plan.settings.analysis.covariates:
        rows[name] = place**2 - (place**2).mean()
    return rows


def _bales(layout: Layout) -> list[Record]:
    columns = [*DRAWN, *(factor.column for factor in layout.plan.factors)]
    frame = layout.bales[columns].astype(object)
    return [
        {name: _plain(value) for name, value in zip(columns, row, strict=True)}
        for row in frame.itertuples(index=False)
    ]


def _plain(value: object) -> object:
    if not is_given(value):
        return None
    if isinstance(value, int | float):
        return int(value) if value == int(value) else float(value)
    return str(value)


def canonical(record: Mapping[str, Any]) -> bytes:
    """Return a plan as canonical JSON: keys sorted, one value a line, UTF-8."""
    text = json.dumps(record, sort_keys=True, indent=1, ensure_ascii=False, allow_nan=False)
    return (text + "\n").encode()


def write_analysis_plan(folder: Path, record: Mapping[str, Any]) -> str:
    """Write the plan and, beside it, its hash as ``sha256sum -c`` reads it; return the hash."""
    content = canonical(record)
    digest = hashlib.sha256(content).hexdigest()
    (folder / PLAN_RECORD).write_bytes(content)
    (folder / HASH_FILE).write_bytes(f"{digest}  {PLAN_RECORD}\n".encode())
    return digest


def filed_plan(folder: Path | None) -> FiledPlan | None:
    """Return the analysis plan in a trial's folder; None where there is no file of the name.

    Raises
    ------
    UsageError
        When the plan is of a version this package does not know.
    """
    path = None if folder is None else folder / PLAN_RECORD
    if path is None or not path.is_file():
        return None
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    noted = path.with_name(HASH_FILE)
    words = noted.read_text(encoding="utf-8", errors="replace").split() if noted.is_file() else []
    try:
        record = json.loads(content)
    except ValueError:
        record = None
    if not isinstance(record, dict) or "settings" not in record:
        return FiledPlan(None, digest, words[0] if words else None)
    if record.get("format") != FORMAT:
        raise UsageError(
            found=f"{PLAN_RECORD} of the format {record.get('format')!r}",
            expected=repr(FORMAT),
            remedy="use the version of silagetrial that the file names under written_by",
        )
    return FiledPlan(record, digest, words[0] if words else None)
