"""Checks of what is assumed: effects and spreads that can be, no percentages among them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from silagetrial.data.settings import DIFFERENCE_RESPONSES
from silagetrial.data.toml_text import dotted, line_of
from silagetrial.errors import Problem, UsageError
from silagetrial.planning.plan import Assumption, Plan, Spread
from silagetrial.planning.plan_keys import SPREADS, assumption_section

__all__ = [
    "Fault",
    "Source",
    "assumed_possible",
    "check_ratios",
    "check_spread",
    "cv_fault",
    "effect_fault",
    "share_fault",
]

HIGHEST_CV: Final = 5.0
"""Above this a coefficient of variation is a percentage typed as it is (common practice)."""

RATIOS: Final = (0.05, 20.0)
"""Outside these a ratio is a percentage typed as it is (common practice)."""

Fault: TypeAlias = "tuple[str, str]"
"""What was expected in place of a value, and the remedy."""


@dataclass(frozen=True)
class Source:
    """The text of a plan, to name the line of a problem."""

    text: str
    file: str

    def problem(
        self, section: str, key: str, found: str, expected: str, remedy: str, *, number: int = 0
    ) -> Problem:
        """Return an error at a key, or at its section where the key has no line."""
        line = line_of(self.text, section, key, number=number) or line_of(
            self.text, section, number=number
        )
        where = dotted(section, key)
        return Problem("error", self.file, line, where, found, expected, remedy)


def assumed_possible(plan: Plan, source: Source) -> Iterator[Problem]:
    """Check effects, levels and spreads of every response, and ratios that matter."""
    for response, assumed in plan.assumptions.items():
        section = assumption_section(response)
        yield from _effects(response, assumed, source, openings=len(plan.settings.openings))
        for name in ("level", "limit"):
            value = getattr(assumed, name)
            if value is not None and value <= 0:
                yield source.problem(
                    section, name, f"{name} = {value:g}", "a value above 0 in the response's unit",
                    "correct it, or leave the line out",
                )  # fmt: skip
        yield from _spreads(response, assumed.spread, source)
    for response, value in plan.settings.analysis.important.items():
        fault = effect_fault(response, (value,)) if value > 0 else None
        if fault is not None:
            yield source.problem("analysis", "important", f"{response} = {value:g}", *fault)


def _effects(
    response: str, assumed: Assumption, source: Source, *, openings: int
) -> Iterator[Problem]:
    section, differs = assumption_section(response), response in DIFFERENCE_RESPONSES
    key, effect = "difference" if differs else "ratio", assumed.effect
    if len(effect) not in (0, 1, openings):
        yield source.problem(
            section, key, f"{len(effect)} values for {openings} openings",
            "one value, or one for each opening in the order of days",
            "write one value where it is the same at all openings",
        )  # fmt: skip
    fault = effect_fault(response, effect)
    if fault is not None:
        found = f"{key} = {', '.join(f'{v:g}' for v in effect)}"
        yield source.problem(section, key, found, *fault)


def _spreads(response: str, spread: Spread, source: Source) -> Iterator[Problem]:
    section, differs = assumption_section(response), response in DIFFERENCE_RESPONSES
    short = "sd" if differs else "cv"
    for part in SPREADS:
        value, key = getattr(spread, part), f"{short}_{part}"
        fault = cv_fault(response, value)
        if value < 0:
            yield source.problem(
                section, key, f"{key} = {value:g}", "0 or more",
                "write it in the response's unit" if differs else "write 0.5 for 50 %",
            )  # fmt: skip
        elif fault is not None:
            yield source.problem(section, key, f"{key} = {value:g}", *fault)


def effect_fault(response: str, effects: Sequence[float]) -> Fault | None:
    """Return what is wrong with effects that are ratios: no ratio at all, or a percentage."""
    if response in DIFFERENCE_RESPONSES:
        return None
    if any(value <= 0 for value in effects):
        half = "write 0.5 where the binding of interest has half the value of the other"
        return "ratios above 0", half
    if all(RATIOS[0] <= value <= RATIOS[1] for value in effects):
        return None
    return (
        f"a ratio from {RATIOS[0]:g} to {RATIOS[1]:g}, 1 being no difference",
        "write 0.6 where the binding of interest has 60 % of the value of the other",
    )


def cv_fault(response: str, value: float) -> Fault | None:
    """Return what is wrong with a coefficient of variation that is a percentage."""
    if response in DIFFERENCE_RESPONSES or value <= HIGHEST_CV:
        return None
    return f"a fraction, at most {HIGHEST_CV:g}", "write a fraction: 0.3 for 30 %"


def share_fault(value: float) -> Fault | None:
    """Return what is wrong with a share that is none."""
    return None if 0 <= value < 1 else ("a share from 0 to below 1", "write 0.05 for 5 %")


def check_ratios(response: str, values: tuple[float, ...]) -> None:
    """Refuse ratios given in a call that are percentages; those not above 0 are refused elsewhere.

    Raises
    ------
    UsageError
    """
    for value in (value for value in values if value > 0):
        fault = effect_fault(response, (value,))
        if fault is not None:
            found = f"a ratio of {value:g} for {response}"
            raise UsageError(found=found, expected=fault[0], remedy=fault[1])


def check_spread(response: str, spread: Spread) -> None:
    """Refuse coefficients of variation given in a call that are percentages.

    Raises
    ------
    UsageError
    """
    for part in SPREADS:
        value = getattr(spread, part)
        fault = cv_fault(response, value)
        if fault is not None:
            found = f"cv_{part} = {value:g} for {response}"
            raise UsageError(found=found, expected=fault[0], remedy=fault[1])
