"""What the laboratory gets: blind codes by batch, the analyses wanted, and how to report them."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from typing import Final

import pandas as pd

from silagetrial.data.draft import is_given
from silagetrial.display.page import page
from silagetrial.display.table import Table
from silagetrial.planning.analyses import analyses_wanted
from silagetrial.planning.forms import FORM_STYLE, cautions_block, form_table
from silagetrial.planning.layout import Layout

__all__ = ["Batch", "batches", "laboratory_csv", "laboratory_page"]

_HOW: Final = (
    "Analyse the samples of a batch together, in the order listed. Some codes are controls.",
    "Report each result under its code. Below the limit: write < and the limit (<0.3), and say "
    "whether it is the limit of detection or of quantification. Not determined: leave blank. The "
    "two are never the same.",
    "Dry matter: give the oven's temperature and say whether the figure has been corrected for "
    "volatiles.",
    "Acids and alcohols by chromatography, from fresh or frozen material: near-infrared is poor "
    "for butyric and longer acids.",
    "Ammonia nitrogen from fresh or frozen material: from a dried sample it reads too high.",
    "Keep what is left of each sample frozen until the report is accepted.",
)
"""What a result must say to be of use."""


@dataclass(frozen=True)
class Batch:
    """The samples of one batch, as the laboratory sees them.

    Parameters
    ----------
    name : str
    codes : tuple of str
        In the order of the letters: nothing in it tells bale, pair or role.
    crop : bool
        Crop at baling; else silage.
    dates : tuple of str
        Planned days on which its samples are taken, the same for every code of the batch.
    """

    name: str
    codes: tuple[str, ...]
    crop: bool
    dates: tuple[str, ...]

    @property
    def material(self) -> str:
        """What the samples are."""
        return "crop before ensiling" if self.crop else "silage"

    @property
    def days(self) -> str:
        """Planned sampling days in words."""
        return " to ".join(dict.fromkeys((self.dates[0], self.dates[-1]))) if self.dates else ""


def batches(layout: Layout) -> tuple[Batch, ...]:
    """Return the batches of a layout; samples of spare pairs lie in none."""
    key = layout.key[layout.key["batch"].map(is_given)]
    site_of = _sites_of(layout)
    dates = _dates(layout)
    found = []
    for name, rows in key.groupby("batch", sort=True):
        known = rows[rows["of"].map(is_given)]
        days = {
            dates.get((site_of[str(of)], opening if is_given(opening) else None), "")
            for of, opening in zip(known["of"], known["opening"], strict=True)
        }
        found.append(
            Batch(
                str(name),
                tuple(sorted(str(code) for code in rows["sample"])),
                bool((known["kind"] == "day0").all()),
                tuple(sorted(day for day in days if day)),
            )
        )
    return tuple(found)


def _sites_of(layout: Layout) -> dict[str, str]:
    """Site of every bale and pair, with its cut."""
    labels = {(site.name, site.cut or None): site.label for site in layout.plan.sites}
    found = {}
    for row in layout.bales.to_dict("records"):
        label = labels[row["site"], row["cut"] if (row["site"], row["cut"]) in labels else None]
        found[str(row["bale"])] = found[str(row["pair"])] = label
    return found


def _dates(layout: Layout) -> dict[tuple[str, object], str]:
    """Planned day of each site's openings and, under None, of its baling."""
    found: dict[tuple[str, object], str] = {
        (str(row["site"]), row["opening"]): row["date"].isoformat()
        for row in layout.calendar.frame.to_dict("records")
        if is_given(row["date"])
    }
    for site in layout.plan.sites:
        if site.baling is not None:
            found[site.label, None] = site.baling.isoformat()
    return found


def laboratory_csv(layout: Layout) -> str:
    """Return the list as CSV, for the laboratory's own system: one line a code, no bale, no pair.

    Returns
    -------
    str
        ``batch place sample material sampled_from sampled_to analyses``.
    """
    settings = layout.plan.settings
    asked = {
        crop: " ".join(analyses_wanted(settings, crop=crop).frame["column"])
        for crop in (False, True)
    }
    rows = [
        (batch.name, place, code, batch.material, batch.dates[0] if batch.dates else None,
         batch.dates[-1] if batch.dates else None, asked[batch.crop])
        for batch in batches(layout)
        for place, code in enumerate(batch.codes, start=1)
    ]  # fmt: skip
    columns = ["batch", "place", "sample", "material", "sampled_from", "sampled_to", "analyses"]
    return Table(pd.DataFrame(rows, columns=columns)).to_csv()


def laboratory_page(layout: Layout) -> str:
    """Return the list as a page to print and to send with the samples, a sheet a batch."""
    settings, laboratory = layout.plan.settings, layout.plan.laboratory
    made = batches(layout)
    points = "".join(f"<li>{escape(text)}</li>" for text in _HOW)
    head = f"<p>To: {escape(laboratory.name)}.</p>\n" + f'<ul class="st-rules">{points}</ul>\n'
    kinds = [crop for crop in (False, True) if any(batch.crop is crop for batch in made)]
    wanted = "".join(analyses_wanted(settings, crop=crop).to_html() for crop in kinds)
    intro = f"<section>\n<h2>What is wanted</h2>\n{head}{wanted}\n{cautions_block()}</section>\n"
    return page(
        "Samples for the laboratory",
        intro + "".join(_batch_section(batch) for batch in made),
        style=FORM_STYLE.replace("A4 landscape", "A4"),
    )


def _batch_section(batch: Batch) -> str:
    rows = "".join(
        f'<tr><td class="st-given">{place}</td><td class="st-given st-big">{escape(code)}</td>'
        "<td></td><td></td><td></td></tr>\n"
        for place, code in enumerate(batch.codes, start=1)
    )
    heads = ("place", "code", "received, day", "state on arrival", "laboratory's own number")
    top = "".join(f'<th scope="col">{head}</th>' for head in heads)
    when = f", sampled {batch.days} (planned)" if batch.days else ""
    return (
        f"<section>\n<h2>Batch {escape(batch.name)}: {batch.material}{escape(when)}</h2>\n"
        f"{form_table(f'{len(batch.codes)} samples', top, rows)}{cautions_block()}</section>\n"
    )
