"""Columns of what goes to the laboratory: samples, the parts of composites, the blind key."""

from __future__ import annotations

from typing import Final

from silagetrial.data.column import Column, column

__all__ = ["ANALYTES", "BLIND_KEY", "COUNTS", "KINDS", "SAMPLES", "SAMPLE_PARTS"]


def _analyte(name: str, description: str) -> Column:
    return column(name, "measured", description, unit="[units]")


_RESULTS: Final = (
    _analyte("lactic_acid", "lactic acid"),
    _analyte("acetic_acid", "acetic acid"),
    _analyte("propionic_acid", "propionic acid"),
    _analyte("butyric_acid", "n-butyric acid"),
    _analyte("iso_butyric_acid", "iso-butyric acid"),
    _analyte("valeric_acid", "valeric acids"),
    _analyte("caproic_acid", "caproic acids"),
    _analyte("ethanol", "ethanol"),
    _analyte("propanediol", "1,2-propanediol"),
    _analyte("ammonia_n", "ammonia nitrogen"),
    _analyte("total_n", "total nitrogen"),
    _analyte("wsc", "water-soluble carbohydrates"),
    _analyte("ash", "crude ash"),
)

_COUNTED: Final = (
    _analyte("lactic_acid_bacteria", "count of lactic acid bacteria"),
    _analyte("clostridia", "count of clostridia spores"),
    _analyte("yeasts", "count of yeasts"),
    _analyte("moulds", "count of moulds"),
)

KINDS: Final = ("day0", "core", "opening")

SAMPLES: Final = (
    column("sample", "id", "name of the laboratory result", required=True),
    column(
        "of",
        "id",
        "bale, pair or lot the sample was taken from; blank where blind_key holds it, or "
        "sample_parts the bales of a composite",
        once_done=True,
    ),
    column("taken_on", "datetime", "when the sample was taken", once_done=True),
    column(
        "kind",
        "choice",
        "day0: crop at baling; core: drilled from a bale that stays in "
        "store; opening: from an opened bale; blank where blind_key holds it",
        choices=KINDS,
        once_done=True,
    ),
    column(
        "binding_seen",
        "text",
        "binding seen on the bale when it was opened or cored, noted without looking it up",
    ),
    column("zone", "text", "part of the bale"),
    column("n_cores", "count", "cores in the sample"),
    column("depth", "number", "depth of the cores", unit="cm"),
    column("fresh_kg", "number", "fresh forage the sample took out of the bale", unit="kg"),
    column("laboratory", "text", "laboratory"),
    column("batch", "text", "batch in the laboratory"),
    column("report", "text", "number of the laboratory report"),
    column("method", "text", "method of analysis of the acids"),
    column("supersedes", "id", "sample result that this one replaces"),
    column("dm", "number", "dry matter", unit="[units]"),
    column(
        "dm_basis",
        "choice",
        "oven: as the oven gives it; corrected: the laboratory has added the volatiles",
        choices=("oven", "corrected"),
    ),
    column("pH", "number", "pH"),
    *_RESULTS,
    *_COUNTED,
    column("note", "text", "remark"),
)

SAMPLE_PARTS: Final = (
    column("sample", "id", "name of a composite sample, as in samples", required=True),
    column("bale", "id", "bale that a part of it is from; a line for each", required=True),
    column("n_cores", "count", "cores of this bale in the composite"),
)

BLIND_KEY: Final = (
    column("sample", "id", "name of the sample, as the laboratory knows it", required=True),
    column("of", "id", "bale, pair or lot it was taken from; blank for the reference sample"),
    column("kind", "choice", "as in samples", choices=KINDS),
    column("opening", "text", "opening it is planned for, named as in trial.toml"),
    column("batch", "text", "batch in the laboratory"),
    column(
        "role",
        "choice",
        "sample; duplicate: another part of a sample, sent under a name of its own; reference: the "
        "same frozen material in each batch",
        required=True,
        choices=("sample", "duplicate", "reference"),
    ),
    column(
        "of_sample",
        "id",
        "for a duplicate: the sample it is a part of; blank where that is the only one of the "
        "same bale, kind and opening",
    ),
)

ANALYTES: Final = tuple(column.name for column in _RESULTS)
"""Laboratory results that may be below a limit and that carry a declared unit."""

COUNTS: Final = tuple(column.name for column in _COUNTED)
"""Counts of microbes: recorded, never a response of an analysis."""
