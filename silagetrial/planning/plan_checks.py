"""Checks of what plan.toml says beyond trial.toml."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from silagetrial.data.nearest import did_you_mean
from silagetrial.data.schema import TABLES
from silagetrial.data.settings import DIFFERENCE_RESPONSES
from silagetrial.data.settings_keys import Raw
from silagetrial.errors import Problem, UsageError
from silagetrial.planning.assumed_checks import Source, assumed_possible, share_fault
from silagetrial.planning.grid_axes import check_axis
from silagetrial.planning.plan import Factor, Plan, Spread
from silagetrial.planning.plan_keys import INSTRUMENTS, assumption_section
from silagetrial.planning.truth import MassBalance, Truth

__all__ = ["plan_problems", "room_in_batch"]

_DRAWN: Final = (
    "bale", "pair", "lot", "site", "field", "cut", "run", "order", "binding", "baled_at",
    "film_wrapped_at", "store", "tier", "planned_opening", "note",
)  # fmt: skip
"""Columns of bales.csv that the layout fills or the day of baling does."""

_BLOCKS: Final = ("lot", "field", "cut", "store", "tier")
"""Columns that may be blocks: the layout fills them for every pair where the plan names them."""


_ABOVE_ZERO: Final = ("bales_per_year", "years")
"""Figures of a decision without which nothing is decided."""


def room_in_batch(plan: Plan) -> int:
    """Return how many samples of a laboratory batch are left beside its controls."""
    laboratory = plan.laboratory
    return laboratory.batch - laboratory.duplicates - int(laboratory.reference)


def plan_problems(plan: Plan, text: str, file: str) -> list[Problem]:
    """Return what is wrong with the plan's own sections.

    Parameters
    ----------
    plan : Plan
    text : str
        The file, to name lines.
    file : str
        Its name.
    """
    source = Source(text, file)
    checks = (
        _sites,
        _factors,
        _columns,
        _layout,
        _laboratory,
        _power,
        assumed_possible,
        _departures,
        _grid,
        _money,
    )
    return [problem for check in checks for problem in check(plan, source)]


def _sites(plan: Plan, source: Source) -> Iterator[Problem]:
    labels = [site.label for site in plan.sites]
    for n, site in enumerate(plan.sites):
        if site.label in labels[:n]:
            yield source.problem(
                "sites", "name", f"the site {site.label!r} twice", "each site once",
                "rename one, or name the cut where the farm is baled at several cuts", number=n,
            )  # fmt: skip
        if site.pairs < max(1, len(site.fields)):
            yield source.problem(
                "sites", "pairs",
                f"{site.pairs} pair{'' if site.pairs == 1 else 's'} on {site.label!r}",
                f"at least {max(1, len(site.fields))}, one in each field",
                "plan more pairs or fewer fields", number=n,
            )  # fmt: skip
        for key, names in (("fields", site.fields), ("stores", site.stores)):
            if len(set(names)) < len(names):
                yield source.problem(
                    "sites", key, f"{key} = {list(names)}", "each name once",
                    "remove the second, or rename it", number=n,
                )  # fmt: skip
        if site.tiers < 1:
            yield source.problem(
                "sites", "tiers", f"tiers = {site.tiers}", "at least 1 layer of bales",
                "write 1 where bales lie singly", number=n,
            )  # fmt: skip


def _factors(plan: Plan, source: Source) -> Iterator[Problem]:
    columns = [factor.column for factor in plan.factors]
    for n, factor in enumerate(plan.factors):
        if factor.column in _DRAWN or not factor.column.isidentifier():
            yield source.problem(
                "factors", "column", f"column = {factor.column!r}",
                "a name of letters, digits and _, other than a column that the layout fills",
                "name the column after the treatment, as in film_layers", number=n,
            )  # fmt: skip
        if factor.column in columns[:n] or factor.column in plan.settings.held_equal:
            twice = factor.column in columns[:n]
            yield source.problem(
                "factors", "column",
                f"{factor.column!r} " + ("twice" if twice else "also under [held_equal]"),
                "each factor once, and nothing that is held equal",
                "remove it in one of the two places", number=n,
            )  # fmt: skip
        if len(set(factor.levels)) < max(2, len(factor.levels)):
            yield source.problem(
                "factors", "levels", f"levels = {list(factor.levels)}",
                "two or more different levels", "name each level once", number=n,
            )  # fmt: skip
        elif _is_number_column(factor) and not all(map(_is_number, factor.levels)):
            yield source.problem(
                "factors", "levels", f"levels = {list(factor.levels)}",
                f"numbers as texts: {factor.column} is a number in bales.csv",
                'write levels = ["4", "6"]', number=n,
            )  # fmt: skip


def _columns(plan: Plan, source: Source) -> Iterator[Problem]:
    """Check that factors and blocks of the analysis are columns that the layout will fill."""
    analysis, own = plan.settings.analysis, [factor.column for factor in plan.factors]
    for name in (name for name in analysis.factors if name not in own):
        yield source.problem(
            "analysis", "factors", f"factors names {name!r}", "factors with levels to be given to "
            "pairs, each under [[factors]]", did_you_mean(name, own, otherwise=f"add [[factors]] "
            f'with column = "{name}" and levels = [...]; it need not be named here'),
        )  # fmt: skip
    for name in (name for name in analysis.blocks if name not in _BLOCKS):
        yield source.problem(
            "analysis", "blocks", f"blocks names {name!r}",
            f"what the layout knows of every pair: {', '.join(_BLOCKS)}",
            did_you_mean(name, _BLOCKS, otherwise="remove it"),
        )  # fmt: skip


def _is_number_column(factor: Factor) -> bool:
    kinds = {column.name: column.kind for column in TABLES["bales"]}
    return kinds.get(factor.column) in ("number", "count")


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True


def _layout(plan: Plan, source: Source) -> Iterator[Problem]:
    if plan.switch_every < 1:
        yield source.problem(
            "layout", "switch_every", f"switch_every = {plan.switch_every}", "at least 1",
            "write 1 for a change of binding at every bale",
        )  # fmt: skip
    fault = share_fault(plan.lost)
    if fault is not None:
        yield source.problem("layout", "lost", f"lost = {plan.lost:g}", *fault)
    if any(days <= 0 for days in plan.inspections):
        yield source.problem(
            "layout", "inspections", f"inspections = {list(plan.inspections)}",
            "days after film wrapping, above 0", "write inspections = [14, 60]",
        )  # fmt: skip


def _laboratory(plan: Plan, source: Source) -> Iterator[Problem]:
    laboratory = plan.laboratory
    for key in ("samples", "analyses"):
        if getattr(laboratory, key) < 1:
            yield source.problem(
                "laboratory", key, f"{key} = {getattr(laboratory, key)}", "at least 1",
                f"write {key} = 1, or leave the line out",
            )  # fmt: skip
    needed = len(plan.settings.compare) * laboratory.samples * laboratory.analyses
    if room_in_batch(plan) < needed:
        yield source.problem(
            "laboratory", "batch",
            f"batch = {laboratory.batch}, of which {max(room_in_batch(plan), 0)} are left beside "
            "the controls",
            f"room for the {needed} results of one pair, so that its bales lie in one batch",
            f"plan batches of {needed + laboratory.batch - room_in_batch(plan)} or more, or fewer "
            "duplicates",
        )  # fmt: skip


def _power(plan: Plan, source: Source) -> Iterator[Problem]:
    if not plan.settings.analysis.alpha < plan.power < 1:
        yield source.problem(
            "power", "target", f"target = {plan.power:g}",
            f"a probability between alpha ({plan.settings.analysis.alpha:g}) and 1",
            "write 0.8 for 80 %",
        )  # fmt: skip
    least = 0.0 if plan.settings.analysis.primary in DIFFERENCE_RESPONSES else 1.0
    if plan.half_width is not None and plan.half_width <= least:
        yield source.problem(
            "power", "half_width", f"half_width = {plan.half_width:g}",
            f"a {'ratio' if least else 'difference'} above {least:g}",
            "write 1.3 for an interval from 1/1.3 to 1.3 times the estimate"
            if least
            else "write the half-width in the unit of the response",
        )  # fmt: skip


def _departures(plan: Plan, source: Source) -> Iterator[Problem]:
    for response, assumed in plan.assumptions.items():
        departures: dict[str, Raw] = dict(assumed.departures)
        typical = {INSTRUMENTS[k]: departures.pop(k) for k in INSTRUMENTS if k in departures}
        try:
            Truth(Spread(), **departures, balance=MassBalance(**typical))
        except UsageError as error:
            yield source.problem(
                assumption_section(response), "departures", error.found, error.expected,
                error.remedy,
            )  # fmt: skip


def _grid(plan: Plan, source: Source) -> Iterator[Problem]:
    for name, values in plan.grid.items():
        try:
            check_axis(name, values, response=plan.settings.analysis.primary)
        except UsageError as error:
            yield source.problem("grid", name, error.found, error.expected, error.remedy)


def _money(plan: Plan, source: Source) -> Iterator[Problem]:
    for section, given in (("costs", plan.costs), ("next_trial", plan.next_trial)):
        for key, value in ({} if given is None else vars(given)).items():
            if not isinstance(value, int | float) or key == "gain_per_bale":
                continue
            if value < 0 or (key in _ABOVE_ZERO and value == 0):
                yield source.problem(
                    section, key, f"{key} = {value:g}",
                    "a number above 0" if key in _ABOVE_ZERO else "0 or more", f"correct the {key}",
                )  # fmt: skip
