"""The picture of the calibration: size of each rule's tests, design by design."""

from __future__ import annotations

from pathlib import Path

import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
from matplotlib.axes import Axes

__all__ = ["draw"]

MARKS = {
    "Kenward-Roger": ("report: Kenward-Roger, variances free", "#0072B2", "o"),
    "paired t": ("report: paired t beside it", "#D55E00", "s"),
    "held at zero, Kenward-Roger": ("variances held at zero", "#009E73", "v"),
    "dropped at zero": ("held at zero and dropped", "#CC79A7", "^"),
    "held at zero, z": ("held at zero, z in place of t", "#000000", "x"),
    "lmer, Kenward-Roger": ("lmer, Kenward-Roger (200 trials)", "#56B4E9", "d"),
}
"""Colours of Okabe and Ito, with a marker each."""
PANELS = ("at the last opening", "average over openings", "growth with storage")
MOST = 0.27


def draw(frame: pd.DataFrame, path: Path) -> None:
    """Draw sizes from the table of `benchmarks.calibrate`.

    Parameters
    ----------
    frame : pandas.DataFrame
    path : pathlib.Path
        The picture.
    """
    shown = frame[frame["size"].notna() & ~frame["design"].str.endswith("ratio 0.6")]
    designs = list(dict.fromkeys(shown["design"]))
    figure, panels = plt.subplots(1, 3, figsize=(14, 8.4), sharey=True, layout="constrained")
    for panel, name in zip(panels, PANELS, strict=True):
        _panel(panel, shown[_of(shown, name)], designs)
        panel.set_title(name)
        panel.set_xlabel("share of trials without a difference that are called significant")
        panel.xaxis.label.set_size(8)
    panels[0].set_yticks(range(len(designs)), designs, fontsize=8)
    panels[0].invert_yaxis()
    handles, labels = panels[0].get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False, fontsize=9)
    trials = int(frame.loc[frame["rule"] == next(iter(MARKS)), "trials"].min())
    many = f"{trials:,} or more simulated trials of each design"
    figure.suptitle(f"Size of tests at 5 %, {many}; band: 4.5 to 5.5 %", fontsize=11)
    figure.savefig(path, dpi=110, metadata={"Software": None})
    plt.close(figure)


def _of(frame: pd.DataFrame, panel: str) -> pd.Series[bool]:
    if panel == PANELS[1]:
        return frame["question"] == "average"
    if panel == PANELS[2]:
        return frame["question"] == "growth"
    at = frame["question"].where(frame["question"].str.startswith("at "))
    last = at.groupby(frame["design"]).transform("last")
    return frame["question"] == last


def _panel(panel: Axes, frame: pd.DataFrame, designs: list[str]) -> None:
    panel.axvspan(0.045, 0.055, color="0.88")
    panel.axvline(0.05, color="0.6", linewidth=0.8)
    for k, (rule, (label, colour, marker)) in enumerate(MARKS.items()):
        here = frame[frame["rule"] == rule]
        at = np.array([designs.index(name) for name in here["design"]]) + (k - 2.5) * 0.12
        size = here["size"].to_numpy()
        hollow = "none" if marker in "vd^" else colour
        face = {} if marker == "x" else {"markerfacecolor": hollow}
        panel.errorbar(np.minimum(size, MOST), at, xerr=2 * here["size_mc"].to_numpy(),
                       fmt=marker, color=colour, markersize=4.5, elinewidth=0.7, label=label,
                       **face)  # fmt: skip
    panel.set_xlim(0.0, MOST)
    panel.grid(axis="y", color="0.93")
    panel.set_axisbelow(True)
