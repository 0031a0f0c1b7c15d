"""From a trial folder to a report that anyone can run again.

`write_report` runs the notebook of `template` beside a copy of the trial's files and exports it;
the notebook itself only calls `words`, `tables`, `figures` and `results`. What runs notebooks is
loaded when `write_report` is first asked for, so that the notebook's own kernel never loads it.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from silagetrial.report.run import Report, write_report

__all__ = ["Report", "write_report"]


def __getattr__(name: str) -> Any:
    """Load `run` when one of its names is first asked for (PEP 562)."""
    if name not in __all__:
        raise AttributeError(f"module 'silagetrial.report' has no attribute {name!r}")
    return getattr(import_module("silagetrial.report.run"), name)
