"""trial.toml from text to `Settings`, every problem collected with its line.

The keys allowed stand in `settings_keys`; where a key is of the wrong type or left out, the default
stands in its place, so that the remaining checks can still run. A plan holds the same sections and
more, and is read by the same `SectionReader`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final

from silagetrial.data.nearest import did_you_mean
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
    Key,
    Raw,
    expected,
    fits,
)
from silagetrial.errors import DataProblems, Problem

__all__ = [
    "SETTINGS_FILE",
    "SectionReader",
    "dotted",
    "line_of",
    "load_toml",
    "parse_settings",
    "read_sections",
]

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
    reader = SectionReader(text)
    settings = read_sections(reader, load_toml(text))
    return settings, tuple(reader.problems)


def load_toml(text: str, *, file: str = SETTINGS_FILE) -> dict[str, Raw]:
    """Return what the text of a TOML file holds.

    Raises
    ------
    DataProblems
        If the text is no TOML at all, with the line.
    """
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise DataProblems([_no_toml(error, file)]) from error
    except (RecursionError, ValueError) as error:
        raise DataProblems([_no_settings(file)]) from error


def read_sections(reader: SectionReader, raw: Mapping[str, Raw]) -> Settings:
    """Read the sections of a trial; problems are collected in the reader.

    Parameters
    ----------
    reader : SectionReader
    raw : mapping
        From `load_toml`; sections beyond those of a trial are left to the caller.
    """
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


def line_of(text: str, section: str, key: str | None = None, *, number: int = 0) -> int | None:
    """Return the line of trial.toml on which a key, or a section's heading, stands.

    Parameters
    ----------
    text : str
        The whole file.
    section : str
        Name of the section; "" for the top of the file.
    key : str or None
        The key; None for the heading of the section.
    number : int
        Which of the sections of this name, from 0.

    Returns
    -------
    int or None
        Line counted from 1; None where the key is not on a line of its own.
    """
    current, seen = "", 0 if section == "" else -1
    for line, row in enumerate(text.splitlines(), start=1):
        if heading := re.match(r"\s*\[{1,2}\s*([\w.-]+)\s*\]", row):
            current = heading[1]
            seen += current == section
            if key is None and current == section and seen == number:
                return line
        elif current == section and seen == number and key is not None:
            name = re.match(r"""\s*(["']?)([\w-]+)\1\s*=""", row)
            if name and name[2] == key:
                return line
    return None


def dotted(section: str, key: str) -> str:
    """Return the name of a key with its section: ``bindings.compare``."""
    return f"{section}.{key}" if section else key


@dataclass
class SectionReader:
    """Reads section by section and collects the problems.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        Its name.
    sections : mapping
        Section to its keys; "" is the top of the file.
    names : tuple of str
        Sections that the top of the file may hold.
    problems : list of Problem
        What was found wrong so far.
    """

    text: str
    file: str = SETTINGS_FILE
    sections: Mapping[str, Mapping[str, Key]] = field(default_factory=lambda: SECTIONS)
    names: tuple[str, ...] = SECTION_NAMES
    problems: list[Problem] = field(default_factory=list)

    def section(self, section: str, raw: Raw, *, number: int = 0) -> dict[str, Raw]:
        """Return the keys of a section that are known and hold what they should."""
        if not isinstance(raw, dict):
            self.fault(
                line_of(self.text, "", section),
                section,
                f"{section} = {raw!r}",
                f"a section that begins with [{section}]",
                f"write [{section}] on a line of its own and its keys below it",
            )
            return {}
        keys = self.sections[section]
        known = (*keys, *(self.names if section == "" else ()))
        for key in (key for key in raw if key not in keys):
            self.fault(
                line_of(self.text, section, key, number=number) or line_of(self.text, key),
                dotted(section, key),
                f"{key!r}, which is not known here",
                f"one of {', '.join(known)}",
                did_you_mean(key, known, otherwise="remove it"),
            )
        for key, spec in keys.items():
            if spec.required and key not in raw:
                self.fault(
                    line_of(self.text, section, number=number),
                    dotted(section, key),
                    f"no {key}" + (f" in [{section}]" if section else ""),
                    expected(spec),
                    f"add a line that begins with {key} =",
                )
        return {
            key: raw[key]
            for key in keys
            if key in raw and self._fits(section, key, raw[key], number=number)
        }

    def openings(self, raw: Raw) -> tuple[Opening, ...]:
        """Return the openings that are complete, by days."""
        if not isinstance(raw, list) or not raw:
            self.fault(
                line_of(self.text, "openings") or line_of(self.text, "", "openings"),
                "openings",
                "no openings" if not raw else f"openings = {raw!r}",
                "one section [[openings]] for each planned storage time",
                'add [[openings]] with name = "2 months", days = 60, window = [50, 75]',
            )
            return ()
        read = [self.section("openings", item, number=n) for n, item in enumerate(raw)]
        complete = [item for item in read if {"name", "days", "window"} <= item.keys()]
        openings = [
            Opening(
                item["name"],
                float(item["days"]),
                (float(item["window"][0]), float(item["window"][1])),
            )
            for item in complete
        ]
        return tuple(sorted(openings, key=lambda opening: (opening.days, opening.name)))

    def free(self, raw: Raw) -> dict[str, str | float]:
        """Return the values of the section whose keys are the user's own."""
        values = raw if isinstance(raw, dict) else {FREE_SECTION: raw}
        kept: dict[str, str | float] = {}
        for key, value in values.items():
            if isinstance(raw, dict) and isinstance(value, str | int | float):
                kept[key] = value
            else:
                self.fault(
                    line_of(self.text, FREE_SECTION, key) or line_of(self.text, "", key),
                    dotted(FREE_SECTION, key) if isinstance(raw, dict) else FREE_SECTION,
                    f"{key} = {value!r}",
                    f"a number or a text under [{FREE_SECTION}]",
                    "write one value a line, as in film_layers = 6",
                )
        return kept

    def _fits(self, section: str, key: str, value: Raw, *, number: int) -> bool:
        spec = self.sections[section][key]
        if fits(spec, value):
            return True
        remedy = f"correct the value of {key}"
        if isinstance(value, str):
            remedy = did_you_mean(value, spec.choices, otherwise=remedy)
        self.fault(
            line_of(self.text, section, key, number=number),
            dotted(section, key),
            f"{key} = {value!r}",
            expected(spec),
            remedy,
        )
        return False

    def fault(self, line: int | None, where: str, found: str, wanted: str, remedy: str) -> None:
        """Note an error at a line of the file."""
        self.problems.append(Problem("error", self.file, line, where, found, wanted, remedy))


def _no_settings(file: str) -> Problem:
    return Problem(
        "error",
        file,
        None,
        None,
        "brackets nested thousands deep, or a number of thousands of digits",
        "the settings of a trial",
        "write the file anew, or take it from a copy",
    )


def _no_toml(error: tomllib.TOMLDecodeError, file: str) -> Problem:
    place = re.search(r"at line (\d+)", str(error))
    return Problem(
        "error",
        file,
        int(place[1]) if place else None,
        None,
        f"text that is not TOML: {error}",
        'lines such as title = "..." below headings such as [bindings]',
        "correct this line; texts stand between double quotes, numbers have a decimal point, a "
        "date is 2027-05-20",
    )


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
