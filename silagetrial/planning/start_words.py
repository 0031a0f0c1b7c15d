"""Words of an empty trial: how it is filled in, and a trial.toml to begin with."""

from __future__ import annotations

from typing import Final

from silagetrial.data.placeholders import BINDINGS, QUESTION, TITLE

__all__ = ["HOW_TO_USE", "SETTINGS_TEXT"]

HOW_TO_USE: Final = (
    "An empty trial",
    "Fill in trial.toml first: title, bindings, openings, units of the laboratory, and what is "
    "compared. Decide that before the data are seen.",
    "bales: a line for each bale. weighings: a line for each time something was on the scale. "
    "samples: a line for each laboratory result. events: what happened to a bale. scales: a line "
    "for each check of a scale. Columns that are not needed may stay blank or be removed.",
    "Every value stands once. Blank means not done or not measured; it is never typed as 0. A "
    "result below the limit of the laboratory is typed as < and the limit: <0.3.",
    "Dates as 2026-05-31, with the time where it is known: 2026-05-31 14:30.",
    "Names of bales, pairs and samples are texts without spaces, the same in every table.",
    "Look at any time for what is missing or cannot be: silagetrial check FOLDER. What is due "
    "today: silagetrial status FOLDER.",
)

SETTINGS_TEXT: Final = f"""\
# What the trial asks and how it is analysed. Fill this in before the data are seen.
# Every key is listed by: silagetrial columns trial.toml
title = "{TITLE}"
question = "{QUESTION}"

[bindings]
compare = ["{BINDINGS[0]}", "{BINDINGS[1]}"]    # as they are written under binding in bales
reference = "{BINDINGS[0]}"                 # the one the others are compared with

[design]
bales = "separate"    # each bale opened once; "recored" where the same bales are cored each time

# [held_equal]        # what is the same for all bindings, in words of your own
# film_layers = 6

[[openings]]
name = "2 months"     # as it is written under planned_opening in bales
days = 60             # planned days from film wrapping
window = [50, 75]     # first and last day that still count as this opening

[[openings]]
name = "8 months"
days = 240
window = [225, 265]

[units]               # of the laboratory's report; remove what is not analysed
dm = "g/kg"
lactic_acid = "g/kg DM"
acetic_acid = "g/kg DM"
butyric_acid = "g/kg DM"
ammonia_n = "% of total N"

[dm_correction]
form = "full"         # adds back the acids and alcohols that the oven drives off
crop = "grass"

[analysis]
primary = "butyric_acid"
opening = "8 months"
contrast = ["{BINDINGS[1]}", "{BINDINGS[0]}"]
"""
"""A trial.toml that can be read as it stands, with names to be replaced."""
