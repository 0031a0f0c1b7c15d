"""What people in the field are told: the rules of the trial, one source for every sheet."""

from __future__ import annotations

from typing import Final

from silagetrial.data.settings import Settings
from silagetrial.display.phrases import block_word

__all__ = ["AT_ROUNDS", "at_baling", "at_opening", "how_to_use", "kept_alike"]

_AT_BALING: Final = (
    "Make the bales in the order listed, each with the binding listed: the order was drawn. Where "
    "another binding went on, write the one that did.",
    "Write the time when the bale leaves the chamber and the time when it is wrapped with film: "
    "hours between the two matter.",
    "Write the roll, and how often the binding broke or was started again.",
    "A bale that drops, breaks open or is holed stays in the trial with a note; it gets no "
    "replacement on the spot. The spare {block}s are there for that.",
    "Put a known mass on the scale before the first bale and write what it shows. Weigh one bale "
    "three times, driving it off the scale in between.",
)
"""Rules of the baling day; {block}: a pair, or a set of more bindings."""

AT_ROUNDS: Final = (
    "Look at every bale: holes, torn film, sagging, water, birds, rodents. Tape a hole at once.",
    "A bale that was moved, dropped, holed, taped or lost: the day, what happened, and the cause "
    "apart from it.",
)
"""Rules of inspection rounds."""


def at_baling(settings: Settings) -> tuple[str, ...]:
    """Return the rules of the baling day."""
    return tuple(text.format(block=block_word(settings.compare)) for text in _AT_BALING)


def at_opening(settings: Settings) -> tuple[str, ...]:
    """Return the rules of an opening day, or of a day on which bales are cored."""
    recored = settings.design == "recored"
    how = (
        "Drill, plug and tape: every hole lets air in, and all bales get the same holes."
        if recored
        else "Weigh a bale before its film is cut; write what is left on it: film, water, soil."
    )
    word = block_word(settings.compare)
    return (
        f"{'Core' if recored else 'Open'} the bales in the order listed: it was drawn. All bales "
        f"of a {word} on the same day.",
        "Put a known mass on the scale before the first bale and write what it shows.",
        how,
        "Write the binding you see on the bale, without looking it up: swapped bales are the "
        "commonest silent error.",
        "The sample goes into a bag that carries its code and nothing else: no bale, no binding. "
        "Where two codes are given, divide the mixed sample into two bags. Freeze it at once.",
    )


def how_to_use(settings: Settings) -> tuple[str, ...]:
    """Return how the workbook is used, one point each."""
    word = block_word(settings.compare)
    return (
        "This workbook is both the sheet in the field and the file the trial is read from. Every "
        "number is typed once, here. The printable pages hold the same cells for paper.",
        "Pale boxed cells are to be filled; grey cells come from the plan. Where something was "
        "done otherwise, correct the grey cell: the report names the change, and the data stay "
        "true.",
        "Blank means not done yet or not measured; it is never typed as 0. A result below the "
        "laboratory's limit is typed as < and the limit: <0.3.",
        "bales: one row a bale, in the order of baling. Times, roll, breaks, masses, place in the "
        "store.",
        "weighings: one row a weighing, at wrapping and at the opening planned for the bale; three "
        "rows of one bale show how well the scale repeats.",
        "samples: one row a sample under its code. Bale and kind stay blank: blind_key.csv holds "
        "them. On opening day fill day and binding seen; the laboratory's results follow later.",
        "events: inspection rounds are listed; add a row when a bale is dropped, holed, moved or "
        "lost.",
        "scales: one row a day on which bales are weighed, with a known mass and what the scale "
        "showed for it. Where bales go over another scale, write its name there and in weighings.",
        "opening days: which bale is opened when, in which order, and the code of its sample.",
        f"A spare {word} is made, weighed, stored and inspected as all others. It is opened in "
        "place of one that was lost: write the opening in its row of bales.",
        "When rain or a breakdown stops the baling early, plan again what is left, with what was "
        "typed carried over: silagetrial plan FOLDER --out NEW --stopped-early SITE=PAIRS "
        "--carry-from FOLDER.",
        "Keep this workbook and blind_key.csv from the laboratory: it gets its list and nothing "
        "else. Keep a copy of both after each day's work.",
        "Look at any time for what is missing or cannot be: silagetrial check FOLDER. Close the "
        "workbook first. The report: silagetrial report FOLDER --out REPORT.",
    )


def kept_alike(settings: Settings) -> str:
    """Return in one sentence what is held equal between the bindings; empty where nothing is."""
    held = [
        str(value) if key == "note" else f"{str(key).replace('_', ' ')}: {value}"
        for key, value in settings.held_equal.items()
    ]
    return f"Held equal between the bindings: {'; '.join(held)}." if held else ""
