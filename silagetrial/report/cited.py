"""Works a report cites: one source for author and year, the list of references and BibTeX.

A reference has a DOI only where it was seen beside title, volume and pages in other people's lists.
Nelder (1954), Weissbach and Kuhla (1995) and the pages of Efron and Tibshirani's section are from
memory and have none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

import silagetrial

__all__ = ["REFERENCES", "Reference", "bibtex", "cite", "cited_in", "write"]


@dataclass(frozen=True)
class Reference:
    """A work.

    Parameters
    ----------
    kind : {"article", "book", "inproceedings", "misc"}
        BibTeX's entry type.
    authors : tuple of str
        ``Family, G. H.``; a name without a comma is that of a group.
    year : int
    title : str
        In the writing of its language, proper names in braces.
    others : bool
        Whether there are more authors than are named.
    place : mapping of str to str
        Further BibTeX fields in their order: journal, volume, pages, publisher, doi.
    """

    kind: Literal["article", "book", "inproceedings", "misc"]
    authors: tuple[str, ...]
    year: int
    title: str
    place: Mapping[str, str]
    others: bool = False

    @property
    def author_year(self) -> str:
        """Authors and year as they stand in brackets: ``Kenward & Roger 1997``."""
        return f"{self._named} {self.year}"

    @property
    def in_sentence(self) -> str:
        """Authors and year as they stand in a sentence: ``Kenward & Roger (1997)``."""
        return f"{self._named} ({self.year})"

    @property
    def _named(self) -> str:
        names = [name.partition(",")[0] for name in self.authors]
        if self.others or len(names) > 2:
            return f"{names[0]} et al."
        return " & ".join(names)

    @property
    def text(self) -> str:
        """The reference as it stands in a list."""
        title, place = self.title.replace("{", "").replace("}", ""), self.place
        where = " ".join(
            place[name]
            for name in ("journal", "booktitle", "howpublished", "publisher", "volume")
            if name in place
        )
        pages = f", {place['pages'].replace('--', '-')}" if "pages" in place else ""
        doi = f" https://doi.org/{place['doi']}" if "doi" in place else ""
        return f"{self._listed} ({self.year}). {title}. {where}{pages}.{doi}"

    @property
    def _listed(self) -> str:
        if self.others:
            return f"{self.authors[0]} et al."
        *first, last = self.authors
        return f"{', '.join(first)} & {last}" if first else last

    def bibtex(self, key: str) -> str:
        """Return the entry of a BibTeX file."""
        names = [name if "," in name else f"{{{name}}}" for name in self.authors]
        fields = {
            "author": " and ".join([*names, *(["others"] if self.others else [])]),
            "title": self.title,
            "year": str(self.year),
            **self.place,
        }
        lines = [f"  {name} = {{{value}}}," for name, value in fields.items()]
        return "\n".join([f"@{self.kind}{{{key},", *lines, "}"])


REFERENCES: Final[Mapping[str, Reference]] = {
    "efron1993": Reference(
        "book", ("Efron, B.", "Tibshirani, R. J."), 1993, "An Introduction to the Bootstrap",
        {"publisher": "Chapman and Hall"},
    ),
    "harris2020": Reference(
        "article", ("Harris, C. R.",), 2020, "Array programming with {NumPy}",
        {"journal": "Nature", "volume": "585", "pages": "357--362",
         "doi": "10.1038/s41586-020-2649-2"},
        others=True,
    ),
    "hothorn2008": Reference(
        "article", ("Hothorn, T.", "Bretz, F.", "Westfall, P."), 2008,
        "Simultaneous inference in general parametric models",
        {"journal": "Biometrical Journal", "volume": "50", "pages": "346--363",
         "doi": "10.1002/bimj.200810425"},
    ),
    "kenward1997": Reference(
        "article", ("Kenward, M. G.", "Roger, J. H."), 1997,
        "Small sample inference for fixed effects from restricted maximum likelihood",
        {"journal": "Biometrics", "volume": "53", "pages": "983--997", "doi": "10.2307/2533558"},
    ),
    "nelder1954": Reference(
        "article", ("Nelder, J. A.",), 1954,
        "The interpretation of negative components of variance",
        {"journal": "Biometrika", "volume": "41", "pages": "544--548"},
    ),
    "patterson1971": Reference(
        "article", ("Patterson, H. D.", "Thompson, R."), 1971,
        "Recovery of inter-block information when block sizes are unequal",
        {"journal": "Biometrika", "volume": "58", "pages": "545--554",
         "doi": "10.1093/biomet/58.3.545"},
    ),
    "schuirmann1987": Reference(
        "article", ("Schuirmann, D. J.",), 1987,
        "A comparison of the two one-sided tests procedure and the power approach for assessing "
        "the equivalence of average bioavailability",
        {"journal": "Journal of Pharmacokinetics and Biopharmaceutics", "volume": "15",
         "pages": "657--680"},
    ),
    "seabold2010": Reference(
        "inproceedings", ("Seabold, S.", "Perktold, J."), 2010,
        "statsmodels: econometric and statistical modeling with {Python}",
        {"booktitle": "Proceedings of the 9th Python in Science Conference", "pages": "92--96",
         "doi": "10.25080/Majora-92bf1922-011"},
    ),
    "searle1980": Reference(
        "article", ("Searle, S. R.", "Speed, F. M.", "Milliken, G. A."), 1980,
        "Population marginal means in the linear model: an alternative to least squares means",
        {"journal": "The American Statistician", "volume": "34", "pages": "216--221",
         "doi": "10.1080/00031305.1980.10483031"},
    ),
    "silagetrial": Reference(
        "misc", ("The silagetrial authors",), 2026,
        "silagetrial: paired-bale trials of silage, from the records to a report anyone can rerun",
        {"howpublished": f"Python package, version {silagetrial.__version__}"},
    ),
    "virtanen2020": Reference(
        "article", ("Virtanen, P.",), 2020,
        "{SciPy} 1.0: fundamental algorithms for scientific computing in {Python}",
        {"journal": "Nature Methods", "volume": "17", "pages": "261--272",
         "doi": "10.1038/s41592-019-0686-2"},
        others=True,
    ),
    "weissbach1995": Reference(
        "article", ("Weissbach, F.", "Kuhla, S."), 1995,
        "{Stoffverluste bei der Bestimmung des Trockenmassegehaltes von Silagen und Grünfutter}",
        {"journal": "Übersichten zur Tierernährung", "volume": "23", "pages": "189--214"},
    ),
}  # fmt: skip
"""Every work by its key, in the order of the keys; the package as CITATION.cff has it."""


def cite(*keys: str) -> str:
    """Return authors and year of works: ``Harris et al. 2020; Virtanen et al. 2020``."""
    return "; ".join(REFERENCES[key].author_year for key in keys)


def cited_in(lines: Iterable[str]) -> tuple[str, ...]:
    """Return the keys of the works that a text cites, in order of the first author."""
    text = "\n".join(lines)
    return tuple(
        key
        for key, work in REFERENCES.items()
        if work.author_year in text or work.in_sentence in text
    )


def bibtex(keys: Iterable[str]) -> str:
    """Return a BibTeX file of works."""
    return "\n\n".join(REFERENCES[key].bibtex(key) for key in keys) + "\n"


def write(keys: Iterable[str], path: str | Path) -> None:
    """Write works as a BibTeX file, UTF-8.

    Parameters
    ----------
    keys : iterable of str
        Of `REFERENCES`.
    path : str or Path
        The file to write.
    """
    Path(path).write_text(bibtex(keys), encoding="utf-8", newline="\n")
