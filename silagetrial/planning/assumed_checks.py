"""Checks of what is assumed: effects and spreads that can be, no percentages among them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from silagetrial.data.settings import DIFFERENCE_RESPONSES
from silagetrial.data.toml_text import dotted, line_of
from silagetrial.errors import Problem, UsageError
from silagetrial.planning.plan import Assumption, Plan, Spread
from silagetrial.planning.plan_keys import SPREADS, assumption_section

__all__ = ["Source", "assumed_possible", "check_ratios", "check_spread"]

HIGHEST_CV: Final = 5.0
"""Above this a coefficient of variation is a percentage typed as it is (common practice)."""

RATIOS: Final = (0.05, 20.0)
"""Outside these a ratio is a percentage typed as it is (common practice)."""

_AS_FRACTION: Final = "write a fraction: 0.3 for 30 %"
_AS_RATIO: Final = "write 0.6 where the binding of interest has 60 % of the value of the other"


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
        if response not in DIFFERENCE_RESPONSES and value > 0 and not _is_ratio(value):
            yield source.problem(
                "analysis", "important", f"{response} = {value:g}", _ratios_expected(), _AS_RATIO
            )


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
    found = f"{key} = {', '.join(f'{v:g}' for v in effect)}"
    if not differs and any(value <= 0 for value in effect):
        yield source.problem(
            section, key, found, "ratios above 0",
            "write 0.5 where the binding of interest has half the value of the other",
        )  # fmt: skip
    elif not differs and not all(map(_is_ratio, effect)):
        yield source.problem(section, key, found, _ratios_expected(), _AS_RATIO)


def _spreads(response: str, spread: Spread, source: Source) -> Iterator[Problem]:
    section, differs = assumption_section(response), response in DIFFERENCE_RESPONSES
    short = "sd" if differs else "cv"
    for part in SPREADS:
        value, key = getattr(spread, part), f"{short}_{part}"
        if value < 0:
            yield source.problem(
                section, key, f"{key} = {value:g}", "0 or more",
                "write it in the response's unit" if differs else "write 0.5 for 50 %",
            )  # fmt: skip
        elif not differs and value > HIGHEST_CV:
            yield source.problem(
                section, key, f"{key} = {value:g}", f"a fraction, at most {HIGHEST_CV:g}",
                _AS_FRACTION,
            )  # fmt: skip


def _is_ratio(value: float) -> bool:
    return RATIOS[0] <= value <= RATIOS[1]


def _ratios_expected() -> str:
    return f"a ratio from {RATIOS[0]:g} to {RATIOS[1]:g}, 1 being no difference"


def check_ratios(response: str, values: tuple[float, ...]) -> None:
    """Refuse ratios given in a call that are percentages; those not above 0 are refused elsewhere.

    Raises
    ------
    UsageError
    """
    wrong = [value for value in values if value > 0 and not _is_ratio(value)]
    if response not in DIFFERENCE_RESPONSES and wrong:
        raise UsageError(
            found=f"a ratio of {wrong[0]:g} for {response}",
            expected=_ratios_expected(),
            remedy=_AS_RATIO,
        )


def check_spread(response: str, spread: Spread) -> None:
    """Refuse coefficients of variation given in a call that are percentages.

    Raises
    ------
    UsageError
    """
    for part in SPREADS:
        value = getattr(spread, part)
        if response not in DIFFERENCE_RESPONSES and value > HIGHEST_CV:
            raise UsageError(
                found=f"cv_{part} = {value:g} for {response}",
                expected=f"a fraction, at most {HIGHEST_CV:g}",
                remedy=_AS_FRACTION,
            )
