"""Results of laboratory reports put into the table samples, by the code of the sample."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pandas as pd

from silagetrial.data.draft import Draft, Row, is_given
from silagetrial.data.laboratory.contents import Content, contents_of
from silagetrial.data.laboratory.mapping import Report
from silagetrial.data.laboratory.repeats import averaged
from silagetrial.data.laboratory.results import LaboratoryResults, Result
from silagetrial.data.laboratory.settle import Key, Settled, settle
from silagetrial.data.laboratory.told import results_frame
from silagetrial.data.laboratory.worth_knowing import report_warnings
from silagetrial.data.nearest import nearest_name, suggestion
from silagetrial.data.schema import ANALYTES, COUNTS
from silagetrial.errors import Problem

__all__ = ["with_reports"]

_SAME: Final = 1e-6
"""Relative difference below which a result typed into samples is the one of the report."""


def with_reports(
    draft: Draft, read: LaboratoryResults
) -> tuple[Draft, pd.DataFrame, tuple[Problem, ...]]:
    """Return the draft with the results of reports in its samples.

    Parameters
    ----------
    draft : Draft
        Unblinded, its own results converted.
    read : LaboratoryResults

    Returns
    -------
    Draft
        Blank cells of samples filled; a cell that holds something else stays, as a problem.
    pandas.DataFrame
        Every result as it was reported, as `told.results_frame` says.
    tuple of Problem
    """
    if not read.reports:
        return draft, results_frame((), (), {}, {}), ()
    named = [row for row in draft.rows("samples") if is_given(row["sample"])]
    rows = {row["sample"]: row for row in reversed(named)}
    problems = [*_unknown(draft, read.results, rows)]
    known = [result for result in read.results if result.sample in rows]
    settled, met = settle(known, read.reports)
    problems += met
    contents, met = contents_of(settled.in_use, lambda sample, column: _cell(rows[sample], column))
    problems += met
    kinds = {name: str(row["kind"]) for name, row in rows.items()}
    used, uses = averaged(contents, kinds)
    filling = _Filling(rows)
    for key, content in used.items():
        filling.result(key, content)
    for sample, results in _by_sample(settled).items():
        filling.origin(sample, results)
    problems += filling.problems
    problems += report_warnings(settled, read.reports)
    frame = results_frame(known, settled.replaced, contents, uses, hashes=read.hashes)
    return filling.into(draft), frame, tuple(problems)


def _cell(row: Row, column: str) -> float:
    value: Any = row.get(column)
    return float(value) if is_given(value) else np.nan


def _by_sample(settled: Settled) -> dict[str, list[Result]]:
    """Return the first analyses in use of each sample, butyric acid before all others."""
    found: dict[str, list[Result]] = {}
    for (sample, _), results in settled.in_use.items():
        found.setdefault(sample, []).extend(results[:1])
    for firsts in found.values():
        firsts.sort(key=lambda item: (item.target != "butyric_acid", item.report.number))
    return found


def _unknown(draft: Draft, results: Sequence[Result], rows: Mapping[str, Row]) -> Iterator[Problem]:
    """Name the samples of reports that are none of the trial."""
    if not draft.can_look_up("samples"):
        return
    codes = {result.sample for result in results}
    said: set[tuple[Report, str]] = set()
    for result in results:
        name = result.sample
        if name in rows or (result.report, name) in said or draft.is_unsure("samples", name):
            continue
        said.add((result.report, name))
        yield Problem(
            "error",
            result.file,
            result.line,
            result.report.laboratory.sample or None,
            f"sample {name!r}, which is not in {draft.called('samples')}",
            "the code of a sample",
            suggestion(
                nearest_name(name, rows, used=codes),
                otherwise=f"add a line for it to {draft.called('samples')}, with the bale and the "
                "day it was taken; name it under not_read if it is none of this trial",
            ),
        )


class _Filling:
    """Collects what goes into which cell of samples."""

    def __init__(self, rows: Mapping[str, Row]) -> None:
        self.rows = rows
        self.cells: dict[str, dict[int, Any]] = {}
        self.origins: dict[tuple[int, str], tuple[str, int, str]] = {}
        self.problems: list[Problem] = []

    def result(self, key: Key, content: Content) -> None:
        """Fill in one result."""
        sample, column = key
        row, result = self.rows[sample], content.result
        measured = column in (*ANALYTES, *COUNTS)
        if column not in row or (np.isnan(content.value) and np.isnan(content.limit)):
            return
        if np.isnan(content.value) and not measured:
            self.problems.append(
                result.problem(
                    found=f"sample {sample}: {result.text!r}, {column} below a limit",
                    expected="a number",
                    remedy="see the report; correct the mark or the cell",
                )
            )
            return
        parts = {column: content.value}
        if measured:
            parts[f"{column}_below"] = content.limit
        there = {part: _cell(row, part) for part in parts}
        if not all(np.isnan(value) for value in there.values()):
            if not np.allclose(
                list(there.values()), list(parts.values()), rtol=_SAME, atol=0, equal_nan=True
            ):
                self._other(result, row, column, there, parts)
            return
        for part, value in parts.items():
            self.cells.setdefault(part, {})[row["line"]] = value
        self._from(row, column, result)

    def _from(self, row: Row, column: str, result: Result) -> None:
        place = (result.file, result.line, result.quantity.heading)
        self.origins[row["line"], column] = place

    def _other(
        self,
        result: Result,
        row: Row,
        column: str,
        there: Mapping[str, float],
        parts: Mapping[str, float],
    ) -> None:
        typed, reported = (_said(column, cells) for cells in (there, parts))
        self.problems.append(
            result.problem(
                found=f"sample {result.sample}: {column} {reported} in the report, {typed} in line "
                f"{row['line']} of samples, in the unit used inside",
                expected="a result in one place",
                remedy="empty the cell in samples where the report is right, or name the heading "
                "under not_read",
            )
        )

    def origin(self, sample: str, results: Sequence[Result]) -> None:
        """Fill in where the results of a sample are from."""
        row, first = self.rows[sample], results[0]
        reports = list(dict.fromkeys(item.report for item in results))
        self._text(row, first, "report", "; ".join(report.name for report in reports))
        self._text(row, first, "batch", first.report.batch)
        self._text(row, first, "method", first.method)
        with_dm = [item for item in results if item.target == "dm"]
        if with_dm:
            self._text(row, with_dm[0], "dm_basis", with_dm[0].report.laboratory.dm_basis)
        laboratories = [report.laboratory.name for report in reports]
        if not is_given(row["laboratory"]) or row["laboratory"] not in laboratories:
            self._text(row, first, "laboratory", laboratories[0])

    def _text(self, row: Row, result: Result, column: str, value: str | None) -> None:
        if value is None:
            return
        if not is_given(row[column]):
            self.cells.setdefault(column, {})[row["line"]] = value
            self._from(row, column, result)
        elif row[column] != value:
            self.problems.append(
                result.problem(
                    found=f"sample {row['sample']}: {column} {value!r} by the report, "
                    f"{row[column]!r} in line {row['line']} of samples",
                    expected="the same in both, or a blank cell in samples",
                    remedy="see which is right and correct the other, or empty the cell in samples",
                )
            )

    def into(self, draft: Draft) -> Draft:
        """Return the draft with the cells filled."""
        frame = draft.tables["samples"]
        columns: dict[str, pd.Series[Any]] = {}
        for name, cells in self.cells.items():
            values = frame[name].tolist()
            for place, line in enumerate(frame.index.tolist()):
                values[place] = cells.get(line, values[place])
            columns[name] = pd.Series(values, index=frame.index, dtype=frame[name].dtype)
        draft = draft.with_columns("samples", columns)
        return replace(draft, origins={**draft.origins, **self.origins})


def _said(column: str, cells: Mapping[str, float]) -> str:
    below = cells.get(f"{column}_below", np.nan)
    return f"{cells[column]:g}" if np.isnan(below) else f"<{below:g}"
