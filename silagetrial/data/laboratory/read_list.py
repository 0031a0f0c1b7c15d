"""The reports that laboratories.toml lists, and whether they fit together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from silagetrial.data.laboratory.mapping import Laboratory, Report
from silagetrial.data.laboratory.sections import Sections
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.settings_keys import Raw

__all__ = ["listed_reports"]


def listed_reports(
    reader: Sections, raw: Mapping[str, Raw], laboratories: Mapping[str, Laboratory]
) -> tuple[Report, ...]:
    """Return the reports that can be read.

    Parameters
    ----------
    reader : Sections
        Collects the problems.
    raw : mapping
        The whole file.
    laboratories : mapping of str to Laboratory
    """
    found = [
        _report(reader, item, number, laboratories)
        for number, item in enumerate(reader.sections("report", raw))
    ]
    reports = tuple(report for report in found if report is not None)
    _check_names(reader, reports)
    _check_corrections(reader, reports)
    return reports


def _report(
    reader: Sections, raw: Raw, number: int, laboratories: Mapping[str, Laboratory]
) -> Report | None:
    keys = reader.keys.section("report", raw, number=number)
    if not {"file", "laboratory", "number"} <= keys.keys():
        return None
    name = keys["laboratory"]
    if name not in laboratories:
        if name not in reader.refused:
            reader.fault(
                "report",
                "laboratory",
                number,
                f"the laboratory {name!r}",
                "the name of a section [[laboratory]]",
                did_you_mean(name, laboratories, otherwise="add the section"),
            )
        return None
    typed = tuple(keys.get("typed", ()))
    if not _typed_as_it_should_be(reader, keys["file"], typed, number):
        return None
    own = {
        key: keys[key] for key in ("batch", "issued_on", "analysis", "supersedes") if key in keys
    }
    return Report(number, keys["file"], laboratories[name], keys["number"], typed=typed, **own)


def _typed_as_it_should_be(
    reader: Sections, file: str, typed: tuple[str, ...], number: int
) -> bool:
    """Note a PDF that was not typed twice, and typed files of what is read itself."""
    pdf = file.lower().endswith(".pdf")
    if pdf and (len(typed) != 2 or len(set(typed)) != 2):
        reader.fault(
            "report",
            "file",
            number,
            "a PDF, which is not read",
            "typed = [the two files into which it was typed]",
            "write two entry sheets with silagetrial entry, type the report into one "
            "after the other, best by two people, and name both files",
        )
        return False
    if typed and not pdf:
        reader.fault(
            "report",
            "typed",
            number,
            f"typed files for {file!r}",
            "typed files for a PDF only",
            "remove the line: the file itself is read",
        )
        return False
    return True


def _check_names(reader: Sections, reports: Sequence[Report]) -> None:
    """Note reports of one number or file."""
    names: dict[str, Report] = {}
    files: set[str] = set()
    for report in reports:
        if report.name in names:
            reader.fault(
                "report",
                "number",
                report.number,
                f"the report {report.name!r} twice",
                "each report once",
                "a corrected report has a number of its own and names the other one "
                "under supersedes",
            )
        names.setdefault(report.name, report)
        for file in (report.file, *report.typed):
            if file in files:
                reader.fault(
                    "report",
                    "file",
                    report.number,
                    f"the file {file!r} twice",
                    "a file for each report",
                    "remove one of the two sections",
                )
            files.add(file)


def _check_corrections(reader: Sections, reports: Sequence[Report]) -> None:
    """Note reports that correct none, or themselves."""
    names = {report.name: report for report in reversed(reports)}
    for report in reports:
        old = report.supersedes
        if old is not None and _circular(report, names):
            reader.fault(
                "report",
                "supersedes",
                report.number,
                f"report {report.name!r}, which corrects itself in the end",
                "the number of an earlier report",
                "correct the number",
            )
        elif old is not None and (
            old not in names or names[old].laboratory is not report.laboratory
        ):
            reader.fault(
                "report",
                "supersedes",
                report.number,
                f"{old!r}, which is no report of {report.laboratory.name}",
                "the number of an earlier report of the same laboratory",
                did_you_mean(old, names, otherwise="add the earlier report"),
            )


def _circular(report: Report, names: Mapping[str, Report]) -> bool:
    seen = {report.name}
    old = report.supersedes
    while old is not None and old in names:
        if old in seen:
            return True
        seen.add(old)
        old = names[old].supersedes
    return False
