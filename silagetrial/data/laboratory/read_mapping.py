"""laboratories.toml from text to laboratories and reports, every problem collected."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from silagetrial.data.laboratory.keys import (
    FREE_KEYS,
    LABORATORIES_FILE,
    LABORATORY_SECTIONS,
    MARKS,
    RESULT,
)
from silagetrial.data.laboratory.mapping import (
    MEANINGS,
    QUANTITIES,
    Laboratory,
    Meaning,
    Quantity,
    Report,
    one_space,
    target_of,
    unit_word,
)
from silagetrial.data.laboratory.read_list import listed_reports
from silagetrial.data.laboratory.readings import mark_word
from silagetrial.data.laboratory.sections import Sections
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.section_reader import SectionReader
from silagetrial.data.settings_keys import Raw
from silagetrial.data.units import needs
from silagetrial.errors import Problem

__all__ = ["parse_laboratories"]

_NAMES = ("laboratory", "report")
_HEADINGS = ("sample", "analyte", "value", "unit")
_NEEDED = {
    "sample": ("sample rows", "result rows"),
    "analyte": ("analyte rows", "result rows"),
    "value": ("result rows",),
}
"""Headings to the shapes that need them."""


def parse_laboratories(
    text: str,
) -> tuple[Mapping[str, Laboratory], tuple[Report, ...], tuple[Problem, ...]]:
    """Read the text of laboratories.toml.

    Parameters
    ----------
    text : str
        The whole file.

    Returns
    -------
    mapping of str to Laboratory, tuple of Report, tuple of Problem
        Laboratories by name, and the reports of those that could be read.

    Raises
    ------
    DataProblems
        If the text is no TOML.
    """
    keys = SectionReader.begin(
        text, LABORATORIES_FILE, LABORATORY_SECTIONS, names=_NAMES, free=tuple(FREE_KEYS)
    )
    reader, raw = _Laboratories(keys), keys.raw
    reader.keys.section("", {key: value for key, value in raw.items() if key not in _NAMES})
    laboratories: dict[str, Laboratory] = {}
    for number, item in enumerate(reader.sections("laboratory", raw)):
        read = reader.laboratory(item, number)
        if read is not None and read.name in laboratories:
            reader.fault(
                "laboratory",
                "name",
                number,
                f"the laboratory {read.name!r} twice",
                "each laboratory once",
                "give one of them another name",
            )
        elif read is not None:
            laboratories[read.name] = read
    reports = listed_reports(reader, raw, laboratories)
    return laboratories, reports, tuple(reader.keys.problems)


@dataclass
class _Laboratories(Sections):
    """Reads laboratories; counts the sections below them, which are numbered through the file."""

    results: int = 0
    marks: int = 0

    def laboratory(self, raw: Raw, number: int) -> Laboratory | None:
        """Read one laboratory; None where its section is of no use."""
        own = {key: item for key, item in raw.items() if key not in ("marks", "result")}
        keys = self.keys.section("laboratory", own, number=number)
        marks = self._marks(raw.get("marks", {}))
        results = self._results(raw.get("result", []), number)
        if not {"name", "shape", "decimal"} <= keys.keys():
            if "name" in keys:
                self.refused.add(keys["name"])
            return None
        for key, shapes in _NEEDED.items():
            if keys["shape"] in shapes and key not in keys:
                self.fault(
                    "laboratory",
                    "shape",
                    number,
                    f"no {key}, with {keys['shape']}",
                    f'{key} = "...", the heading in the report',
                    f"add the line {key} =",
                )
                self.refused.add(keys["name"])
        if keys["name"] in self.refused:
            return None
        given: dict[str, Raw] = {
            key: one_space(item) if key in _HEADINGS else item for key, item in keys.items()
        }
        given["not_read"] = frozenset(map(one_space, keys.get("not_read", ())))
        if keys.get("separator") == "tab":
            given["separator"] = "\t"
        found = Laboratory(**{"sample": "", **given}, results=results, marks=marks)
        self._says_enough(found, number)
        return found

    def _says_enough(self, read: Laboratory, number: int) -> None:
        """Note what a laboratory must say of its results, beside their units."""
        kinds = {item.quantity for item in read.results.values()}
        if "dm" in kinds and read.dm_basis is None:
            self.fault(
                "laboratory",
                "dm_basis",
                number,
                "a dry matter without its basis",
                'dm_basis = "oven" or "corrected"',
                "ask the laboratory whether it has added the volatiles",
            )
        if kinds & {"ammonia_n", "ammonia", "total_n", "crude_protein"} and read.total_n is None:
            self.fault(
                "laboratory",
                "total_n",
                number,
                "nitrogen without saying from which sample total N is",
                'total_n = "fresh" or "dried" or "not known"',
                "ask the laboratory; a dried sample has lost ammonia",
            )

    def _marks(self, raw: Raw) -> Mapping[str, Meaning]:
        if not raw:
            return {}
        number, self.marks = self.marks, self.marks + 1
        marks: dict[str, Meaning] = {}
        for mark, meaning in raw.items() if isinstance(raw, dict) else ():
            if meaning in MEANINGS:
                marks[mark_word(mark)] = meaning
            else:
                self.fault(
                    MARKS,
                    mark,
                    number,
                    f"{mark!r} = {meaning!r}",
                    f"one of {', '.join(MEANINGS)}",
                    did_you_mean(str(meaning), MEANINGS, otherwise="correct the meaning"),
                )
        return marks

    def _results(self, raw: Raw, laboratory: int) -> Mapping[str, Quantity]:
        read: dict[str, Quantity] = {}
        targets: dict[str, str] = {}
        if not isinstance(raw, list) or not raw:
            self.fault(
                "laboratory",
                "result",
                laboratory,
                "no results",
                "a section [[laboratory.result]] for each heading",
                "add the sections",
            )
            return {}
        for item in raw:
            number, self.results = self.results, self.results + 1
            quantity = self._result(item, number)
            if quantity is None:
                continue
            target = target_of(quantity.quantity)
            if quantity.heading in read or target in targets:
                other = targets.get(target, quantity.heading)
                self.fault(
                    RESULT,
                    "heading",
                    number,
                    f"{quantity.heading!r} and {other!r}, which both give {target}",
                    f"one heading for {target}",
                    f"remove one of the two sections and name {quantity.heading!r} or "
                    f"{other!r} under not_read",
                )
                continue
            read[quantity.heading] = quantity
            targets[target] = quantity.heading
        self._needed(read, laboratory)
        return read

    def _result(self, raw: Raw, number: int) -> Quantity | None:
        keys = self.keys.section(RESULT, raw, number=number)
        if not {"heading", "is"} <= keys.keys():
            return None
        allowed = QUANTITIES[keys["is"]]
        units = {}
        for key, default in (("unit", ""), ("limit_unit", keys.get("unit", ""))):
            units[key] = unit_word(str(keys.get(key, default)))
            if units[key] not in (allowed or ("",)):
                self._unit_fault(key, keys["is"], units[key], allowed, number)
                return None
        if any(keys.get(f"{kind}_limit", 1) <= 0 for kind in ("detection", "quantification")):
            self.fault(
                RESULT,
                "heading",
                number,
                "a limit of 0 or less",
                "a limit above 0",
                "write the limit that the laboratory names, or leave the line out",
            )
            return None
        return Quantity(
            one_space(keys["heading"]),
            keys["is"],
            units["unit"],
            unit_word(keys.get("printed_unit", units["unit"])),
            keys.get("detection_limit"),
            keys.get("quantification_limit"),
            units["limit_unit"],
            keys.get("method"),
        )

    def _unit_fault(
        self, key: str, quantity: str, unit: str, allowed: Sequence[str], number: int
    ) -> None:
        if not allowed:
            self.fault(RESULT, key, number, f"a unit for {quantity}", "no unit", "remove the line")
            return
        basis = any(known.startswith(f"{unit} ") for known in allowed)
        self.fault(
            RESULT,
            key,
            number,
            f"the unit {unit!r} for {quantity}" if unit else f"no unit for {quantity}",
            " or ".join(repr(known) for known in allowed),
            "say on what: dry or fresh matter; the report names it, else ask the laboratory"
            if basis
            else did_you_mean(unit, allowed, otherwise="the report names the unit"),
        )

    def _needed(self, read: Mapping[str, Quantity], laboratory: int) -> None:
        """Note acids in % of total acids without these."""
        there = {target_of(item.quantity) for item in read.values()}
        for item in read.values():
            if "total_acids" in needs(target_of(item.quantity), item.unit) and (
                "total_acids" not in there
            ):
                self.fault(
                    "laboratory",
                    "result",
                    laboratory,
                    f"{item.heading!r} in {item.unit} and no heading with the total acids",
                    'a section [[laboratory.result]] with is = "total_acids"',
                    "add it; if the report does not give the total, ask the laboratory",
                )
