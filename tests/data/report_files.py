"""A small trial whose silage results stand in laboratory reports, written for each test anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pandas as pd
from builders import make_trial, read_cells, write_cells

from silagetrial.data import Trial, read_trial

SAMPLES = ("A01-film-60", "A01-net-60", "A02-film-60", "A02-net-60")
SAMPLE = "A01-net-60"
RESULTS = ("dm", "dm_basis", "pH", "lactic_acid", "acetic_acid", "butyric_acid", "ammonia_n")
FROM_REPORT = (*RESULTS, "laboratory", "batch")


def trial_without_results(folder: Path) -> Path:
    """Return a trial of two pairs, opened once, whose silage samples wait for their results."""
    make_trial(folder, pairs=2, sites=1, openings=(60, 240))
    rows = [row for row in read_cells(folder / "samples.csv") if row["of"][:3] in ("A01", "A02")]
    for row in rows:
        if row["kind"] != "day0":
            row.update(dict.fromkeys(FROM_REPORT, ""))
    write_cells(folder / "samples.csv", rows)
    for table, column in (("bales", "bale"), ("weighings", "bales")):
        kept = [r for r in read_cells(folder / f"{table}.csv") if r[column][:3] in ("A01", "A02")]
        write_cells(folder / f"{table}.csv", kept)
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    first, second = text.index('[[openings]]\nname = "240'), text.index("[units]")
    text = text[:first] + text[second:].replace('opening = "240 days"', 'opening = "60 days"')
    text = text.replace('form = "full"', 'form = "none"')
    path.write_text(text, encoding="utf-8")
    return folder


@dataclass(frozen=True)
class Heading:
    """A section [[laboratory.result]]."""

    heading: str
    quantity: str
    unit: str = ""
    more: Mapping[str, object] = field(default_factory=dict)

    def toml(self) -> str:
        keys = {"heading": self.heading, "is": self.quantity, "unit": self.unit, **self.more}
        return section("laboratory.result", {k: v for k, v in keys.items() if v != ""})


def written(value: object) -> str:
    """Return a value as TOML."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(written, value)) + "]"
    text = str(value)
    return text if text[:2] == "20" and text.count("-") == 2 else f'"{text}"'


def section(name: str, keys: Mapping[str, object], *, double: bool = True) -> str:
    """Return a section as TOML."""
    head = f"[[{name}]]" if double else f"[{name}]"
    return "\n".join([head, *(f"{key} = {written(value)}" for key, value in keys.items()), "", ""])


def laboratory(
    headings: Sequence[Heading], *, marks: Mapping[str, str] | None = None, **keys: object
) -> str:
    """Return a section [[laboratory]] with those below it; keys in place of the usual ones."""
    usual: dict[str, object] = {
        "name": "North", "shape": "sample rows", "sample": "Probe", "decimal": ".",
        "dm_basis": "oven", "total_n": "fresh",
    }  # fmt: skip
    chosen = {key: value for key, value in {**usual, **keys}.items() if value is not None}
    marked = {f'"{mark}"': meaning for mark, meaning in (marks or {}).items()}
    return (
        section("laboratory", chosen)
        + (section("laboratory.marks", marked, double=False) if marked else "")
        + "".join(item.toml() for item in headings)
    )


def report(file: str = "r.csv", **keys: object) -> str:
    """Return a section [[report]]."""
    usual: dict[str, object] = {"file": file, "laboratory": "North", "number": "R1", "batch": "1"}
    chosen = {key: value for key, value in {**usual, **keys}.items() if value is not None}
    return section("report", chosen)


def put(folder: Path, toml: str, **files: str | bytes) -> Path:
    """Write laboratories.toml and the files of the reports; ``r_csv`` names r.csv."""
    home = folder / "laboratory_reports"
    home.mkdir(exist_ok=True)
    (folder / "laboratories.toml").write_text(toml, encoding="utf-8")
    for name, content in files.items():
        stem, _, kind = name.rpartition("_")
        whole = content.encode("utf-8") if isinstance(content, str) else content
        (home / f"{stem}.{kind}").write_bytes(whole)
    return folder


def one_sample(
    folder: Path, headings: Sequence[Heading], cells: Sequence[str], **keys: Any
) -> tuple[Trial, pd.Series[Any]]:
    """Return a trial with one report of one sample, and the sample's row."""
    separator = keys.get("separator", ";")
    lines = [["Probe", *(item.heading for item in headings)], [SAMPLE, *cells]]
    text = "".join(separator.join(line) + "\n" for line in lines)
    toml = laboratory(headings, **{"separator": separator, **keys}) + report()
    trial = read_trial(put(trial_without_results(folder), toml, r_csv=text))
    samples = trial.samples.set_index("sample")
    return trial, samples.loc[SAMPLE]


def found(trial: Trial, *, severity: str = "error") -> list[str]:
    """Return what the problems of a severity found."""
    return [item.found for item in trial.problem_list if item.severity == severity]
