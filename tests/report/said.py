"""What a report says, in English and in a made-up language, and what it never says."""

from __future__ import annotations

import re
from collections.abc import Collection

from silagetrial.analysis import Analysis
from silagetrial.display.block import Prose
from silagetrial.display.language import Language, english, places
from silagetrial.report import box, cautions, methods, paper, words

OPEN, CLOSE = "⟦", "⟧"
NOTATION = {"p", "df"}
"""Letters that stand beside numbers: p = 0.012, and over them."""

NEVER = (
    r"significan", r"highly", r"between samples", r"proven", r"are equal", r"are the same",
    r"no effect", r"no difference was", r"\btrends?\b", r"\btend(ed|s)?\b", r"\baccept",
    r"\bnan\b", r"\bNone\b", r"\binf\b", r"\.\.", r"  ", r"\d\.\d+e[+-]\d",
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


def everything(analysis: Analysis) -> str:
    """All the words of a report."""
    trial = analysis.trial
    parts: list[Prose] = [
        words.heading(trial),
        words.question(trial),
        box.answer(analysis),
        box.seen(analysis),
        cautions.short(),
        methods.design(trial),
        methods.methods(analysis),
        *methods.in_symbols(analysis),
        paper.paragraph(analysis),
        cautions.cautions(),
    ]
    for result in analysis.responses.values():
        parts += [
            words.comparison(trial, result),
            words.storage(trial, result),
            words.unseen(trial, result),
            methods.model(result),
            methods.notes(result),
            methods.witnesses(trial, result),
        ]
    return "\n".join(line for part in parts for line in part.lines)


def said_carefully(text: str) -> None:
    """Check that nothing is said that no trial can show."""
    for pattern in NEVER:
        found = re.search(pattern, text)
        assert found is None, text[max(0, found.start() - 80) : found.end() + 40]
    for word, clauses in ONLY_SO.items():
        for clause in re.findall(rf"[^.;:]*{word}[^.;]*", text):
            assert re.search(clauses, clause), clause


def made_up() -> Language:
    """A language without a word: every text is its places between marks."""
    texts = {
        name: tuple(
            OPEN + " ".join(f"{{{place}}}" for place in sorted(places(form))) + CLOSE
            for form in forms
        )
        for name, forms in english().texts.items()
    }
    return Language(texts, english().form)


def only_of(line: str, data: Collection[str]) -> None:
    """Check that a line said in the made-up language holds nothing but data, all between marks."""
    assert outside(line).strip() == "", line
    nothing_but(line, data)


def nothing_but(line: str, data: Collection[str]) -> None:
    """Check that no word of a text is other than data or notation, wherever it stands."""
    left = line
    for value in sorted(data, key=len, reverse=True):
        left = left.replace(value, "")
    assert set(re.findall(r"[A-Za-z]+", left)) <= NOTATION, (left, line)


def outside(line: str) -> str:
    """What stands outside the marks."""
    depth, kept = 0, []
    for char in line:
        depth += (char == OPEN) - (char == CLOSE)
        assert depth >= 0, line
        kept.append(char if depth == 0 and char != CLOSE else "")
    assert depth == 0, line
    return "".join(kept)
