"""The keys of laboratories.toml: the one place that says what the file may hold."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from silagetrial.data.laboratory.mapping import MEANINGS, QUANTITIES
from silagetrial.data.settings_keys import Key

__all__ = [
    "FREE_KEYS",
    "LABORATORIES_FILE",
    "LABORATORY_SECTIONS",
    "MARKS",
    "REPORTS_FOLDER",
    "RESULT",
]

LABORATORIES_FILE: Final = "laboratories.toml"
REPORTS_FOLDER: Final = "laboratory_reports"
MARKS: Final = "laboratory.marks"
RESULT: Final = "laboratory.result"

FREE_KEYS: Final[Mapping[str, str]] = {
    MARKS: 'what each mark of the laboratory means, as in "n.d." = "below detection"; "0" is for '
    "every zero, 0.00 included, blank for an empty cell; one of "
    + ", ".join(MEANINGS)
    + " (zero: a measured zero); n.n., trace, <LOD, <LOQ and n.b. are known, others have to be "
    "declared where they occur",
}
"""Sections whose keys are the laboratory's own, and what they are for."""

LABORATORY_SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    "": {},
    "laboratory": {
        "name": Key("text", required=True, description="name of the laboratory, as in samples"),
        "shape": Key(
            "text",
            required=True,
            choices=("sample rows", "analyte rows", "result rows"),
            description="one sample a row; analytes down the rows and samples across; or one line "
            "for each result",
        ),
        "sample": Key(
            "text",
            description="heading above the sample codes; not used with analyte rows, whose "
            "headings are the codes",
        ),
        "analyte": Key("text", description="heading above the names of the analytes"),
        "value": Key("text", description="heading above the values, with result rows"),
        "unit": Key("text", description="heading above the units, where the report prints them"),
        "unit_line": Key(
            "truth", description="the line below the heading holds the units (sample rows)"
        ),
        "heading_line": Key("whole", description="line on which the heading stands; default 1"),
        "decimal": Key(
            "text", required=True, choices=(".", ","), description="decimal mark of the reports"
        ),
        "separator": Key(
            "text",
            choices=(",", ";", "tab"),
            description="between the cells of a CSV file; default the comma",
        ),
        "encoding": Key(
            "text",
            choices=("utf-8", "windows-1252"),
            description="of a CSV file; default utf-8",
        ),
        "sheet": Key("text", description="sheet of a workbook; default the first"),
        "method": Key("text", description="method of analysis of the acids"),
        "dm_basis": Key(
            "text",
            choices=("oven", "corrected"),
            description="dry matter as the oven gives it, or with the volatiles added",
        ),
        "total_n": Key(
            "text",
            choices=("fresh", "dried", "not known"),
            description="total N from the fresh or from a dried sample, which loses ammonia",
        ),
        "less_than": Key(
            "text",
            choices=("detection", "quantification"),
            description="the limit that the laboratory prints behind <",
        ),
        "not_read": Key(
            "texts", description="headings, analytes and rows that are left out on purpose"
        ),
    },
    RESULT: {
        "heading": Key("text", required=True, description="as the laboratory writes it"),
        "is": Key(
            "text",
            required=True,
            choices=tuple(QUANTITIES),
            description="what stands there; butyric_acids: n- and iso-butyric acid together; "
            "ammonia: as NH3 and not as N; crude_protein: 6.25 N; total_acids: only for acids in "
            "% of them",
        ),
        "unit": Key(
            "text",
            description="unit of the values with its basis, as in g/kg DM or % fresh; needed for "
            "all but pH",
        ),
        "printed_unit": Key(
            "text", description="the unit as the report prints it, where that is in other words"
        ),
        "detection_limit": Key("number", description="limit for results marked below detection"),
        "quantification_limit": Key(
            "number", description="limit for results marked below quantification"
        ),
        "limit_unit": Key(
            "text",
            description="unit of the limits; default that of the values; on fresh matter each "
            "sample has a limit of its own",
        ),
        "method": Key("text", description="method of this result"),
    },
    "report": {
        "file": Key("text", required=True, description=f"name of a file in {REPORTS_FOLDER}"),
        "laboratory": Key("text", required=True, description="name of the laboratory"),
        "number": Key("text", required=True, description="number of the report"),
        "batch": Key("text", description="batch of its samples in the laboratory"),
        "issued_on": Key("date", description="day of the report"),
        "analysis": Key(
            "text",
            choices=("first", "repeat", "replicates"),
            description="repeat: the same samples analysed once more; replicates: a sample stands "
            "on a line for each analysis; default first",
        ),
        "supersedes": Key("text", description="number of the report that this one corrects"),
        "typed": Key(
            "texts",
            description="of a PDF: the two files into which it was typed, one independently of the "
            "other",
        ),
    },
}
"""Section to its keys."""
