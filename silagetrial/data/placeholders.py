"""Names that an empty trial is written with, and what to say while they stand there."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Final

from silagetrial.data.draft import Draft
from silagetrial.errors import Problem, Severity

__all__ = ["BINDINGS", "QUESTION", "TITLE", "without_placeholders"]

TITLE: Final = "Title of the trial"
QUESTION: Final = "The question, in one sentence"
BINDINGS: Final = ("binding A", "binding B")


def without_placeholders(draft: Draft) -> tuple[Draft, tuple[Problem, ...]]:
    """Return the draft without bindings that were never named, and a problem for each placeholder.

    An empty trial has them to be filled in: a warning. Once a table has a row they are errors, and
    what the tables hold is not compared with them.

    Parameters
    ----------
    draft : Draft

    Returns
    -------
    Draft, tuple of Problem
    """
    begun = any(len(frame) > 0 for frame in draft.tables.values())
    problems = tuple(_problems(draft, "error" if begun else "warning"))
    settings = draft.settings
    if begun and _named_so(settings.compare):
        analysis = replace(settings.analysis, contrast=())
        settings = replace(settings, compare=(), reference="", analysis=analysis)
    return replace(draft, settings=settings), problems


def _named_so(names: tuple[str, ...]) -> bool:
    return not set(BINDINGS).isdisjoint(names)


def _problems(draft: Draft, severity: Severity) -> Iterator[Problem]:
    settings = draft.settings
    there = tuple(draft.tables["bales"]["binding"].dropna().unique())
    bindings = tuple(sorted(name for name in there if name not in BINDINGS)) or ("net", "film")
    first, last = f'"{bindings[0]}"', f'"{bindings[-1]}"'
    listed = ", ".join(f'"{name}"' for name in bindings)
    reference, contrast = settings.reference, settings.analysis.contrast
    for stands, section, key, value, wanted, remedy in (
        (settings.title == TITLE, "", "title", settings.title, "the title of the report",
         'write what was tried and where, such as title = "Net or film on three farms"'),
        (settings.question == QUESTION, "", "question", settings.question,
         "the question that the trial is to answer", "write it, or remove the line"),
        (_named_so(settings.compare), "bindings", "compare", list(settings.compare),
         "the bindings compared", f"write them as in bales, such as compare = [{listed}]"),
        (_named_so((reference,)), "bindings", "reference", reference,
         "the binding that the others are compared with", f"write reference = {first}"),
        (_named_so(contrast), "analysis", "contrast", list(contrast),
         "the binding of interest, and the one it is compared with",
         f"write contrast = [{last}, {first}]"),
    ):  # fmt: skip
        if stands:
            yield draft.setting_problem(
                section,
                key,
                found=f"{key} = {value!r}, as the empty trial has it",
                expected=wanted,
                remedy=remedy,
                severity=severity,
            )
