"""The keys of plan.toml as plain text of a given width, and sizes of variation to start from."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from silagetrial.data.listing import section_lines, wrapped
from silagetrial.data.read_settings import SETTINGS_FILE
from silagetrial.data.settings import DIFFERENCE_RESPONSES, RESPONSES
from silagetrial.data.settings_keys import SECTIONS
from silagetrial.planning.assumptions import published_magnitudes
from silagetrial.planning.plan_keys import (
    ASSUMPTIONS,
    PLAN_FILE,
    PLAN_SECTIONS,
    assumption_section,
)

__all__ = ["describe_plan"]

_LISTED: Final = ("sites", "factors")


def describe_plan(*, width: int = 80) -> str:
    """Return the keys of plan.toml beyond those of trial.toml, and published sizes of variation.

    Parameters
    ----------
    width : int
        Characters a line, at least 40.
    """
    return "\n".join((*_keys(width), "", *_magnitudes(width)))


def _keys(width: int) -> Iterator[str]:
    yield wrapped(
        f"{PLAN_FILE} (what a trial is planned from): all that {SETTINGS_FILE} may hold "
        f"(silagetrial columns {SETTINGS_FILE}), and", width, first="", then="    ",
    )  # fmt: skip
    for section, keys in PLAN_SECTIONS.items():
        if section not in SECTIONS and not section.startswith(f"{ASSUMPTIONS}."):
            each = section in _LISTED
            heading = f"[[{section}]], once for each" if each else f"[{section}]"
            yield from section_lines(heading, keys, width)
    by_ratio = [name for name in RESPONSES if name not in DIFFERENCE_RESPONSES]
    for names in (by_ratio, ["dm_loss"], [n for n in DIFFERENCE_RESPONSES if n != "dm_loss"]):
        more = f", and likewise {', '.join(names[1:])}" if len(names) > 1 else ""
        section = assumption_section(names[0])
        yield from section_lines(f"[{section}]{more}", PLAN_SECTIONS[section], width)


def _magnitudes(width: int) -> Iterator[str]:
    table = published_magnitudes()
    yield table.title
    for row in table.frame.to_dict("records"):
        low, high = f"{row['low']:g}", f"{row['high']:g}"
        size = low if low == high else f"{low} to {high}"
        yield wrapped(
            f"{row['quantity']}: {size} {row['unit']} ({row['source']})", width,
            first="  ", then="      ",
        )  # fmt: skip
    for note in table.notes:
        yield wrapped(note, width, first="", then="")
