"""What is worth knowing of laboratory results before bindings are compared by them."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from silagetrial.data.laboratory.keys import LABORATORIES_FILE, REPORTS_FOLDER
from silagetrial.data.laboratory.mapping import Report
from silagetrial.data.laboratory.settle import Settled
from silagetrial.errors import Problem

__all__ = ["report_warnings"]


def report_warnings(settled: Settled, reports: Sequence[Report]) -> Iterator[Problem]:
    """Warn of total N from dried samples and of butyric acids together, once for a report."""
    given: dict[Report, set[str]] = {report: set() for report in reports}
    for found in settled.in_use.values():
        for result in found:
            given[result.report].add(result.quantity.quantity)
    for report, kinds in given.items():
        total_n = report.laboratory.total_n
        if kinds & {"ammonia_n", "ammonia"} and total_n in ("dried", "not known"):
            said = "of the dried sample" if total_n == "dried" else "of no known sample"
            yield _warning(
                report,
                f"ammonia-N as a share of the total N {said}",
                "total N of the fresh sample",
                "drying drives ammonia off, so that its share reads too high; read levels with "
                "care and compare within the laboratory only",
            )
        if "butyric_acids" in kinds:
            iso = (
                "iso-butyric acid is taken off where it was measured"
                if "iso_butyric_acid" in kinds
                else "iso-butyric acid is in it"
            )
            yield _warning(
                report,
                f"n- and iso-butyric acid together in place of n-butyric acid: {iso}",
                "n-butyric acid alone",
                "ask the laboratory for the two apart",
            )
    yield from _butyric_acid_two_ways(given)


def _butyric_acid_two_ways(given: Mapping[Report, set[str]]) -> Iterator[Problem]:
    """Refuse n-butyric acid alone in one report and together with iso-butyric acid in another."""
    sums = {report for report, kinds in given.items() if "butyric_acids" in kinds}
    alone = {report for report, kinds in given.items() if "butyric_acid" in kinds}
    if sums and alone:
        yield Problem(
            "error",
            LABORATORIES_FILE,
            None,
            None,
            "n-butyric acid in report "
            + ", ".join(sorted(r.name for r in alone))
            + ", together with iso-butyric acid in report "
            + ", ".join(sorted(r.name for r in sums)),
            "one of the two in all reports",
            "ask the laboratory for n-butyric acid alone, or for the sum in all reports",
        )


def _warning(report: Report, found: str, expected: str, remedy: str) -> Problem:
    file = f"{REPORTS_FOLDER}/{report.file}"
    return Problem("warning", file, None, None, found, expected, remedy)
