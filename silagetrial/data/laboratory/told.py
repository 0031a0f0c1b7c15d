"""Every laboratory result as it was reported, beside what became of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.data.laboratory.contents import Content
from silagetrial.data.laboratory.mapping import Report
from silagetrial.data.laboratory.results import Result
from silagetrial.data.laboratory.settle import Key
from silagetrial.data.units import UNITS

__all__ = ["RESULT_COLUMNS", "results_frame"]

RESULT_COLUMNS: Final[Mapping[str, str]] = {
    "sample": "code of the sample",
    "result": "column of samples it belongs to, or total_acids",
    "value": "in `unit`; missing below a limit",
    "limit": "the limit it is below, in `unit`",
    "limit_kind": "detection, quantification, or not said",
    "flag": "measured; below; trace: detected, not quantified; not determined",
    "unit": "unit used inside",
    "reported": "the cell as it stands",
    "reported_unit": "its unit",
    "method": "method of analysis",
    "use": "used; averaged; repeat, not used; replaced by a report; not used",
    "laboratory": "name of the laboratory",
    "report": "number of the report",
    "file": "file of the report; of a PDF the PDF",
    "sha256": "SHA-256 of that file",
    "line": "line of the file that was read",
}
"""Columns of `Trial.laboratory_results` and what they hold."""

_NUMBERS: Final = ("value", "limit")


def results_frame(
    results: Sequence[Result],
    replaced: Sequence[tuple[Result, Report]],
    contents: Mapping[Key, Sequence[Content]],
    uses: Mapping[int, str],
    *,
    hashes: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return the results, one a row, with the columns of `RESULT_COLUMNS`.

    Parameters
    ----------
    results : sequence of Result
        All of them.
    replaced : sequence of (Result, Report)
        Those that a corrected report replaces; they have no value in the unit used inside.
    contents : mapping of Key to sequence of Content
        Those in use, converted.
    uses : mapping of int to str
        Use of each content, by its identity.
    hashes : mapping of str to str
        File to SHA-256.
    """
    by_result = {id(item.result): item for found in contents.values() for item in found}
    gone = {id(result): f"replaced by {report.name}" for result, report in replaced}
    rows = []
    for result in results:
        content = by_result.get(id(result))
        reading, quantity, report = result.reading, result.quantity, result.report
        use = gone.get(id(result), "not used") if content is None else uses[id(content)]
        rows.append(
            (
                result.sample,
                result.target,
                np.nan if content is None else content.value,
                np.nan if content is None else content.limit,
                reading.limit_kind,
                reading.flag,
                _unit(result.target),
                result.text,
                quantity.unit,
                result.method,
                use,
                report.laboratory.name,
                report.name,
                report.file,
                (hashes or {}).get(report.file),
                result.line,
            )
        )
    frame = pd.DataFrame(rows, columns=list(RESULT_COLUMNS))
    return frame.astype(
        {
            name: "float64" if name in _NUMBERS else "int64" if name == "line" else "str"
            for name in RESULT_COLUMNS
        }
    )


def _unit(column: str) -> str:
    if column == "total_acids":
        return "g/kg DM"
    return UNITS[column][0] if column in UNITS else ""
