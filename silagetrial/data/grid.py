"""The trial as a small picture: what each pair has given at each opening."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Final, Literal, TypeAlias

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.data.groups import bales_of_samples
from silagetrial.data.trial import Trial

__all__ = ["MARKS", "GridRow", "pair_grid", "pair_grid_text", "understood"]

State: TypeAlias = Literal[
    "complete", "group", "no start", "sample", "weighing", "outside", "open", "lost", "none"
]

MARKS: Final[Mapping[State, str]] = {
    "complete": "#",
    "group": "g",
    "no start": "n",
    "sample": "s",
    "weighing": "w",
    "outside": "o",
    "open": ".",
    "lost": "x",
    "none": " ",
}
"""One letter a bale; `_MEANT` says what each means."""

_MEANT: Final[Mapping[State, str]] = {
    "complete": "sample and weighing",
    "group": "the same, of several bales at once: one value of them, none of each bale",
    "no start": "the same, but no crop sample or no weighing at wrapping: no DM loss",
    "sample": "sample only",
    "weighing": "weighing only",
    "outside": "outside the window",
    "open": "nothing yet",
    "lost": "lost before",
}
_EXPLAINED: Final[tuple[State, ...]] = ("group", "no start")
MOST_LINES: Final = 60
"""Pairs shown one by one; of a larger trial each site is counted."""


@dataclass(frozen=True)
class GridRow:
    """One pair, or one bale without a pair.

    Parameters
    ----------
    site, pair : str
        Its farm and its name.
    states : tuple
        For each opening, one state for each binding in the order of trial.toml.
    """

    site: str
    pair: str
    states: tuple[tuple[State, ...], ...]


def pair_grid(trial: Trial) -> tuple[GridRow, ...]:
    """Return what each pair has given at each opening, in the order of sites and pairs.

    Parameters
    ----------
    trial : Trial

    Returns
    -------
    tuple of GridRow
        Bales without a pair stand alone, under their own name.
    """
    settings = trial.settings
    samples = trial.samples.assign(bale=bales_of_samples(trial.samples, trial.sample_parts))
    weighings = trial.weighings.assign(bale=trial.weighings["bales"])
    sampled, weighed = (_given_at(table, inside=True) for table in (samples, weighings))
    outside = _given_at(samples, inside=False) | _given_at(weighings, inside=False)
    lost = {*trial.events.loc[trial.events["what"] == "lost", "bale"]}
    rows: dict[tuple[str, str], dict[str, Mapping[str, object]]] = {}
    for bale in trial.bales.to_dict("records"):
        pair = bale["pair"] if is_given(bale["pair"]) else bale["bale"]
        rows.setdefault((str(bale["site"]), str(pair)), {})[str(bale["binding"])] = {
            str(key): value for key, value in bale.items()
        }

    given = _Given(
        sampled,
        weighed,
        outside,
        lost,
        together=_together(samples) | _together(weighings),
        started=_started(trial, samples, weighings),
        separate=settings.design == "separate",
    )
    return tuple(
        GridRow(
            site,
            pair,
            tuple(
                tuple(given.state(bales.get(binding), opening.name) for binding in settings.compare)
                for opening in settings.openings
            ),
        )
        for (site, pair), bales in sorted(rows.items())
    )


def _given_at(table: pd.DataFrame, *, inside: bool) -> set[tuple[object, object]]:
    """Bale and opening of each row, a row of several bales once for each."""
    rows = table[table["in_window"] == inside].explode("bale")
    return {*zip(rows["bale"], rows["opening"], strict=True)}


def _together(table: pd.DataFrame) -> set[tuple[object, object]]:
    """Bale and opening of each row of several bales."""
    return _given_at(table[table["bale"].map(len) > 1], inside=True)


def _started(trial: Trial, samples: pd.DataFrame, weighings: pd.DataFrame) -> set[object]:
    """Bales of which there is a crop sample and a weighing at wrapping, alone or with others."""
    crop = {*samples.loc[samples["kind"] == "day0", "bale"].explode()}
    first = {*weighings.loc[weighings["first"], "bale"].explode()}
    bales = trial.bales[["bale", "pair", "lot"]].itertuples(index=False, name=None)
    return {names[0] for names in bales if names[0] in first and crop & {*names}}


@dataclass(frozen=True)
class _Given:
    """What there is, to look up: bale and opening of samples and of weighings; bales lost.

    `sampled` and `weighed` are inside the window of the opening, `outside` is of either;
    `together` are those of several bales at once, `started` bales with what DM loss begins from.
    """

    sampled: Collection[tuple[object, object]]
    weighed: Collection[tuple[object, object]]
    outside: Collection[tuple[object, object]]
    lost: Collection[object]
    together: Collection[tuple[object, object]]
    started: Collection[object]
    separate: bool

    def state(self, bale: Mapping[str, object] | None, opening: str) -> State:
        """Return what a bale has given at an opening."""
        if bale is None:
            return "none"
        sample = (bale["bale"], opening) in self.sampled
        weighing = (bale["bale"], opening) in self.weighed
        if sample and weighing:
            if (bale["bale"], opening) in self.together:
                return "group"
            return "complete" if bale["bale"] in self.started else "no start"
        if sample or weighing:
            return "sample" if sample else "weighing"
        if (bale["bale"], opening) in self.outside:
            return "outside"
        if self.separate and bale["planned_opening"] != opening:
            return "none"
        return "lost" if bale["bale"] in self.lost else "open"


def pair_grid_text(trial: Trial) -> str:
    """Return the picture as text: a line a pair, a letter a binding; empty without bales."""
    rows, openings = pair_grid(trial), [opening.name for opening in trial.settings.openings]
    if not rows or not openings:
        return ""
    if len(rows) > MOST_LINES:
        return _counted(rows, openings)
    head = f"Pairs by opening; letters in the order {', '.join(trial.settings.compare)}"
    wide = max(len(row.pair) for row in rows)
    lines = [head, "  ".join([" " * (wide + 2), *openings])]
    site = ""
    for row in rows:
        if row.site != site:
            site = row.site
            lines.append(site)
        cells = [
            "".join(MARKS[state] for state in states).ljust(len(name))
            for states, name in zip(row.states, openings, strict=True)
        ]
        lines.append("  ".join([f"  {row.pair.ljust(wide)}", *cells]).rstrip())
    there = {state for row in rows for states in row.states for state in states}
    return "\n".join([*lines, *_legend(there)])


def _legend(there: Collection[State]) -> list[str]:
    """Say what each letter in the picture means: on one line, but for what takes longer."""
    short = [state for state in _MEANT if state in there and state not in _EXPLAINED]
    lines = ["   ".join(f"{MARKS[state]} {_MEANT[state]}" for state in short)]
    lines += [f"{MARKS[state]} {_MEANT[state]}" for state in _EXPLAINED if state in there]
    return [line for line in lines if line]


def understood(trial: Trial) -> dict[str, Any]:
    """Return what `check` says, ready for JSON: counts, what was understood, grid, problems.

    Parameters
    ----------
    trial : Trial
    """
    openings = [opening.name for opening in trial.settings.openings]
    by_file = Counter((item.file, item.severity) for item in trial.problem_list)
    return {
        "title": trial.settings.title,
        "files": list(trial.files),
        "counts": {
            "errors": len(trial.errors),
            "warnings": len(trial.warnings),
            "bales": len(trial.bales),
            "pairs": int(trial.bales["pair"].nunique()),
            "samples": len(trial.samples),
            "weighings": len(trial.weighings),
            "openings": len(openings),
            "not_done_yet": len(trial.due.frame),
        },
        "problems_by_file": [
            {"file": file, "severity": severity, "count": count}
            for (file, severity), count in by_file.items()
        ],
        "bindings": list(trial.settings.compare),
        "openings": openings,
        "grid": [
            {"site": row.site, "pair": row.pair, "states": [list(states) for states in row.states]}
            for row in pair_grid(trial)
        ],
        "problems": [asdict(problem) for problem in trial.problem_list],
    }


def _counted(rows: Sequence[GridRow], openings: Sequence[str]) -> str:
    """Return the pairs counted by site and opening."""
    lines = ["Complete pairs, of those planned, by opening"]
    for site in dict.fromkeys(row.site for row in rows):
        of_site = [row for row in rows if row.site == site]
        counts = []
        for k, name in enumerate(openings):
            planned = [row.states[k] for row in of_site if {*row.states[k]} != {"none"}]
            whole = sum(1 for states in planned if {*states} <= {"complete", "group", "none"})
            counts.append(f"{name}: {whole} of {len(planned)}")
        lines.append(f"  {site}  {', '.join(counts)}")
    return "\n".join(lines)
