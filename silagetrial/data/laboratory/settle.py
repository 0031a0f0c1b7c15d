"""Which of several results of one sample are in use: corrected, repeated, or told apart by nobody.

A blind duplicate has a code of its own and is a sample like any other here. A corrected report
replaces what it names anew. A repeat analysis stands beside the first one.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from silagetrial.data.laboratory.keys import LABORATORIES_FILE, REPORTS_FOLDER
from silagetrial.data.laboratory.mapping import Report
from silagetrial.data.laboratory.results import Result
from silagetrial.errors import Problem

__all__ = ["Key", "Settled", "settle"]

Key: TypeAlias = "tuple[str, str]"
"""Sample code and column of samples."""

SHOWN: Final = 5
"""Changed results that a corrected report lists before it only counts."""


@dataclass(frozen=True)
class Settled:
    """Results by what became of them.

    Parameters
    ----------
    in_use : mapping of Key to tuple of Result
        First analysis first, then repeats.
    replaced : tuple of (Result, Report)
        Results that a corrected report gives anew, and that report.
    """

    in_use: Mapping[Key, tuple[Result, ...]]
    replaced: tuple[tuple[Result, Report], ...]


def settle(
    results: Sequence[Result], reports: Sequence[Report]
) -> tuple[Settled, tuple[Problem, ...]]:
    """Tell repeat analyses, corrected reports and plain double results apart.

    Parameters
    ----------
    results : sequence of Result
        Of all reports.
    reports : sequence of Report

    Returns
    -------
    Settled, tuple of Problem
        Of two first analyses of one sample the one read first is in use, and the other a problem.
    """
    by_key: dict[Key, list[Result]] = {}
    for result in results:
        by_key.setdefault((result.sample, result.target), []).append(result)
    earlier = {report.name: _earlier(report, reports) for report in reports}
    in_use: dict[Key, tuple[Result, ...]] = {}
    replaced: list[tuple[Result, Report]] = []
    problems: list[Problem] = []
    for key, found in by_key.items():
        anew = {name: item.report for item in found for name in earlier[item.report.name]}
        replaced += [(item, anew[item.report.name]) for item in found if item.report.name in anew]
        left = [item for item in found if item.report.name not in anew]
        left.sort(key=lambda item: (item.report.analysis == "repeat", item.report.number, item.nth))
        firsts = [item for item in left if item.report.analysis != "repeat"]
        others = [item for item in firsts if item.report is not firsts[0].report]
        problems += [_twice(item, firsts[0]) for item in others]
        in_use[key] = tuple(item for item in left if item not in others)
    problems += _corrected(replaced, by_key, in_use, reports)
    return Settled(in_use, tuple(replaced)), tuple(problems)


def _earlier(report: Report, reports: Sequence[Report]) -> tuple[str, ...]:
    """Return the names of all reports that this one corrects, directly or through others."""
    corrects = {item.name: item.supersedes for item in reports}
    found: list[str] = []
    name = report.supersedes
    while name is not None and name in corrects and name not in (*found, report.name):
        found.append(name)
        name = corrects[name]
    return tuple(found)


def _twice(result: Result, first: Result) -> Problem:
    return result.problem(
        found=f"sample {result.sample}: {result.target} in report {result.report.name}, and in "
        f"report {first.report.name} (line {first.line} of {first.file})",
        expected="one result in use, or a word on what the other one is",
        remedy=f'in {LABORATORIES_FILE} write supersedes = "{first.report.name}" where this report '
        'corrects the other one, analysis = "repeat" where the sample was analysed again; a '
        "separate duplicate has a code of its own",
    )


def _corrected(
    replaced: Sequence[tuple[Result, Report]],
    by_key: Mapping[Key, Sequence[Result]],
    in_use: Mapping[Key, Sequence[Result]],
    reports: Sequence[Report],
) -> Iterator[Problem]:
    """Say of each corrected report how many results it replaces, which changed, and which stay."""
    for report in reports:
        old = [item for item, by in replaced if by is report]
        if report.supersedes is None:
            continue
        changed = []
        for item in old:
            new = next(n for n in by_key[item.sample, item.target] if n.report is report)
            if new.reading != item.reading:
                changed.append(f"{item.sample} {item.target} {item.text!r} to {new.text!r}")
        stay = sum(
            item.report.name == report.supersedes for found in in_use.values() for item in found
        )
        listed = "; ".join(changed[:SHOWN])
        more = f"; and {len(changed) - SHOWN} more" if len(changed) > SHOWN else ""
        said = f": {listed}{more}" if changed else ""
        kept = f"; {stay} results of that report are not in this one and stay in use" * bool(stay)
        yield Problem(
            "warning",
            f"{REPORTS_FOLDER}/{report.file}",
            None,
            None,
            f"report {report.name} replaces {len(old)} results of report {report.supersedes}, "
            f"{len(changed)} of them changed{said}{kept}",
            "one result in use",
            "nothing to do if that is meant; the replaced results are kept apart",
        )
