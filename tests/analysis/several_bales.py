"""Folders whose values are of several bales: composites, and bales weighed together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

from builders import Cells, make_trial, read_cells, write_cells

from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.data.read import read_trial
from silagetrial.data.trial import Trial

__all__ = [
    "composites", "in_threes", "read", "reasons", "records", "sets_of", "together",
    "trial_of_many",
]  # fmt: skip

Row = Mapping[str, str]


def read(folder: Path) -> Trial:
    """Read a folder that holds no errors."""
    trial = read_trial(folder)
    assert trial.errors == ()
    return trial


def records(folder: Path, *, loss: bool = False) -> Records:
    """Butyric acid of a folder, or its DM loss."""
    return records_of(read(folder), DM_LOSS if loss else BUTYRIC_ACID)


def reasons(found: Records) -> dict[str, str]:
    """Bales or sets of bales that are left out, to why."""
    frame = found.left_out.frame
    return dict(zip(frame["bale"], frame["reason"], strict=True))


def sets_of(folder: Path, size: int) -> list[list[Row]]:
    """Return sets of bales of one farm, opening and binding, in the order of their pairs."""
    groups: dict[tuple[str, ...], list[Row]] = {}
    for bale in sorted(read_cells(folder / "bales.csv"), key=lambda row: row["bale"]):
        key = (bale["site"], bale["planned_opening"], bale["binding"])
        groups.setdefault(key, []).append(bale)
    return [
        mine[k : k + size] for mine in groups.values() for k in range(0, len(mine) - size + 1, size)
    ]


def composites(folder: Path, size: int, *, of: Callable[[list[Row]], bool] = bool) -> Path:
    """Give the sample of each set's first bale to the whole set, and take the others' away."""
    samples = read_cells(folder / "samples.csv")
    parts: Cells = []
    gone: set[str] = set()
    for bales in filter(of, sets_of(folder, size)):
        for row in samples:
            if row["of"] == bales[0]["bale"] and row["kind"] != "day0":
                row["of"] = ""
                parts += [{"sample": row["sample"], "bale": bale["bale"]} for bale in bales]
        gone |= {bale["bale"] for bale in bales[1:]}
    write_cells(folder / "samples.csv", [row for row in samples if row["of"] not in gone])
    write_cells(folder / "sample_parts.csv", parts)
    return folder


def together(folder: Path, size: int) -> Path:
    """Weigh each set of bales at once: the scale shows the sum of what the bales weighed."""
    weighings = read_cells(folder / "weighings.csv")
    found: Cells = []
    for bales in sets_of(folder, size):
        names = [bale["bale"] for bale in bales]
        mine = [[row for row in weighings if row["bales"] == name] for name in names]
        for rows in zip(*mine, strict=True):
            gross, tare = (f"{sum(float(r[c]) for r in rows):.1f}" for c in ("gross", "tare"))
            all_of = {"bales": " ".join(names), "gross": gross, "tare": tare}
            found.append({**rows[0], "weighing": f"all-{rows[0]['weighing']}", **all_of})
    write_cells(folder / "weighings.csv", found)
    return folder


def in_threes(folder: Path, **options: object) -> Path:
    """One farm with six pairs an opening, in composites of three bales weighed at once."""
    made = make_trial(folder, **{"sites": 1, "pairs": 6, "limit": 0.01, **options})
    return together(composites(made, 3), 3)


def trial_of_many(folder: Path, copies: int, **options: object) -> Path:
    """Write every bale of a trial of single bales several times, as one composite and one group.

    The copies of a bale lie in copies of its pair, are weighed at once and sampled as one, so that
    mass and binding are `copies` times those of one bale, and every content is the same.
    """
    make_trial(folder, **options)
    bales, samples = read_cells(folder / "bales.csv"), read_cells(folder / "samples.csv")
    weighings = read_cells(folder / "weighings.csv")
    day0 = [row for row in samples if row["kind"] == "day0"]
    silage = [row for row in samples if row["kind"] != "day0"]
    write_cells(
        folder / "bales.csv",
        [
            {**row, "bale": f"{row['bale']}-{k}", "pair": f"{row['pair']}-{k}",
             "order": str(copies * int(row["order"]) + k)}
            for row in bales for k in range(copies)
        ],
    )  # fmt: skip
    parts = [
        {"sample": row["sample"], "bale": f"{row['of']}-{k}"}
        for row in silage for k in range(copies)
    ]  # fmt: skip
    crop = [
        {**row, "sample": f"{row['sample']}-{k}", "of": f"{row['of']}-{k}"}
        for row in day0 for k in range(copies)
    ]  # fmt: skip
    write_cells(folder / "samples.csv", [*crop, *({**row, "of": ""} for row in silage)])
    write_cells(folder / "sample_parts.csv", parts)
    write_cells(folder / "weighings.csv", [_many(row, copies) for row in weighings])
    return folder


def _many(row: Row, copies: int) -> dict[str, str]:
    names: Sequence[str] = [f"{row['bales']}-{k}" for k in range(copies)]
    masses = {name: f"{copies * float(row[name]):.1f}" for name in ("gross", "tare")}
    return {**row, "bales": " ".join(names), **masses}
