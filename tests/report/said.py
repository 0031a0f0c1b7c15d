"""What a report never says, and what it says only in one way: rules for texts that hold for all."""

from __future__ import annotations

import re

NEVER = (
    r"significan", r"proven", r"are equal", r"are the same", r"no effect", r"no difference was",
    r"\btrends?\b", r"\btend(ed|s)?\b", r"\baccept", r"\bnan\b", r"\bNone\b", r"\binf\b",
    r"\.\.", r"  ", r"\d\.\d+e[+-]\d",
)  # fmt: skip
"""Claims that no interval makes, verdicts in the words of a threshold, and slips of the writer."""

ONLY_SO = {
    r"proves": r"proves a bale safe",
    r"\bno difference\b": r"to be told from no difference",
    r"\balike\b": r"within the margin|stayed alike for months|the more alike the closer in time"
    r"|counting these alike",
    r"\bsafe\b": r"[Nn]o (laboratory )?value (here )?proves a bale safe to feed",
    r"\bsafest\b": r"one high is safest",
}
"""Words that stand in these clauses only."""


def said_carefully(text: str) -> None:
    """Check that nothing is said that no trial can show."""
    for pattern in NEVER:
        found = re.search(pattern, text)
        assert found is None, text[max(0, found.start() - 80) : found.end() + 40]
    for word, clauses in ONLY_SO.items():
        for clause in re.findall(rf"[^.;:]*{word}[^.;]*", text):
            assert re.search(clauses, clause), clause
