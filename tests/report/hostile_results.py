"""Trials whose results are awkward to tell: folders made from the demonstration trials.

Everything is text in and text out, as in `report_variants`; most keep one opening, so that the
analysis takes a moment.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pandas as pd
from report_variants import copy_demo, one_opening, only_bales, put, settings, table

from silagetrial.data import read_trial
from silagetrial.planning.analysis_plan import FORMAT, settings_record, write_analysis_plan

AT = "9 months"


def last_bales(folder: Path, binding: str, *, opening: str = AT) -> list[str]:
    """Names of the bales of a binding at an opening, in their order."""
    bales = table(folder, "bales")
    mine = (bales["binding"] == binding) & (bales["planned_opening"] == opening)
    return list(bales.loc[mine, "bale"])


def set_acid(
    folder: Path, values: dict[str, float], *, name: str = "butyric_acid", opening: bool = True
) -> None:
    """Write a result of a bale's sample, or of every sample `of` names it."""
    samples = table(folder, "samples")
    for bale, value in values.items():
        mine = (samples["of"] == bale) & ((samples["kind"] != "day0") == opening)
        samples.loc[mine, name] = f"{value:.2f}"
    put(folder, "samples", samples)


def lighter(folder: Path, bales: Sequence[str], kg: float) -> None:
    """Take mass off the last weighing of bales, so that they lost more DM."""
    weighings = table(folder, "weighings")
    for bale in bales:
        last = weighings.index[weighings["bales"] == bale][-1]
        weighings.loc[last, "gross"] = f"{float(weighings.loc[last, 'gross']) - kg:.1f}"
    put(folder, "weighings", weighings)


def lose(folder: Path, bales: Sequence[str]) -> None:
    """Lose bales before their opening: no sample, no second weighing, an event with its cause."""
    samples, weighings = table(folder, "samples"), table(folder, "weighings")
    put(folder, "samples", samples[~samples["of"].isin(bales) | (samples["kind"] == "day0")])
    mine = weighings["bales"].isin(bales)
    put(folder, "weighings", weighings[~mine | ~weighings.duplicated("bales")])
    events = table(folder, "events")
    lost = pd.DataFrame(
        {"bale": bales, "at": "2024-11-20 10:00", "what": "lost", "note": "", "cause": "torn open"}
    )
    put(folder, "events", pd.concat([events[~events["bale"].isin(bales)], lost]))


def file_plan(folder: Path, *, detectable: dict[str, Any] | None = None) -> None:
    """File a plan beforehand that holds the settings and the bales as they stand."""
    trial = read_trial(folder)
    columns = ["bale", "pair", "site", "binding", "planned_opening"]
    drawn = trial.bales[columns].astype(object)
    bales = drawn.where(drawn.notna(), None).to_dict("records")
    record = {
        "format": FORMAT,
        "filed": "2024-04-01",
        "settings": settings_record(trial.settings),
        "responses": {},
        "layout": {"seed": 17, "bales": [{**bale, "order": k} for k, bale in enumerate(bales)]},
        "power": {"detectable": detectable or {}},
    }
    write_analysis_plan(folder, record)


def two_pairs(folder: Path) -> Path:
    """Two pairs that say the opposite, each by a factor of hundreds: one degree of freedom."""
    trial = one_opening(folder)
    only_bales(trial, lambda bales: bales["pair"].isin(sorted(set(bales["pair"]))[:2]))
    net, film = last_bales(trial, "net"), last_bales(trial, "film")
    set_acid(trial, {net[0]: 0.5, film[0]: 80, net[1]: 40, film[1]: 0.4})
    return trial


def opposite_signs(folder: Path) -> Path:
    """Film has much less butyric acid and loses much more DM."""
    trial = one_opening(folder)
    net, film = last_bales(trial, "net"), last_bales(trial, "film")
    set_acid(trial, {bale: 4.0 + 0.3 * (k % 3) for k, bale in enumerate(net)})
    set_acid(trial, {bale: 1.5 + 0.2 * (k % 2) for k, bale in enumerate(film)})
    lighter(trial, film, 45.0)
    return trial


def opening_missing(folder: Path) -> Path:
    """No result of a film bale at the opening the plan asks about."""
    trial = copy_demo("three_farms", folder)
    only_bales(trial, lambda bales: bales["planned_opening"].isin(["6 months", AT]))
    late = last_bales(trial, "film")
    samples = table(trial, "samples")
    put(trial, "samples", samples[~samples["of"].isin(late)])
    return trial


def nothing_told(folder: Path) -> Path:
    """Nothing differs: film's results are net's, a little up or down."""
    trial = one_opening(folder)
    net, film = last_bales(trial, "net"), last_bales(trial, "film")
    set_acid(trial, {bale: 2.0 + 0.4 * (k % 4) for k, bale in enumerate(net)})
    set_acid(trial, {bale: 2.0 + 0.4 * ((k + 1) % 4) for k, bale in enumerate(film)})
    return trial


def negative_variance(folder: Path) -> Path:
    """Where net is high film is low: bales of a pair are less alike than any two."""
    trial = one_opening(folder)
    net, film = last_bales(trial, "net"), last_bales(trial, "film")
    set_acid(trial, {bale: 2.0 + 0.9 * (k % 3 - 1) for k, bale in enumerate(net)})
    set_acid(trial, {bale: 2.1 - 0.9 * (k % 3 - 1) for k, bale in enumerate(film)})
    return trial


def spread_grows(folder: Path) -> Path:
    """Hardly any spread at 6 months, much at 9: the model pools what the paired t does not."""
    trial = copy_demo("three_farms", folder)
    only_bales(trial, lambda bales: bales["planned_opening"].isin(["6 months", AT]))
    for opening, spread in (("6 months", 0.05), (AT, 1.45)):
        net = last_bales(trial, "net", opening=opening)
        film = last_bales(trial, "film", opening=opening)
        set_acid(trial, dict.fromkeys(net, 3.0))
        set_acid(trial, {b: 3.0 * 2.0 ** (spread * (k % 3 - 1) - 0.8) for k, b in enumerate(film)})
    return trial


def sign_turns(folder: Path) -> Path:
    """Film ferments more: by oven DM it loses more, by corrected DM less."""
    trial = one_opening(folder)
    film = last_bales(trial, "film")
    set_acid(trial, dict.fromkeys(film, 45.0), name="acetic_acid")
    lighter(trial, film, 8.0)
    return trial


def sign_hidden(folder: Path) -> Path:
    """The same trial, planned without a correction."""
    trial = sign_turns(folder)
    settings(trial, ('form = "full"', 'form = "none"'))
    return trial


def film_bales_lost(folder: Path) -> Path:
    """Three film bales of nine were lost, no net bale."""
    trial = one_opening(folder)
    lose(trial, last_bales(trial, "film")[:3])
    return trial


def as_many_lost(folder: Path) -> Path:
    """One film bale of nine was lost, and one net bale."""
    trial = one_opening(folder)
    lose(trial, last_bales(trial, "film")[:1])
    return trial


def whole_binding_lost(folder: Path) -> Path:
    """Every film bale was lost."""
    trial = one_opening(folder)
    lose(trial, last_bales(trial, "film"))
    return trial


def farms(folder: Path, place: Callable[[int], int]) -> Path:
    """Put the pairs of the last opening, counted from 0, on other farms."""
    trial = one_opening(folder)
    bales = table(trial, "bales")
    site = {pair: f"Farm {place(k)}" for k, pair in enumerate(dict.fromkeys(bales["pair"]))}
    bales["site"] = bales["pair"].map(site)
    put(trial, "bales", bales)
    return trial


def in_runs(folder: Path) -> Path:
    """The bales of each binding made in two goes on each farm, no pairs."""
    trial = unpaired(folder)
    bales = table(trial, "bales")
    half = bales.groupby(["site", "binding"]).cumcount() % 2
    bales["run"] = bales["site"] + " " + bales["binding"] + " " + half.astype(str)
    put(trial, "bales", bales)
    return trial


def composites(folder: Path) -> Path:
    """The laboratory's sample of three film bales is one composite."""
    trial = one_opening(folder)
    film = last_bales(trial, "film")[:3]
    samples = table(trial, "samples")
    mine = samples["of"].isin(film) & (samples["kind"] != "day0")
    one = samples[mine].iloc[[0]].assign(of="", sample="mixed")
    put(trial, "samples", pd.concat([samples[~mine], one]))
    put(trial, "sample_parts", pd.DataFrame({"sample": "mixed", "bale": film, "n_cores": 4}))
    return trial


def all_composites(folder: Path) -> Path:
    """On one farm, two bales of a binding are one composite sample, of the same pairs in both."""
    trial = one_opening(folder)
    samples, bales = table(trial, "samples"), table(trial, "bales")
    opened = samples[samples["kind"] != "day0"]
    whole = bales[bales["bale"].isin(opened["of"])].groupby("pair").filter(lambda g: len(g) == 2)
    pairs = sorted(set(whole["pair"]))[:8]
    only_bales(trial, lambda every: every["pair"].isin(pairs))
    parts = whole[whole["pair"].isin(pairs)].copy()
    parts["sample"] = parts["binding"] + parts["pair"].map(
        {pair: f"-mixed-{k // 2}" for k, pair in enumerate(pairs)}
    )
    names = parts.drop_duplicates("sample").set_index("bale")["sample"]
    mixed = opened[opened["of"].isin(names.index)]
    mixed = mixed.assign(sample=mixed["of"].map(names), of="")
    day0 = table(trial, "samples")
    put(trial, "samples", pd.concat([day0[day0["kind"] == "day0"], mixed]))
    put(trial, "sample_parts", parts[["sample", "bale"]].assign(n_cores=4))
    put(trial, "bales", table(trial, "bales").assign(site="Thornick"))
    return trial


def margin_changed(folder: Path) -> Path:
    """The margin was widened after the plan was filed."""
    trial = with_margins(folder, butyric=1.1, filed=True)
    settings(trial, ("butyric_acid = 1.1", "butyric_acid = 1.8"))
    return trial


def level_changed(folder: Path) -> Path:
    """The level of the test was changed after the plan was filed."""
    trial = with_margins(folder, butyric=1.8, filed=True)
    settings(trial, ("alpha = 0.05", "alpha = 0.04"))
    return trial


def with_margins(folder: Path, *, butyric: float, filed: bool, claim: str = "equivalence") -> Path:
    """Ask whether film and net are alike within a margin, planned beforehand or not."""
    trial = nothing_told(folder)
    margins = f'margins = {{ butyric_acid = {butyric} }}\nclaim = "{claim}"\nfamilies ='
    settings(trial, ("families =", margins))
    if filed:
        seen = {"effect": 1.6, "other_side": 0.625, "power": 0.8, "scale": "ratio",
                "contrast": "film - net", "source": ""}  # fmt: skip
        file_plan(trial, detectable={"butyric_acid": seen})
    return trial


def unpaired(folder: Path) -> Path:
    """No pairs are recorded."""
    trial = one_opening(folder)
    samples, bales = table(trial, "samples"), table(trial, "bales")
    lots = bales.set_index("pair")["lot"].to_dict()
    samples["of"] = samples["of"].replace(lots)
    samples = samples[~(samples["of"].isin(set(lots.values())) & samples.duplicated("of"))]
    bales["pair"] = ""
    put(trial, "samples", samples)
    put(trial, "bales", bales)
    return trial


AWKWARD: dict[str, Callable[[Path], Path]] = {
    "two pairs": two_pairs,
    "opposite signs": opposite_signs,
    "opening missing": opening_missing,
    "nothing told": nothing_told,
    "negative variance": negative_variance,
    "spread grows": spread_grows,
    "sign turns": sign_turns,
    "sign hidden": sign_hidden,
    "as many lost": as_many_lost,
    "film bales lost": film_bales_lost,
    "whole binding lost": whole_binding_lost,
    "five farms": lambda folder: farms(folder, lambda k: k % 5),
    "eight farms": lambda folder: farms(folder, lambda k: min(k, 7)),
    "no maximum": lambda folder: farms(folder, lambda k: k % 8),
    "in runs": in_runs,
    "composites": composites,
    "all composites": all_composites,
    "alike": lambda folder: with_margins(folder, butyric=1.8, filed=True),
    "not alike": lambda folder: with_margins(folder, butyric=1.1, filed=True),
    "margin unfiled": lambda folder: with_margins(folder, butyric=1.8, filed=False),
    "not worse": lambda folder: with_margins(
        folder, butyric=1.8, filed=True, claim="non-inferiority"
    ),
    "may be worse": lambda folder: with_margins(
        folder, butyric=1.1, filed=True, claim="non-inferiority"
    ),
    "margin changed": margin_changed,
    "level changed": level_changed,
    "unpaired": unpaired,
}
"""Trials by what is awkward about them."""
