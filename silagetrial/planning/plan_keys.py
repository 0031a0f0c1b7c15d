"""The keys of plan.toml: those of trial.toml, and what is decided before the first bale."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, get_args

from silagetrial.data.settings import DIFFERENCE_RESPONSES, RESPONSES
from silagetrial.data.settings_keys import SECTION_NAMES, SECTIONS, Key
from silagetrial.planning.plan import Aim

__all__ = [
    "ASSUMPTIONS",
    "DEPARTURES",
    "GRID_LAYOUT",
    "GRID_NAMES",
    "INSTRUMENTS",
    "PLAN_FILE",
    "PLAN_NAMES",
    "PLAN_SECTIONS",
    "SPREADS",
    "assumption_section",
]

PLAN_FILE: Final = "plan.toml"
ASSUMPTIONS: Final = "assumptions"

SPREADS: Final[Mapping[str, str]] = {
    "site": "between farms",
    "pair": "between pairs of a farm",
    "bale": "between bales of a pair",
    "core": "between samples of a bale",
    "laboratory": "between analyses of a sample",
    "effect_between_sites": "of the difference between bindings, from farm to farm",
    "run": "between runs of one binding",
}
"""Sources of variation, as `Spread` names them, in words."""


_DEPARTURES: Final[Mapping[str, str]] = {
    "by_opening": "ratio of the spread at the last opening to that at the first",
    "by_binding": "ratio of the spread of the one binding to the other",
    "half_life": "days after which the correlation of two cores of a bale is one half",
    "tails": "degrees of freedom of Student's t, above 2",
    "batch": "spread between laboratory batches",
    "spoilage": "log odds by which a bale one standard deviation higher is lost rather",
    "missing": "share of results missing at random",
}
DEPARTURES: Final = tuple(_DEPARTURES)
"""How simulated trials may depart from the model; see `silagetrial.planning.truth.Truth`."""

INSTRUMENTS: Final[Mapping[str, str]] = {"fresh_mass": "mass", "dry_matter": "dm"}
"""Among the departures of dm_loss: mass of a bale (kg) and DM at wrapping (g/kg), from which the
errors under [measurement_sd] make those of DM losses; as `silagetrial.planning.truth.MassBalance`
names them."""

_LAYOUT_AXES: Final[Mapping[str, str]] = {
    "pairs": "pairs on each site",
    "sites": "sites: the first ones of the plan, then further ones like them",
    "samples": "samples of each bale at each opening",
    "analyses": "analyses of each sample",
}
_ASSUMED_AXES: Final[Mapping[str, str]] = {
    "effect": "ratio or difference of the primary contrast, at all openings",
    "level": "median with the reference binding",
    "limit": "the laboratory's limit",
    "lost": "share of bales lost",
    "spread": "factor on the whole spread assumed",
    **_DEPARTURES,
}
GRID_LAYOUT: Final = tuple(_LAYOUT_AXES)
"""Axes of a grid that are whole numbers of the layout."""
GRID_NAMES: Final = (*_LAYOUT_AXES, *_ASSUMED_AXES)
"""What a grid of simulations may vary."""


def assumption_section(response: str) -> str:
    """Return the name of the section that holds what is assumed of a response."""
    return f"{ASSUMPTIONS}.{response}"


def _assumption(response: str) -> dict[str, Key]:
    differs = response in DIFFERENCE_RESPONSES
    effect, short, long = (
        ("difference", "sd", "standard deviation")
        if differs
        else ("ratio", "cv", "coefficient of variation, a fraction,")
    )
    return {
        effect: Key(
            "figures",
            description=f"{effect} of the primary contrast: one, or one for each opening by days",
        ),
        "level": Key("number", description="median with the reference binding"),
        "limit": Key("number", description="the laboratory's limit"),
        "source": Key("text", description="where the figures are from"),
        "departures": Key(
            "numbers",
            choices=(*DEPARTURES, *INSTRUMENTS) if response == "dm_loss" else DEPARTURES,
            description="how far simulated trials depart from the model, as in { tails = 5 }; "
            + "; ".join(f"{name}: {words}" for name, words in _DEPARTURES.items())
            + ("; fresh_mass: kg; dry_matter: g/kg" if response == "dm_loss" else ""),
        ),
        **{
            f"{short}_{part}": Key("number", description=f"{long} {words}")
            for part, words in SPREADS.items()
        },
    }


_SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    "layout": {
        "seed": Key("whole", description="seed of the randomisation"),
        "pairs": Key("whole", description="pairs to be opened on each site"),
        "spare_pairs": Key("whole", description="further pairs on each site, for bales lost"),
        "switch_every": Key(
            "whole", description="bales of one binding before the binding is switched; default 1"
        ),
        "lost": Key(
            "number",
            description="share of bales expected to be lost, or opened outside the window, "
            "0 to below 1",
        ),
        "aim": Key("text", choices=get_args(Aim), description="what the primary contrast is about"),
        "inspections": Key("days", description="days from film wrapping of inspection rounds"),
    },
    "sites": {
        "name": Key("text", required=True, description="farm"),
        "cut": Key("text", description="cut of the year, where a farm has several"),
        "pairs": Key("whole", description="pairs to be opened; default as under [layout]"),
        "spare_pairs": Key("whole", description="further pairs; default as under [layout]"),
        "fields": Key("texts", description="fields, in the order of baling"),
        "baling": Key("date", description="planned day of baling"),
        "stores": Key("texts", description="places in the store"),
        "tiers": Key("whole", description="layers of the stack in use; default 1"),
    },
    "factors": {
        "column": Key("text", required=True, description="column of bales.csv"),
        "levels": Key("texts", required=True, description="its levels, each given to whole pairs"),
    },
    "laboratory": {
        "name": Key("text", description="laboratory"),
        "batch": Key("whole", description="samples taken through together, controls included"),
        "duplicates": Key("whole", description="blind duplicates in each batch; default 1"),
        "reference": Key("truth", description="a frozen reference sample in each batch"),
        "samples": Key("whole", description="samples of each bale at each opening; default 1"),
        "analyses": Key("whole", description="analyses of each sample; default 1"),
    },
    "power": {
        "target": Key("number", description="power wanted; default 0.8"),
        "half_width": Key(
            "number", description="half-width of the interval wanted: a ratio or a difference"
        ),
    },
    "grid": {
        name: Key("values", description=f"simulated in every combination: {words}")
        for name, words in {**_LAYOUT_AXES, **_ASSUMED_AXES}.items()
    },
    "costs": {
        "currency": Key("text", description="currency of all costs"),
        "site": Key("number", description="cost of a further farm"),
        "pair": Key("number", description="cost of a pair: bales, binding, film, feed lost"),
        "opening": Key("number", description="cost of an opening day on a farm"),
        "core": Key("number", description="cost of taking one sample"),
        "analysis": Key("number", description="cost of analysing one sample"),
        "money": Key("number", description="money there is"),
    },
    "next_trial": {
        "bales_per_year": Key("number", required=True, description="bales a year decided upon"),
        "years": Key("number", required=True, description="years the decision holds"),
        "gain_per_bale": Key(
            "number", required=True, description="money gained a bale by each unit lower"
        ),
        "extra_cost_per_bale": Key("number", description="what the new binding costs more a bale"),
        "effect_sd": Key("number", description="standard deviation of what is believed now"),
    },
}

PLAN_SECTIONS: Final[Mapping[str, Mapping[str, Key]]] = {
    **SECTIONS,
    **_SECTIONS,
    **{assumption_section(response): _assumption(response) for response in RESPONSES},
}
"""Section to its keys; "" is the top of the file; openings, sites and factors are lists."""

PLAN_NAMES: Final = (*SECTION_NAMES, *_SECTIONS, ASSUMPTIONS)
"""Sections that the top of plan.toml may hold."""
