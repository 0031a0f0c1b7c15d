"""References: one source for the list and BibTeX, only works cited, read by another program."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
import yaml
from conftest import Analysed
from pybtex.database import parse_file, parse_string

import silagetrial
from silagetrial.report import methods, paper
from silagetrial.report.cited import REFERENCES, bibtex, cite, cited_in, write

CITATION = yaml.safe_load((Path(__file__).parents[2] / "CITATION.cff").read_text(encoding="utf-8"))
KEYS = (
    "efron1993", "harris2020", "hothorn2008", "kenward1997", "nelder1954", "patterson1971",
    "schuirmann1987", "seabold2010", "searle1980", "silagetrial", "virtanen2020", "weissbach1995",
)  # fmt: skip
"""Keys that people's papers refer to: they stay."""


def test_another_program_reads_every_entry_with_all_that_its_type_needs() -> None:
    entries = parse_string(bibtex(REFERENCES), "bibtex").entries
    assert tuple(entries) == KEYS
    needed = {  # BibTeX's own lists of required fields (btxdoc, Patashnik 1988, section 3.1)
        "article": {"title", "journal", "year"},
        "book": {"title", "publisher", "year"},
        "inproceedings": {"title", "booktitle", "year"},
        "misc": set(),
    }
    for key, entry in entries.items():
        assert entry.persons["author"], key
        assert needed[entry.type] <= set(entry.fields), key
        assert entry.fields["year"] == str(REFERENCES[key].year)
        assert re.fullmatch(r"10\.\d{4,}/\S+", entry.fields.get("doi", "10.1000/x")), key
    assert entries["kenward1997"].persons["author"][1].last_names == ["Roger"]
    assert str(entries["harris2020"].persons["author"][1]) == "others"
    assert str(entries["silagetrial"].persons["author"][0]) == "{The silagetrial authors}"


def test_the_package_is_cited_as_its_citation_file_has_it() -> None:
    ours = REFERENCES["silagetrial"]
    assert ours.title == CITATION["title"]
    assert ours.authors == tuple(author["name"] for author in CITATION["authors"])
    assert ours.year == CITATION["date-released"].year
    assert CITATION["version"] == silagetrial.__version__
    assert ours.place["howpublished"].endswith(f"version {CITATION['version']}")


def test_works_are_named_and_listed_as_is_usual() -> None:
    assert cite("harris2020", "kenward1997") == "Harris et al. 2020; Kenward & Roger 1997"
    assert REFERENCES["searle1980"].author_year == "Searle et al. 1980"
    assert REFERENCES["kenward1997"].in_sentence == "Kenward & Roger (1997)"
    assert REFERENCES["hothorn2008"].text == (
        "Hothorn, T., Bretz, F. & Westfall, P. (2008). Simultaneous inference in general "
        "parametric models. Biometrical Journal 50, 346-363. "
        "https://doi.org/10.1002/bimj.200810425"
    )
    assert cited_in(["(Nelder 1954)", "after Kenward & Roger (1997)"]) == (
        "kenward1997",
        "nelder1954",
    )


@pytest.mark.parametrize("name", ["separate", "recored", "no weighings", "no samples", "alike"])
def test_every_work_listed_is_cited_and_every_one_cited_is_listed(
    analysed: Analysed, name: str, tmp_path: Path
) -> None:
    analysis = analysed(name)
    text = " ".join(
        [
            *methods.methods(analysis).lines,
            *paper.paragraph(analysis).lines,
            *(note for r in analysis.responses.values() for note in r.records.notes),
        ]
    )
    named = {
        (name, year)
        for name, year in re.findall(
            r"([A-Z]\w+)(?: & \w+| et al\.| [a-z]+ authors)? \(?(\d{4})\b", text
        )
    }
    listed = {(REFERENCES[key].authors[0].split(",")[0].split()[0], str(REFERENCES[key].year))
              for key in methods.cited(analysis)}  # fmt: skip
    assert listed == named
    write(methods.cited(analysis), tmp_path / "references.bib")
    entries = parse_file(tmp_path / "references.bib", "bibtex").entries
    assert tuple(entries) == methods.cited(analysis)
    assert len(methods.references(analysis).lines) == len(entries)
    assert ("Weissbach", "1995") in listed or name in ("no weighings", "no samples")
