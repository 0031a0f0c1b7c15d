"""trial.toml from text to `Settings`, every problem collected with its line.

The keys allowed stand in `settings_keys`; where a key is of the wrong type or left out, the default
stands in its place, so that the remaining checks can still run. A plan holds the same sections and
more.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from silagetrial.data.section_reader import SectionReader
from silagetrial.data.settings import (
    AnalysisPlan,
    DmCorrection,
    Files,
    Flat,
    MeasurementSd,
    Opening,
    Settings,
)
from silagetrial.data.settings_keys import (
    FREE_SECTION,
    NEEDED_SECTIONS,
    SECTION_NAMES,
    SECTIONS,
    Raw,
)
from silagetrial.errors import Problem

__all__ = ["SETTINGS_FILE", "parse_settings", "read_sections", "settings_reader"]

SETTINGS_FILE: Final = "trial.toml"


def parse_settings(text: str) -> tuple[Settings, tuple[Problem, ...]]:
    """Read the text of trial.toml.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    Settings, tuple of Problem
        What could be read, with defaults in place of what could not, and every problem that this
        file shows by itself.

    Raises
    ------
    DataProblems
        If the text is no TOML at all.
    """
    reader = settings_reader(text)
    settings = read_sections(reader)
    return settings, tuple(reader.problems)


def settings_reader(text: str) -> SectionReader:
    """Return the reader of the text of trial.toml.

    Raises
    ------
    DataProblems
        If the text is no TOML at all.
    """
    return SectionReader.begin(
        text, SETTINGS_FILE, SECTIONS, names=SECTION_NAMES, free=(FREE_SECTION,)
    )


def read_sections(reader: SectionReader) -> Settings:
    """Read the sections of a trial; problems are collected in the reader.

    Parameters
    ----------
    reader : SectionReader
        Sections beyond those of a trial are left to the caller.
    """
    raw = reader.raw
    top = {key: value for key, value in raw.items() if key not in reader.names}
    values = {
        "": reader.section("", top),
        **{
            name: reader.section(name, raw.get(name, {}))
            for name in SECTIONS
            if name not in ("", "openings") and (name in raw or name in NEEDED_SECTIONS)
        },
    }
    openings = reader.openings(raw.get("openings", []))
    return _settings(values, openings, reader.free(raw.get(FREE_SECTION, {})))


def _flat(values: dict[str, Raw]) -> Flat | None:
    if "file" not in values:
        return None
    columns = {
        heading: (target,) if isinstance(target, str) else tuple(target)
        for heading, target in values.get("columns", {}).items()
    }
    same = {k: v for k, v in values.get("same", {}).items() if isinstance(v, str)}
    return Flat(values["file"], values.get("sheet"), columns, same)


def _settings(
    values: Mapping[str, dict[str, Raw]],
    openings: tuple[Opening, ...],
    held_equal: dict[str, str | float],
) -> Settings:
    """Put what was read in place; a key that is absent keeps the default of its class."""
    bindings = values.get("bindings", {})
    bales = values.get("design", {}).get("bales")
    analysis: dict[str, Raw] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in values.get("analysis", {}).items()
    }
    return Settings(
        **values[""],
        compare=tuple(bindings.get("compare", ())),
        reference=bindings.get("reference", ""),
        **({} if bales is None else {"design": bales}),
        held_equal=held_equal,
        openings=openings,
        units=values.get("units", {}),
        measures=values.get("measures", {}),
        dm_correction=DmCorrection(**values.get("dm_correction", {})),
        measurement_sd=MeasurementSd(**values.get("measurement_sd", {})),
        analysis=AnalysisPlan(**analysis),
        files=Files(**values.get("files", {})),
        flat=_flat(values.get("flat", {})),
    )
