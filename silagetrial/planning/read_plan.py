"""plan.toml from text to `Plan`, every problem collected with its line."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path

from silagetrial.data.checks import SETTINGS_CHECKS, in_order
from silagetrial.data.draft import Draft
from silagetrial.data.files import decode
from silagetrial.data.frames import empty_table
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.read_settings import read_sections
from silagetrial.data.schema import TABLES
from silagetrial.data.section_reader import SectionReader
from silagetrial.data.settings import DIFFERENCE_RESPONSES, RESPONSES, Settings
from silagetrial.data.settings_keys import FREE_SECTION, Raw
from silagetrial.data.toml_text import line_of
from silagetrial.data.which_folder import which_folder
from silagetrial.errors import DataProblems, Problem
from silagetrial.planning.follow_ons import blamed
from silagetrial.planning.plan import (
    Assumption,
    Costs,
    Factor,
    Laboratory,
    NextTrial,
    Plan,
    SitePlan,
    Spread,
)
from silagetrial.planning.plan_checks import plan_problems
from silagetrial.planning.plan_keys import (
    ASSUMPTIONS,
    PLAN_FILE,
    PLAN_NAMES,
    PLAN_SECTIONS,
    SPREADS,
    assumption_section,
)

__all__ = ["parse_plan", "read_plan"]


def read_plan(path: str | Path) -> Plan:
    """Read and check a plan.

    Parameters
    ----------
    path : str or pathlib.Path
        plan.toml, or the folder that holds it.

    Returns
    -------
    Plan

    Raises
    ------
    DataProblems
        With every problem of the file: its line, what was found and expected, what to do.
    """
    path = Path(path)
    file = path / PLAN_FILE if path.is_dir() else path
    if not file.is_file():
        raise DataProblems([_no_plan(path, file)])
    text = decode(file.read_bytes(), file=file.name)
    if isinstance(text, Problem):
        raise DataProblems([text])
    plan, problems = parse_plan(text, file=file.name)
    if problems:
        raise DataProblems(in_order(problems))
    return plan


def parse_plan(text: str, *, file: str = PLAN_FILE) -> tuple[Plan, tuple[Problem, ...]]:
    """Read the text of plan.toml.

    Parameters
    ----------
    text : str
        The whole file.
    file : str
        Its name, for problems.

    Returns
    -------
    Plan, tuple of Problem
        What could be read, with defaults in place of what could not, and every problem.

    Raises
    ------
    DataProblems
        If the text is no TOML at all.
    """
    reader = SectionReader.begin(text, file, PLAN_SECTIONS, names=PLAN_NAMES, free=(FREE_SECTION,))
    text, raw = reader.text, reader.raw
    settings = read_sections(reader)
    given: dict[str, dict[str, Raw]] = {
        name: reader.section(name, raw[name])
        for name in ("layout", "laboratory", "power", "grid", "costs", "next_trial")
        if name in raw
    }
    factors = _factors(reader, raw.get("factors", []))
    added = tuple(f.column for f in factors if f.column not in settings.analysis.factors)
    analysis = replace(settings.analysis, factors=(*settings.analysis.factors, *added))
    settings = replace(settings, analysis=analysis)
    plan = _plan(settings, given, factors, reader, raw)
    problems = list(reader.problems)
    for found in (_settings_problems(settings, text, file), plan_problems(plan, text, file)):
        wrong = blamed(problems)
        problems += [problem for problem in found if problem.column not in wrong]
    return plan, tuple(problems)


def _plan(
    settings: Settings,
    given: Mapping[str, dict[str, Raw]],
    factors: tuple[Factor, ...],
    reader: SectionReader,
    raw: Mapping[str, Raw],
) -> Plan:
    """Put what was read in place; a key that is absent keeps the default of its class."""
    layout, power = given.get("layout", {}), given.get("power", {})
    chosen: dict[str, Raw] = {
        key: tuple(value) if isinstance(value, list) else value
        for key, value in layout.items()
        if key not in ("pairs", "spare_pairs")
    }
    if "target" in power:
        chosen["power"] = power["target"]
    if "half_width" in power:
        chosen["half_width"] = power["half_width"]
    if "grid" in given:
        chosen["grid"] = {name: tuple(values) for name, values in given["grid"].items()}
    if "costs" in given:
        chosen["costs"] = Costs(**given["costs"])
    if {"bales_per_year", "years", "gain_per_bale"} <= given.get("next_trial", {}).keys():
        chosen["next_trial"] = NextTrial(**given["next_trial"])
    return Plan(
        settings,
        _sites(reader, raw.get("sites", []), layout),
        factors=factors,
        laboratory=Laboratory(**given.get("laboratory", {})),
        assumptions=_assumptions(reader, raw.get(ASSUMPTIONS, {})),
        **chosen,
    )


def _sites(reader: SectionReader, raw: Raw, layout: Mapping[str, Raw]) -> tuple[SitePlan, ...]:
    sites = []
    for n, item in enumerate(_listed(reader, "sites", raw, 'name = "..." and pairs = 12')):
        read = reader.section("sites", item, number=n)
        read = {key: tuple(v) if isinstance(v, list) else v for key, v in read.items()}
        shared = {key: layout[key] for key in ("pairs", "spare_pairs") if key in layout}
        told = "sites.pairs" in blamed(reader.problems)
        if "pairs" not in {*read, *shared} and isinstance(item, dict) and not told:
            reader.fault(
                line_of(reader.text, "sites", number=n),
                "sites.pairs",
                f"no pairs for the site {read.get('name', n + 1)!r}",
                "the number of pairs to be opened",
                "add pairs = 12 here, or under [layout] for all sites",
            )
        sites.append(SitePlan(**{"name": f"site {n + 1}", "pairs": 0, **shared, **read}))
    if not sites:
        reader.fault(
            line_of(reader.text, "", "sites"),
            "sites",
            "no sites",
            "one section [[sites]] for each farm",
            'add [[sites]] with name = "..." and pairs = 12',
        )
    return tuple(sites)


def _factors(reader: SectionReader, raw: Raw) -> tuple[Factor, ...]:
    example = 'column = "film_layers" and levels = ["4", "6"]'
    read = [
        reader.section("factors", item, number=n)
        for n, item in enumerate(_listed(reader, "factors", raw, example))
    ]
    return tuple(
        Factor(item["column"], tuple(item["levels"]))
        for item in read
        if {"column", "levels"} <= item.keys()
    )


def _listed(reader: SectionReader, section: str, raw: Raw, example: str) -> list[Raw]:
    """Return the sections of a list of them; a single section or a value is a fault."""
    if isinstance(raw, list):
        return raw
    reader.fault(
        line_of(reader.text, section) or line_of(reader.text, "", section),
        section,
        f"[{section}]" if isinstance(raw, dict) else f"{section} = {raw!r}",
        f"sections that begin with [[{section}]], in double brackets",
        f"write [[{section}]] and below it {example}",
    )
    return [raw] if isinstance(raw, dict) else []


def _assumptions(reader: SectionReader, raw: Raw) -> dict[str, Assumption]:
    example = assumption_section("butyric_acid")
    if not isinstance(raw, dict):
        reader.fault(
            line_of(reader.text, "", ASSUMPTIONS),
            ASSUMPTIONS,
            f"{ASSUMPTIONS} = {raw!r}",
            f"a section for each response, as in [{example}]",
            f"write [{example}] on a line of its own and its keys below it",
        )
        return {}
    for name in (name for name in raw if name not in RESPONSES):
        section = assumption_section(name)
        reader.fault(
            line_of(reader.text, section) or line_of(reader.text, ASSUMPTIONS, name),
            section,
            f"{name!r}, which is no response",
            f"one of {', '.join(RESPONSES)}",
            did_you_mean(name, RESPONSES, otherwise="remove it"),
        )
    return {
        name: _assumption(name, reader.section(assumption_section(name), raw[name]))
        for name in raw
        if name in RESPONSES
    }


def _assumption(response: str, read: Mapping[str, Raw]) -> Assumption:
    differs = response in DIFFERENCE_RESPONSES
    effect = read.get("difference" if differs else "ratio", [])
    effects = effect if isinstance(effect, list) else [effect]
    short = "sd" if differs else "cv"
    spread = {part: float(read.get(f"{short}_{part}", 0.0)) for part in SPREADS}
    kept = {f.name: read[f.name] for f in fields(Assumption) if f.name in read}
    return Assumption(
        effect=tuple(float(value) for value in effects), spread=Spread(**spread), **kept
    )


def _settings_problems(settings: Settings, text: str, file: str) -> list[Problem]:
    """Check the sections of a trial as read_trial does, under the plan's name."""
    tables = {table: empty_table(table) for table in TABLES}
    draft = Draft.begin(settings, text, tables, unreadable=frozenset())
    return [replace(problem, file=file) for check in SETTINGS_CHECKS for problem in check(draft)]


def _no_plan(path: Path, file: Path) -> Problem:
    found, remedy = which_folder(path) or (None, "give the path of the plan or of its folder")
    return Problem(
        "error",
        str(file),
        None,
        None,
        "no such file" if found is None else f"{found} at {path}",
        f"a plan, {PLAN_FILE}",
        remedy,
    )
