"""The software that made the numbers, with its versions, and the seed."""

from __future__ import annotations

import platform
from importlib.metadata import version

import silagetrial
from silagetrial.analysis import Analysis
from silagetrial.display.language import say
from silagetrial.report.cited import cite
from silagetrial.report.inference import answered

__all__ = ["software", "versions"]


def versions() -> dict[str, str]:
    """Return the version of this package, of Python and of what the numbers rest on."""
    packages = {name: version(name) for name in ("numpy", "scipy", "statsmodels")}
    return {"silagetrial": silagetrial.__version__, "python": platform.python_version(), **packages}


def software(analysis: Analysis) -> list[str]:
    """Return the software with its versions, and the seed.

    Parameters
    ----------
    analysis : Analysis
    """
    found, settings = versions(), analysis.trial.settings.analysis
    package = say("methods.package", version=found["silagetrial"], cited=cite("silagetrial"))
    said = {
        "package": package,
        "cited": cite("harris2020", "virtanen2020"),
        **{name: found[name] for name in ("python", "numpy", "scipy")},
    }
    results = answered(analysis)
    line = (
        say("methods.software_witness", **said, statsmodels=found["statsmodels"])
        if any(r.witness is not None for r in results)
        else say("methods.software", **said)
    )
    drawn = any(len(r.bootstrap) for r in results)
    seed = (
        say("methods.seed_used", seed=settings.seed)
        if drawn
        else say("methods.seed_unused", seed=settings.seed)
    )
    return [f"{line} {seed}"]
