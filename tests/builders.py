"""A valid trial folder with invented numbers, for every test that needs one.

The numbers follow sizes of the trade (bales of 600 kg, crop of 350 g DM/kg, DM losses of a few per
cent, butyric acid right-skewed) so that a model fitted to them is in its usual range; they are
invented and mean nothing.
"""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

__all__ = ["Cells", "make_trial", "read_cells", "write_cells"]

Cells = list[dict[str, str]]
"""A table as text: one dictionary a row, in the order of the file."""

FARMS = (
    "Alder Farm",
    "Birch Farm",
    "Cedar Farm",
    "Dogwood Farm",
    "Elm Farm",
    "Fir Farm",
    "Gorse Farm",
    "Hazel Farm",
)
BALED = datetime(2025, 5, 26, 10, 0)

UNITS = {
    "dm": "g/kg",
    "lactic_acid": "g/kg DM",
    "acetic_acid": "g/kg DM",
    "butyric_acid": "g/kg DM",
    "ammonia_n": "% of total N",
}


@dataclass(frozen=True)
class _Bale:
    """One bale and the random parts of its numbers."""

    name: str
    pair: str
    site: str
    binding: str
    planned: str
    order: int
    wrapped: datetime
    mass: float
    crop_dm: float
    log_butyric: float
    loss: float


def make_trial(
    folder: Path,
    *,
    design: str = "separate",
    pairs: int = 4,
    sites: int = 2,
    bindings: Sequence[str] = ("net", "film"),
    openings: Sequence[int] = (60, 240),
    seed: int = 1,
    effect: float = -0.5,
    limit: float = 0.3,
    form: str = "full",
) -> Path:
    """Write a valid trial and return its folder.

    Parameters
    ----------
    folder : pathlib.Path
        Written to; made where it is not there.
    design : {"separate", "recored"}
        Separate: `pairs` pairs a site and opening. Recored: `pairs` pairs a site, cored at each
        opening.
    pairs, sites : int
        Pairs a site (and opening), sites.
    bindings : sequence of str
        The first is the reference.
    openings : sequence of int
        Planned days, at least 20 apart.
    seed : int
        Seed of the numbers.
    effect : float
        Log ratio in butyric acid of each further binding to the one before.
    limit : float
        Results of butyric acid below this, in g/kg DM, are written as ``<limit``.
    form : {"none", "full", "short"}
        Dry-matter correction in trial.toml.
    """
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    named = {f"{days} days": days for days in openings}
    bales = _make_bales(
        rng,
        design=design,
        pairs=pairs,
        sites=sites,
        bindings=bindings,
        names=list(named),
        effect=effect,
    )
    (folder / "trial.toml").write_text(
        _settings(design=design, bindings=bindings, named=named, form=form, seed=seed),
        encoding="utf-8",
    )
    write_cells(folder / "bales.csv", [_bale_row(bale) for bale in bales])
    write_cells(folder / "samples.csv", _samples(rng, bales, named, design=design, limit=limit))
    write_cells(folder / "weighings.csv", _weighings(rng, bales, named))
    write_cells(folder / "scales.csv", [{"scale": "platform", "kind": "platform", "step": "0.5"}])
    return folder


def read_cells(path: Path) -> Cells:
    """Read a CSV file as text cells."""
    with path.open(encoding="utf-8", newline="") as file:
        return [dict(row) for row in csv.DictReader(file)]


def write_cells(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Write text cells; the first row's keys are the heading."""
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, fieldnames=list(rows[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def _settings(
    *, design: str, bindings: Sequence[str], named: Mapping[str, int], form: str, seed: int
) -> str:
    quoted = ", ".join(f'"{name}"' for name in bindings)
    lines = [
        'title = "Invented trial"',
        'question = "Does the binding change the silage?"',
        "invented = true",
        "",
        "[bindings]",
        f"compare = [{quoted}]",
        f'reference = "{bindings[0]}"',
        "",
        "[design]",
        f'bales = "{design}"',
        "",
        "[held_equal]",
        "film_layers = 6",
        "",
    ]
    for name, days in named.items():
        lines += [
            "[[openings]]",
            f'name = "{name}"',
            f"days = {days}",
            f"window = [{days - 9}, {days + 9}]",
            "",
        ]
    lines += [
        "[units]",
        *(f'{name} = "{unit}"' for name, unit in UNITS.items()),
        "",
        "[dm_correction]",
        f'form = "{form}"',
        'crop = "grass"',
        "",
        "[measurement_sd]",
        "mass = 1.0",
        "dm = 5.0",
        "",
        "[analysis]",
        'primary = "butyric_acid"',
        f'opening = "{list(named)[-1]}"',
        f'contrast = ["{bindings[1]}", "{bindings[0]}"]',
        f"seed = {20260000 + seed}",
        "",
    ]
    return "\n".join(lines)


def _make_bales(
    rng: np.random.Generator,
    *,
    design: str,
    pairs: int,
    sites: int,
    bindings: Sequence[str],
    names: Sequence[str],
    effect: float,
) -> list[_Bale]:
    bales: list[_Bale] = []
    for site in range(sites):
        baled = BALED + timedelta(days=site)
        site_dm, site_butyric = 350.0 + rng.normal(0, 15), 0.8 + rng.normal(0, 0.3)
        number = 0
        for name in names if design == "separate" else [""]:
            for _ in range(pairs):
                number += 1
                pair = f"{chr(65 + site)}{number:02d}"
                crop, butyric = site_dm + rng.normal(0, 8), site_butyric + rng.normal(0, 0.3)
                for place in rng.permutation(len(bindings)):
                    order = sum(bale.site == FARMS[site] for bale in bales) + 1
                    bales.append(
                        _Bale(
                            name=f"{pair}-{bindings[place]}",
                            pair=pair,
                            site=FARMS[site],
                            binding=bindings[place],
                            planned=name,
                            order=order,
                            wrapped=baled + timedelta(minutes=4 * order + 45),
                            mass=600.0 + rng.normal(0, 16),
                            crop_dm=crop,
                            log_butyric=butyric + effect * int(place) + rng.normal(0, 0.3),
                            loss=0.01 * rng.normal(0, 0.8) - 0.004 * int(place),
                        )
                    )
    return bales


def _bale_row(bale: _Bale) -> dict[str, str]:
    return {
        "bale": bale.name,
        "pair": bale.pair,
        "site": bale.site,
        "field": "1",
        "order": str(bale.order),
        "binding": bale.binding,
        "baled_at": f"{bale.wrapped - timedelta(minutes=45):%Y-%m-%d %H:%M}",
        "film_wrapped_at": f"{bale.wrapped:%Y-%m-%d %H:%M}",
        "film_layers": "6",
        "binding_kg": "0.4",
        "film_kg": "1.1",
        "planned_opening": bale.planned,
    }


def _due(bale: _Bale, named: Mapping[str, int]) -> dict[str, int]:
    return {bale.planned: named[bale.planned]} if bale.planned else dict(named)


def _samples(
    rng: np.random.Generator,
    bales: Sequence[_Bale],
    named: Mapping[str, int],
    *,
    design: str,
    limit: float,
) -> Cells:
    first_of_pair = {bale.pair: bale for bale in reversed(bales)}
    rows = [
        {
            "sample": f"{pair}-day0",
            "of": pair,
            "taken_on": f"{bale.wrapped:%Y-%m-%d}",
            "kind": "day0",
            "laboratory": "North",
            "batch": "0",
            "dm": f"{bale.crop_dm:.0f}",
            "dm_basis": "oven",
            "pH": "6.2",
            "lactic_acid": "",
            "acetic_acid": "",
            "butyric_acid": "",
            "ammonia_n": "",
        }
        for pair, bale in first_of_pair.items()
    ]
    for bale in bales:
        for name, days in _due(bale, named).items():
            growth = np.log1p(days) / np.log1p(240)
            butyric = float(np.exp(bale.log_butyric * growth + rng.normal(0, 0.25)))
            dm = bale.crop_dm * (1 - _loss(bale, days)) - 14 + rng.normal(0, 5)
            rows.append(
                {
                    "sample": f"{bale.name}-{days}",
                    "of": bale.name,
                    "taken_on": f"{bale.wrapped + timedelta(days=days):%Y-%m-%d}",
                    "kind": "opening" if design == "separate" else "core",
                    "laboratory": "North",
                    "batch": name.split()[0],
                    "dm": f"{dm:.0f}",
                    "dm_basis": "oven",
                    "pH": f"{4.5 + 0.1 * rng.normal():.2f}",
                    "lactic_acid": f"{55 + 6 * rng.normal():.1f}",
                    "acetic_acid": f"{14 + 2 * rng.normal():.1f}",
                    "butyric_acid": f"<{limit:g}" if butyric < limit else f"{butyric:.2f}",
                    "ammonia_n": f"{9 + rng.normal():.1f}",
                }
            )
    return rows


def _loss(bale: _Bale, days: int) -> float:
    """Return the share of DM lost after so many days."""
    return float(0.02 + 0.02 * np.log1p(days) / np.log1p(240) + bale.loss)


def _weighings(rng: np.random.Generator, bales: Sequence[_Bale], named: Mapping[str, int]) -> Cells:
    rows: Cells = []
    for bale in bales:
        for days in (0, *_due(bale, named).values()):
            mass = bale.mass * (1.0 - (0.01 if days else 0.0)) + rng.normal(0, 1)
            rows.append(
                {
                    "weighing": f"{bale.name}-w{days}",
                    "bales": bale.name,
                    "weighed_at": f"{bale.wrapped + timedelta(days=days, hours=1):%Y-%m-%d %H:%M}",
                    "scale": "platform",
                    "gross": f"{round(2 * (mass + 75)) / 2:.1f}",
                    "tare": "75",
                    "flags": "film_on",
                }
            )
    return rows
