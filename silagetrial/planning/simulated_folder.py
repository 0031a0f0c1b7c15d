"""Simulated trials of a plan as a folder: a page, its tables at full precision, its pictures."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import Any, Final

from silagetrial.display.block import Picture, Prose
from silagetrial.display.cautions import cautions, deferral
from silagetrial.display.page import page
from silagetrial.display.place import Work, check_place
from silagetrial.display.table import Table
from silagetrial.planning.chunks import Progress
from silagetrial.planning.curves import pairs_unit
from silagetrial.planning.figures_simulation import lowers_chart, simulated_chart
from silagetrial.planning.lowers import what_lowers
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_rows import pairs_of
from silagetrial.planning.read_plan import read_plan
from silagetrial.planning.simulate import simulate_power
from silagetrial.planning.simulated_curve import simulated_by_pairs
from silagetrial.planning.simulation import Simulation
from silagetrial.planning.worth import PAGE_STYLE
from silagetrial.planning.worth_folder import PICTURES, write_folder

__all__ = [
    "SIMULATED",
    "SimulatedPage",
    "check_simulated_place",
    "simulated_page",
    "write_simulated",
]

SIMULATED: Final = "simulated.html"
_TITLE: Final = "The trial, simulated"
_MANIFEST: Final = "simulated_files.json"
_TABLES: Final = ("simulated", "what_lowers")
_WORK: Final = Work(
    "simulation",
    _MANIFEST,
    frozenset({SIMULATED, PICTURES, _MANIFEST, *(f"{name}.csv" for name in _TABLES)}),
)


@dataclass(frozen=True, repr=False)
class SimulatedPage:
    """Simulated trials of a plan, its power against pairs and what lowers it.

    Attributes
    ----------
    heading : tuple of str
        Title and question of the trial.
    simulation : Simulation
    lowers : Table or None
        None where the simulation was interrupted before.
    charts : mapping of str to Picture
        ``pairs`` and ``what_lowers``.
    """

    heading: tuple[str, ...]
    simulation: Simulation
    lowers: Table | None
    charts: Mapping[str, Picture]

    @property
    def interrupted(self) -> bool:
        """Whether the simulation was stopped before its end."""
        return self.simulation.interrupted

    def __str__(self) -> str:
        """Return the tables as text."""
        return "\n\n".join(str(part) for part in (self.simulation, self.lowers) if part is not None)

    def __repr__(self) -> str:
        """Return the text."""
        return str(self)

    def to_html(self) -> str:
        """Return the self-contained page."""
        shown = (Prose(self.heading, kind="question"), self.simulation, self.lowers)
        parts = [part._repr_html_() for part in shown if part is not None]
        drawn = "\n".join(chart._repr_html_() for chart in self.charts.values())
        parts.append(f'<div class="st-pictures">\n{drawn}\n</div>')
        parts.append(f"<h2>{escape('Before you begin')}</h2>")
        parts += [Prose(cautions(), kind="list")._repr_html_(), Prose((deferral(),))._repr_html_()]
        return page(_TITLE, "\n".join(parts), style=PAGE_STYLE)

    def _repr_html_(self) -> str:
        return self.to_html()


def simulated_page(
    plan: Plan | str | Path,
    *,
    response: str | None = None,
    trials: int = 10_000,
    pairs: int | tuple[int, ...] | None = None,
    effect: float | None = None,
    report: str | Path | None = None,
    precision: float | None = None,
    seed: int | None = None,
    workers: int | None = 1,
    cluster: str | None = None,
    checkpoint: str | Path | None = None,
    progress: Callable[[Progress], None] | None = None,
) -> SimulatedPage:
    """Simulate a plan (and its grid), other numbers of pairs, and what lowers its power.

    Parameters
    ----------
    plan, response, trials, pairs, effect, report, precision, seed, workers, cluster, checkpoint, \
progress
        As in `simulate_power`; `trials` are drawn for each point of the pictures as well.

    Returns
    -------
    SimulatedPage

    Raises
    ------
    NoAnswer, UsageError, SilageTrialError
        As in `simulate_power`.
    """
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    common: dict[str, Any] = {
        "response": response, "effect": effect, "report": report, "trials": trials, "seed": seed,
        "workers": workers, "cluster": cluster, "checkpoint": checkpoint, "progress": progress,
    }  # fmt: skip
    found = simulate_power(plan, pairs=pairs, precision=precision, **common)
    settings = plan.settings
    heading = tuple(text for text in (settings.title, settings.question) if text)
    if found.interrupted:
        return SimulatedPage(heading, found, None, {})
    lowers = what_lowers(plan, pairs=pairs, **common)
    curve = simulated_by_pairs(plan, **common)
    planned = float(sum(pairs_of(plan, pairs)))
    charts = {
        "pairs": simulated_chart(
            curve, target=plan.power, planned=planned, unit=pairs_unit(plan)
        ),
        "what_lowers": lowers_chart(
            lowers.frame, target=plan.power, alpha=settings.analysis.alpha
        ),
    }  # fmt: skip
    return SimulatedPage(heading, found, lowers, charts)


def check_simulated_place(
    out: str | Path, *, force: bool = False, inputs: Collection[Path] = ()
) -> None:
    """Refuse a folder for simulated trials before the work is done; see `check_place`."""
    check_place(Path(out), _WORK, force=force, inputs=inputs)


def write_simulated(
    found: SimulatedPage, out: str | Path, *, force: bool = False, inputs: Collection[Path] = ()
) -> tuple[Path, ...]:
    """Write the page, its tables as CSV and each picture as PNG, SVG and CSV.

    Parameters
    ----------
    found : SimulatedPage
    out : str or pathlib.Path
        The folder to write: new, empty, or an earlier one as it was written, which is replaced.
    force, inputs
        As in `check_place`.

    Returns
    -------
    tuple of pathlib.Path
        The files, in the order of their paths.

    Raises
    ------
    UsageError
        As `check_place`.
    """
    tables = zip(_TABLES, (found.simulation.table, found.lowers), strict=True)
    texts = {f"{name}.csv": table.to_csv() for name, table in tables if table is not None}
    texts[SIMULATED] = found.to_html()
    return write_folder(out, _WORK, texts, found.charts, force=force, inputs=inputs)
