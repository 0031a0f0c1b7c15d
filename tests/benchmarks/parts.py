"""Where the time of simulated trials goes: functions are timed without what they call of others."""

from __future__ import annotations

import functools
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from silagetrial.mixed import ascent, likelihood
from silagetrial.planning import scenario, tally, trial_analyses

__all__ = ["Parts", "timed_parts"]

PLACES: tuple[tuple[str, Any, str], ...] = (
    ("draw", scenario, "draw_trials"),
    ("prepare: cross-products, least squares", trial_analyses, "prepare"),
    ("climb: starts, steps, decisions", trial_analyses, "maximise"),
    ("evaluate: adding up over units", ascent, "evaluate"),
    ("absorb: pairs and bales", likelihood, "absorb"),
    ("finish: fixed part, derivatives", likelihood, "_finish"),
    ("Kenward-Roger standard errors", trial_analyses, "kenward_roger_covariance"),
    ("degrees of freedom", trial_analyses, "contrast_df"),
    ("tail areas and intervals", trial_analyses, "outcome_of"),
    ("paired t", trial_analyses.PairedTAnalysis, "__call__"),
    ("tally", tally.Tally, "of"),
    ("all else", scenario.Scenario, "run"),
)


@dataclass
class Parts:
    """Seconds of processor time of each part, without the parts it calls."""

    own: dict[str, float] = field(default_factory=dict)
    _inside: list[float] = field(default_factory=list)

    def timed(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Wrap a function."""
        self.own[name] = 0.0

        @functools.wraps(function)
        def call(*args: Any, **options: Any) -> Any:
            self._inside.append(0.0)
            start = time.process_time()
            try:
                return function(*args, **options)
            finally:
                taken = time.process_time() - start
                self.own[name] += taken - self._inside.pop()
                if self._inside:
                    self._inside[-1] += taken

        return call


@contextmanager
def timed_parts() -> Iterator[Parts]:
    """Time the parts inside the block."""
    parts = Parts()
    before = [(owner, name, owner.__dict__[name]) for _, owner, name in PLACES]
    for what, owner, name in PLACES:
        wrapped = parts.timed(what, getattr(owner, name))
        setattr(owner, name, staticmethod(wrapped) if name == "of" else wrapped)
    try:
        yield parts
    finally:
        for owner, name, value in before:
            setattr(owner, name, value)
