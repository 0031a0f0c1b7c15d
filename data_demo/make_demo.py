"""Make the three invented demonstration trials: ``python data_demo/make_demo.py``.

Everything is drawn from one seed a trial, so that the command rewrites the folders byte for byte.
The true values stand in `THREE_FARMS`, `CORED_BALES` and `TWO_LABORATORIES`, their meaning in
`invented_bales`: an estimate can be held against them. No farm, place or figure here is a real one.
"""

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from operator import itemgetter
from pathlib import Path

import numpy as np
from invented_bales import (
    SD_DM,
    SD_SCALE,
    Accidents,
    Bale,
    Plan,
    Site,
    Truth,
    Visit,
    core_kg,
    crop_results,
    make_bales,
    make_visits,
    opening_results,
    true_loss,
    true_median,
)
from invented_reports import (
    AMERICAN_FILE,
    GERMAN_FILE,
    american_report,
    german_report,
    laboratories_text,
    without_results,
)

HERE = Path(__file__).parent
BINDING_KG = {"net": 0.25, "film": 0.62, "twine": 0.12}
FILM_KG = 1.15  # six layers of stretch film
TARE_KG = 38.0  # pallet that stays on the scale
PER_DM = (
    *("lactic_acid", "acetic_acid", "propionic_acid", "butyric_acid", "ethanol", "propanediol"),
    *("total_n", "wsc", "ash"),
)
Row = Mapping[str, object]

THREE_FARMS = Plan(
    folder="three_farms",
    title="Net or film in the chamber, three farms",
    question="Does film binding lower butyric acid and DM loss, and does it matter more with time?",
    note="film binding adds its own plastic on the curved side",
    seed=4160,
    recored=False,
    bindings=("net", "film"),
    openings=("1 month", "3 months", "6 months", "9 months"),
    days=(30, 90, 180, 270),
    window=12,
    sites=(
        Site("Thornick", "TH", "Gannet Piece", datetime(2024, 5, 28, 13), 345, 0.25, 0.4, 1.001),
        Site("Ossel", "OS", "Lower Quill", datetime(2024, 5, 30, 14), 385, -0.25, -0.4, 0.998),
        Site("Wendmere", "WE", "Pinder Slade", datetime(2024, 6, 4, 12), 360, 0.0, 0.0, 1.0),
    ),
    pairs=12,
    truth=Truth(
        butyric=3.6,
        slope=0.95,
        log_ratio=-0.48,
        ratio_slope=-0.20,
        loss=5.0,
        loss_difference=-0.8,
        sd_log=(0.35, 0.28, 0.20),
        sd_loss=(0.5, 1.0),
        sd_dm=(15.0, 4.0),
    ),
    accidents=Accidents(
        late={"WE03": 24},
        lost={"OS12-1": (190, "holed", "pecked by birds")},
        missing={("TH12-1", 2): "opened and weighed; sample bag lost on the way"},
    ),
)

CORED_BALES = Plan(
    folder="cored_bales",
    title="Net or twine, the same bales cored four times",
    question="Do bales tied with twine form more butyric acid and lose more DM than with net?",
    note="the same plugs and tape on the core holes of both bindings",
    seed=9053,
    recored=True,
    bindings=("net", "twine"),
    openings=("6 weeks", "3 months", "5 months", "8 months"),
    days=(45, 90, 150, 240),
    window=10,
    sites=(Site("Callowby", "CA", "Tern Acre", datetime(2024, 6, 11, 13), 370, 0.0, 0.0, 1.0),),
    pairs=10,
    truth=Truth(
        butyric=1.9,
        slope=1.25,
        log_ratio=0.50,
        ratio_slope=0.20,
        loss=4.6,
        loss_difference=0.8,
        sd_log=(0.30, 0.25, 0.20),
        sd_loss=(0.5, 0.9),
        sd_dm=(10.0, 4.0),
    ),
    accidents=Accidents(
        late={},
        lost={"CA07-1": (190, "holed", "gnawed by rats")},
        missing={("CA04-2", 1): "cored and weighed; sample thawed, not analysed"},
    ),
)

TWO_LABORATORIES = Plan(
    folder="two_laboratories",
    title="Net or film in the chamber, two farms and two laboratories",
    question="Does film binding lower butyric acid and DM loss?",
    note="film binding adds its own plastic on the curved side",
    seed=2718,
    recored=False,
    bindings=("net", "film"),
    openings=("6 weeks", "5 months"),
    days=(42, 150),
    window=10,
    sites=(
        Site("Aschrode", "AS", "Krumme Breite", datetime(2024, 5, 27, 13), 355, 0.1, 0.2, 1.0),
        Site("Tamarack", "TA", "Section 9", datetime(2024, 5, 29, 14), 375, -0.1, -0.2, 1.0),
    ),
    pairs=8,
    truth=Truth(
        butyric=2.6,
        slope=1.5,
        log_ratio=-0.45,
        ratio_slope=-0.20,
        loss=4.6,
        loss_difference=-0.8,
        sd_log=(0.35, 0.28, 0.20),
        sd_loss=(0.5, 1.0),
        sd_dm=(12.0, 4.0),
    ),
    accidents=Accidents(late={}, lost={}, missing={}),
)


def bale_rows(plan: Plan, bales: Sequence[Bale], rng: np.random.Generator) -> list[Row]:
    """Lines of bales.csv."""
    return [
        {
            "bale": b.name,
            "pair": b.pair,
            "lot": f"{b.site.code}-cut1",
            "site": b.site.name,
            "field": b.site.field,
            "cut": 1,
            "crop": "grass",
            "order": b.order,
            "binding": b.binding,
            "baled_at": stamp(b.baled),
            "film_wrapped_at": stamp(b.wrapped),
            "baler": f"baler {b.site.code}",
            "film_layers": 6,
            "binding_kg": f"{BINDING_KG[b.binding]:.2f}",
            "film_kg": f"{FILM_KG:.2f}",
            "diameter": f"{rng.normal(1.30, 0.015):.2f}",
            "width": f"{rng.normal(1.22, 0.01):.2f}",
            "store": f"{b.site.name} yard row {1 + (b.order - 1) // 8}",
            "tier": 1,
            "planned_opening": "" if b.opening is None else plan.openings[b.opening],
        }
        for b in bales
    ]


def sample_rows(
    plan: Plan, bales: Sequence[Bale], visits: Sequence[Visit], rng: np.random.Generator
) -> list[Row]:
    """Lines of samples.csv: a crop sample a pair, then blind numbers that tell no binding."""
    common = {"laboratory": "Quellmoor laboratory", "method": "gas chromatography"}
    rows: list[Row] = []
    for first, second in zip(bales[::2], bales[1::2], strict=True):
        crop = {"sample": f"C-{first.pair}", "of": first.pair, "taken_on": stamp(second.baled)}
        crop |= {"kind": "day0", "zone": "both bales", "n_cores": "8", "depth": "46"}
        crop |= {"laboratory": common["laboratory"], "batch": "crop"}
        rows.append(crop | crop_results((first, second), rng))
    sampled = [v for v in visits if (v.bale.name, v.opening) not in plan.accidents.missing]
    sampled.sort(key=lambda v: v.at)
    for number, visit in zip(rng.permutation(len(sampled)), sampled, strict=True):
        silage = {"sample": f"S{number + 101}", "of": visit.bale.name, "taken_on": stamp(visit.at)}
        silage |= {"kind": "core" if plan.recored else "opening", "zone": "full depth"}
        silage |= {"n_cores": "4" if plan.recored else "12", "depth": "46"}
        silage |= common | {"batch": f"silage {visit.bale.batch + 1}"}
        if plan.recored:
            silage["fresh_kg"] = f"{core_kg(plan):.1f}"
        rows.append(silage | opening_results(visit, rng))
    return rows


def weighing_rows(
    plan: Plan, bales: Sequence[Bale], visits: Sequence[Visit], rng: np.random.Generator
) -> list[Row]:
    """Lines of weighings.csv; re-cored bales are first weighed before they get their film."""
    first = [
        (b, b.baled + timedelta(minutes=20), b.mass, "")
        if plan.recored
        else (b, b.wrapped + timedelta(minutes=5), b.mass, "film_on")
        for b in bales
    ]
    later = [(v.bale, v.at - timedelta(minutes=5), v.mass, "film_on") for v in visits]
    rows: list[Row] = []
    for bale, at, mass, flags in sorted(first + later, key=lambda w: w[1]):
        wrapping = BINDING_KG[bale.binding] + (FILM_KG if flags else 0.0)
        reading = bale.site.scale_gain * (mass + wrapping + TARE_KG) + rng.normal(0, SD_SCALE)
        rows.append(
            {
                "weighing": f"W{len(rows) + 101}",
                "bales": bale.name,
                "weighed_at": stamp(at),
                "scale": f"platform-{bale.site.code}",
                "gross": f"{round(2 * reading) / 2:.1f}",
                "tare": f"{TARE_KG:.1f}",
                "flags": flags,
            }
        )
    return rows


def scale_rows(plan: Plan) -> list[Row]:
    """Lines of scales.csv: each platform shown a known mass."""
    return [
        {
            "scale": f"platform-{site.code}",
            "kind": "platform",
            "step": 0.5,
            "check_mass": "500.0",
            "check_reading": f"{round(2 * 500 * site.scale_gain) / 2:.1f}",
        }
        for site in plan.sites
    ]


def event_rows(plan: Plan, bales: Sequence[Bale], visits: Sequence[Visit]) -> list[Row]:
    """Lines of events.csv, in order of time."""
    events: list[dict[str, str]] = []
    for v in visits:
        here = {"bale": v.bale.name, "at": stamp(v.at)}
        if plan.recored:
            events.append(here | {"what": "cored", "note": "4 cores; holes plugged and taped"})
        if late := plan.accidents.late.get(v.bale.pair):
            note = f"opened {late} days late: track under water"
            events.append(here | {"what": "inspected", "note": note})
        if note := plan.accidents.missing.get((v.bale.name, v.opening), ""):
            events.append(here | {"what": "inspected", "note": note})
    for b in bales:
        if b.name in plan.accidents.lost:
            day, first, cause = plan.accidents.lost[b.name]
            seen = b.wrapped + timedelta(day)
            lost = {"bale": b.name, "cause": cause}
            events.append(lost | {"at": stamp(seen - timedelta(20)), "what": first})
            events.append(lost | {"at": stamp(seen), "what": "lost", "note": "mouldy, thrown away"})
    return sorted(events, key=itemgetter("at"))


def settings_text(plan: Plan) -> str:
    """Text of trial.toml."""
    reference, second = plan.bindings
    openings = "".join(
        f'[[openings]]\nname = "{name}"\ndays = {days}\n'
        f"window = [{days - plan.window}, {days + plan.window}]\n\n"
        for name, days in zip(plan.openings, plan.days, strict=True)
    )
    return f"""\
# Invented for demonstration by make_demo.py: no farm, place or figure is a real one.
title = "{plan.title}"
question = "{plan.question}"
invented = true

[bindings]
compare = ["{reference}", "{second}"]
reference = "{reference}"

[design]
bales = "{"recored" if plan.recored else "separate"}"

[held_equal]
film_layers = 6
note = "{plan.note}"

{openings}[units]
dm = "g/kg"
{"".join(f'{name} = "g/kg DM"' + chr(10) for name in PER_DM)}ammonia_n = "% of total N"

[dm_correction]
form = "full"
crop = "grass"

[measurement_sd]
mass = {SD_SCALE}  # kg, one weighing
dm = {SD_DM}  # g/kg, one DM result

[analysis]
primary = "butyric_acid"
opening = "{plan.openings[-1]}"
contrast = ["{second}", "{reference}"]
factors = []
blocks = []
important = {{ butyric_acid = 1.5, dm_loss = 1.0 }}
families = "reference"
alpha = 0.05
seed = {plan.seed}
"""


def stamp(at: datetime) -> str:
    """Date and time to the minute."""
    return at.strftime("%Y-%m-%d %H:%M")


def csv_text(rows: Sequence[Row]) -> str:
    """Lines as a CSV file, columns in the order in which they first turn up."""
    columns = list(dict.fromkeys(name for row in rows for name in row))
    out = io.StringIO()
    writer = csv.DictWriter(out, columns, restval="", lineterminator="\n")
    writer.writeheader()
    writer.writerows(rows)
    return out.getvalue()


def trial_files(plan: Plan) -> dict[str, str]:
    """Return the trial's files as text, by name."""
    rng = np.random.Generator(np.random.PCG64(plan.seed))
    bales = make_bales(plan, rng)
    visits = make_visits(plan, rng, bales)
    tables = {
        "bales": bale_rows(plan, bales, rng),
        "samples": sample_rows(plan, bales, visits, rng),
        "weighings": weighing_rows(plan, bales, visits, rng),
        "scales": scale_rows(plan),
        "events": event_rows(plan, bales, visits),
    }
    files = {f"{name}.csv": csv_text(rows) for name, rows in tables.items()}
    return {"trial.toml": settings_text(plan)} | files


def reported_files(plan: Plan) -> dict[str, str]:
    """Return the trial's files, the results of each farm in the report of a laboratory."""
    rng = np.random.Generator(np.random.PCG64(plan.seed))
    bales = make_bales(plan, rng)
    files = trial_files(plan)
    del files["events.csv"]
    rows = list(csv.DictReader(io.StringIO(files["samples.csv"])))
    farm = {name: bale.site for bale in bales for name in (bale.name, bale.pair)}
    first, second = ([row for row in rows if farm[row["of"]] is site] for site in plan.sites)
    settings = files["trial.toml"]
    head, tail = settings.index("[units]"), settings.index("[dm_correction]")
    return files | {
        "trial.toml": settings[:head] + settings[tail:],
        "samples.csv": csv_text(without_results(rows)),
        "laboratories.toml": laboratories_text(),
        f"laboratory_reports/{GERMAN_FILE}": german_report(first),
        f"laboratory_reports/{AMERICAN_FILE}": american_report(second),
    }


def truth_table(plan: Plan) -> str:
    """Return the true values at the planned days as a Markdown table."""
    reference, second = plan.bindings
    lines = [
        f"| days | butyric acid, {reference} | {second} | ratio "
        f"| DM loss, {reference} | {second} | difference |",
        "|---|---|---|---|---|---|---|",
    ]
    for days in plan.days:
        a, b = (true_median(plan, second=s, days=days) for s in (False, True))
        u, v = (true_loss(plan, second=s, days=days) for s in (False, True))
        lines.append(
            f"| {days} | {a:.2f} | {b:.2f} | {b / a:.2f} | {u:.2f} | {v:.2f} | {v - u:.2f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Write the folders."""
    for plan in (THREE_FARMS, CORED_BALES, TWO_LABORATORIES):
        made = reported_files(plan) if plan is TWO_LABORATORIES else trial_files(plan)
        for name, text in made.items():
            path = HERE / plan.folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
