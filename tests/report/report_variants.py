"""Trial folders made from the demonstration trials: fewer pairs, other names, nothing above limits.

Everything is text in and text out, as a user would edit the files.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pandas as pd

DEMOS = Path(__file__).parents[2] / "data_demo"

HOSTILE = "<script>alert(1)</script> {{7*7}} {% raw %} [x](javascript:alert(1)) $x^2$ <img src=x>"


def copy_demo(name: str, folder: Path) -> Path:
    """Copy a demonstration trial."""
    return Path(shutil.copytree(DEMOS / name, folder / name))


def table(folder: Path, name: str) -> pd.DataFrame:
    """Read a table as it stands, every cell as text."""
    return pd.read_csv(folder / f"{name}.csv", dtype=str, keep_default_na=False)


def put(folder: Path, name: str, frame: pd.DataFrame) -> None:
    """Write a table back."""
    frame.to_csv(folder / f"{name}.csv", index=False, lineterminator="\n")


def settings(folder: Path, *changes: tuple[str, str]) -> None:
    """Replace text in trial.toml; each must be there."""
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    path.write_text(text, encoding="utf-8", newline="\n")


def only_bales(folder: Path, keep: Callable[[pd.DataFrame], pd.Series]) -> None:
    """Keep some bales and what belongs to them."""
    bales = table(folder, "bales")
    bales = bales[keep(bales)]
    put(folder, "bales", bales)
    samples = table(folder, "samples")
    names = {*bales["bale"], *bales["pair"], *bales["lot"]}
    put(folder, "samples", samples[samples["of"].isin(names)])
    weighings = table(folder, "weighings")
    put(folder, "weighings", weighings[weighings["bales"].isin(set(bales["bale"]))])
    events = table(folder, "events")
    put(folder, "events", events[events["bale"].isin(set(bales["bale"]))])


def one_pair(folder: Path) -> Path:
    """One re-cored pair: however often cored, no replicate of the binding."""
    trial = copy_demo("cored_bales", folder)
    only_bales(trial, lambda bales: bales["pair"] == bales["pair"].min())
    return trial


def three_bindings(folder: Path) -> Path:
    """Sets of three: a third bale in each pair, with the film bale's numbers changed."""
    trial = copy_demo("three_farms", folder)
    bales = table(trial, "bales")
    third = bales[bales["binding"] == "film"].copy()
    old = list(third["bale"])
    third["bale"] = [name.rsplit("-", 1)[0] + "-3" for name in old]
    third["binding"] = "twine"
    third["order"] = [str(1000 + k) for k in range(len(third))]
    new = dict(zip(old, third["bale"], strict=True))
    put(trial, "bales", pd.concat([bales, third], ignore_index=True))
    samples = table(trial, "samples")
    more = samples[samples["of"].isin(new)].copy()
    more["of"] = more["of"].map(new)
    more["sample"] = more["sample"] + "-third"
    more["butyric_acid"] = [
        text if text.startswith("<") or not text else f"{float(text) * 1.3 + 0.07 * (k % 5):.2f}"
        for k, text in enumerate(more["butyric_acid"])
    ]
    more["dm"] = [f"{float(text) - 3 + k % 7:.1f}" for k, text in enumerate(more["dm"])]
    put(trial, "samples", pd.concat([samples, more], ignore_index=True))
    weighings = table(trial, "weighings")
    more = weighings[weighings["bales"].isin(new)].copy()
    more["bales"] = more["bales"].map(new)
    more["weighing"] = more["weighing"] + "-third"
    put(trial, "weighings", pd.concat([weighings, more], ignore_index=True))
    settings(trial, ('compare = ["net", "film"]', 'compare = ["net", "film", "twine"]'))
    return trial


def one_opening(folder: Path) -> Path:
    """Only the last opening was made."""
    trial = copy_demo("three_farms", folder)
    only_bales(trial, lambda bales: bales["planned_opening"] == "9 months")
    text = (trial / "trial.toml").read_text(encoding="utf-8")
    start, end = text.index("[[openings]]"), text.index("[units]")
    last = text.rindex("[[openings]]", start, end)
    (trial / "trial.toml").write_text(text[:start] + text[last:], encoding="utf-8", newline="\n")
    return trial


def none_named(folder: Path) -> Path:
    """Two openings, and no comparison or opening named first in the settings."""
    trial = copy_demo("three_farms", folder)
    only_bales(trial, lambda bales: bales["planned_opening"].isin(["6 months", "9 months"]))
    settings(trial, ('opening = "9 months"\ncontrast = ["film", "net"]\n', ""))
    return trial


def all_below(folder: Path) -> Path:
    """Every butyric acid below the limit."""
    trial = copy_demo("cored_bales", folder)
    samples = table(trial, "samples")
    filled = samples["butyric_acid"] != ""
    samples.loc[filled, "butyric_acid"] = "<0.3"
    put(trial, "samples", samples)
    return trial


def no_day0(folder: Path) -> Path:
    """No sample of the crop at baling: there is no DM loss."""
    trial = copy_demo("three_farms", folder)
    samples = table(trial, "samples")
    put(trial, "samples", samples[samples["kind"] != "day0"])
    return trial


def heading_only(folder: Path, name: str) -> None:
    """Keep nothing of a table but its heading."""
    put(folder, name, table(folder, name).iloc[:0])


def no_weighings(folder: Path) -> Path:
    """No bale was ever weighed: there is no DM loss."""
    trial = copy_demo("three_farms", folder)
    heading_only(trial, "weighings")
    return trial


def no_samples(folder: Path) -> Path:
    """The laboratory has sent nothing yet."""
    trial = copy_demo("cored_bales", folder)
    heading_only(trial, "samples")
    return trial


def no_acids(folder: Path) -> Path:
    """The laboratory determined DM alone, and no correction is asked for."""
    trial = copy_demo("three_farms", folder)
    samples = table(trial, "samples")
    kept = ["sample", "of", "taken_on", "kind", "laboratory", "batch", "dm", "dm_basis"]
    put(trial, "samples", samples[kept])
    settings(trial, ('form = "full"', 'form = "none"'))
    return trial


def no_common_opening(folder: Path) -> Path:
    """Film and net at the early openings, twine and net at the late ones: no opening has all."""
    trial = three_bindings(folder)
    early = {"film": True, "twine": False}
    only_bales(
        trial,
        lambda bales: pd.Series(
            [
                name == "net" or early[name] == (opening in ("1 month", "3 months"))
                for name, opening in zip(bales["binding"], bales["planned_opening"], strict=True)
            ],
            index=bales.index,
        ),
    )
    return trial


def batches_within_openings(folder: Path) -> Path:
    """Two laboratory batches early and two late: differences are known, means are not."""
    trial = copy_demo("three_farms", folder)
    samples = table(trial, "samples")
    opening = samples["of"].map(table(trial, "bales").set_index("bale")["planned_opening"])
    when = opening.isin(["1 month", "3 months"]).map({True: "early", False: "late"})
    which = pd.Series([str(k % 3 % 2) for k in range(len(samples))], index=samples.index)
    samples["batch"] = (when + " " + which).where(samples["kind"] != "day0", "")
    put(trial, "samples", samples)
    return trial


def four_pairs(folder: Path) -> Path:
    """Four re-cored pairs: three degrees of freedom."""
    trial = copy_demo("cored_bales", folder)
    kept = sorted(set(table(trial, "bales")["pair"]))[:4]
    only_bales(trial, lambda bales: bales["pair"].isin(kept))
    return trial


def hostile(folder: Path) -> Path:
    """Titles, names and notes that would be markup, template code, formulas or links."""
    trial = copy_demo("cored_bales", folder)
    name = "<b>$x^2$ {{7*7}}"
    settings(
        trial,
        ('title = "Net or twine, the same bales cored four times"', f"title = '''{HOSTILE}'''"),
        ("Do bales tied with twine form more", f"{HOSTILE} Do bales tied with twine form more"),
        ('["net", "twine"]', f"['net', '{name}']"),
        ('["twine", "net"]', f"['{name}', 'net']"),
        ("the same plugs and tape on the core holes of both bindings", HOSTILE),
    )
    bales = table(trial, "bales")
    bales["binding"] = bales["binding"].replace({"twine": name})
    bales["site"] = "<i>Callowby</i> & {{7*7}}"
    put(trial, "bales", bales)
    events = table(trial, "events")
    events["cause"] = [HOSTILE if cause else "" for cause in events["cause"]]
    put(trial, "events", events)
    return trial
