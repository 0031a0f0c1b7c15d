"""Which units a response is analysed in: of one size, no bale in two of them.

The units kept are checked against their definition; answers against those of a folder that never
held what is left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from analysis_designs import change, drop, replace_text
from builders import Cells, make_trial, read_cells, write_cells
from hypothesis import given
from hypothesis import strategies as st
from several_bales import composites, read, reasons, records, sets_of

from silagetrial.analysis import analyse
from silagetrial.analysis.overlaps import sharing_bales
from silagetrial.analysis.units import Members, Unit, UnitKind


@pytest.mark.parametrize(("taken", "unit", "kept"), [(4, "bale", 20), (2, "composite", 4)])
def test_the_kind_with_most_bales_is_kept(tmp_path: Path, taken: int, unit: str, kept: int) -> None:
    """48 bale-openings: a quarter or more in composites of 3; the others are listed with why."""
    folder = make_trial(tmp_path, sites=1, pairs=6, limit=0.01)
    wanted = sets_of(folder, 3)
    if taken == 4:  # one set of net and one of film: 6 bales against 18
        composites(folder, 3, of=lambda bales: bales[0]["bale"] in ("A01-net", "A01-film"))
        kept = 18
    else:  # all but one set of each: 18 bales in composites against 6
        composites(folder, 3, of=lambda bales: bales[0]["bale"] not in ("A01-net", "A01-film"))
        kept = 6
    assert len(wanted) == 8
    found = records(folder)
    assert (found.unit.word, len(found.rows)) == (unit, kept)
    other = "composites of 3 bales" if unit == "bale" else "bales"
    why = set(reasons(found).values())
    assert len(why) == 1
    assert other in why.pop()
    assert len(found.left_out) == (2 if unit == "bale" else 6)


def test_a_kind_of_one_binding_alone_is_not_chosen(tmp_path: Path) -> None:
    """9 bales of net in composites of 3; alone 3 of net and 3 of film, which can be compared."""
    folder = make_trial(tmp_path, sites=1, pairs=12, limit=0.01, openings=(60,))
    composites(folder, 3, of=lambda bales: bales[0]["bale"] in ("A01-net", "A04-net", "A07-net"))
    for pair in range(1, 10):
        drop(folder, "samples", sample=f"A{pair:02}-film-60")
    result = analyse(read(folder))["butyric_acid"]
    found = result.records
    assert (found.unit.word, len(found.rows)) == ("bale", 6)
    assert result.answered
    assert {why for bale, why in reasons(found).items() if "+" in bale} == {
        "composites of 3 bales vary otherwise than bales: one kind is compared, that which holds "
        "the most bindings at one opening (2 as bales, 1 as composites of 3 bales)"
    }


def test_the_choice_never_looks_at_a_value(tmp_path: Path) -> None:
    """The same kind whatever the results, below the limit or twice as high."""
    folder = make_trial(tmp_path, sites=1, pairs=6)
    composites(folder, 3, of=lambda bales: bales[0]["bale"] in ("A01-net", "A01-film"))
    for result in ("<9", "0.5", "90"):
        change(folder, "samples", {"kind": "opening"}, butyric_acid=result)
        assert records(folder).unit.word == "bale"


def test_as_many_bales_alone_as_together_count_alone(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1, pairs=6)
    twelve = ("A01-net", "A01-film", "A07-net", "A07-film")
    composites(folder, 3, of=lambda bales: bales[0]["bale"] in twelve)
    assert records(folder).unit.size == 1


def test_a_composite_of_two_farms_is_left_out(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=2, pairs=4)
    change(folder, "samples", {"sample": "A01-net-60"}, of="")
    parts = [{"sample": "A01-net-60", "bale": bale} for bale in ("A01-net", "B01-net")]
    write_cells(folder / "sample_parts.csv", parts)
    why = reasons(records(folder))
    assert why["A01-net+B01-net"] == (
        "bales of different farms as one value (Alder Farm, Birch Farm)"
    )


@pytest.mark.parametrize("key", ["factors", "blocks"])
def test_a_composite_of_two_levels_is_left_out_and_the_term_stays(tmp_path: Path, key: str) -> None:
    """Salt on the last three of each opening's nine pairs, and on one more: a mixed set."""
    folder = make_trial(tmp_path, sites=1, pairs=9, limit=0.01)
    change(folder, "bales", {}, additive="none")
    for pair in ("A01", "A07", "A08", "A09", "A16", "A17", "A18"):
        change(folder, "bales", {"pair": pair}, additive="salt")
    composites(folder, 3)
    replace_text(folder, "[analysis]", f'[analysis]\n{key} = ["additive"]')
    result = analyse(read(folder))["butyric_acid"]
    why = "bales of different additive as one value (salt, none)"
    assert reasons(result.records) == {
        f"A01-{name}+A02-{name}+A03-{name}": why for name in ("film", "net")
    }
    assert result.model is not None
    assert result.model.terms.frame.set_index("term").loc["additive", "kept"]
    assert len(result.records.rows) == 10


# ---- a bale counts once ----


def overlapping(folder: Path, design: str, sets: Sequence[Sequence[tuple[int, int]]]) -> Path:
    """Composites of bales by their place among those of an opening, one list of sets an opening.

    The first sample of a set is the composite, its butyric acid 7 % higher from set to set.
    """
    make_trial(folder, design=design, sites=1, pairs=4, limit=0.01, form="none")
    rows = read_cells(folder / "samples.csv")
    parts: Cells = []
    made: Cells = [row for row in rows if row["kind"] == "day0"]
    for at, opening in enumerate(("-60", "-240")):
        for binding in ("net", "film"):
            mine = [r for r in rows if r["sample"].endswith(opening) and r["of"].endswith(binding)]
            for k, places in enumerate(sets[at]):
                name = f"set-{at}-{binding}-{k}"
                acid = f"{float(mine[places[0]]['butyric_acid']) * (1 + 0.07 * k):.3f}"
                made.append({**mine[places[0]], "sample": name, "of": "", "butyric_acid": acid})
                parts += [{"sample": name, "bale": mine[place]["of"]} for place in places]
    write_cells(folder / "samples.csv", made)
    write_cells(folder / "sample_parts.csv", parts)
    return folder


RING = ((0, 1), (1, 2), (2, 3), (0, 3))


def without(folder: Path, *ends: str) -> Path:
    """Take composites away."""
    for table in ("samples", "sample_parts"):
        path = folder / f"{table}.csv"
        write_cells(path, [row for row in read_cells(path) if not row["sample"].endswith(ends)])
    return folder


def test_composites_that_share_bales_count_once(tmp_path: Path) -> None:
    """A ring of four composites of four pairs holds two pairs of composites, not four."""
    ring = overlapping(tmp_path / "ring", "separate", [RING, RING])
    plain = without(overlapping(tmp_path / "plain", "separate", [RING, RING]), "-1", "-3")
    found, wanted = (analyse(read(folder))["butyric_acid"] for folder in (ring, plain))
    assert len(found.records.rows) == 8
    frame = found.differences.frame
    assert frame["df"].tolist() == pytest.approx([2.0, 2.0])
    numbers = frame.select_dtypes("number").columns
    np.testing.assert_allclose(frame[numbers], wanted.differences.frame[numbers], rtol=1e-9)
    why = reasons(found.records)
    assert why["A02-net+A03-net"] == (
        "shares bales with composite A01-net+A02-net: a bale counts once"
    )
    assert len(why) == 8
    assert any("Of composites that share bales one counts" in n for n in found.records.notes)
    assert not any("share bales" in note for note in wanted.records.notes)


def test_other_sets_of_the_same_cored_bales_are_left_out(tmp_path: Path) -> None:
    """Sets of 60 days that are parted at 240 days: those of the first opening count."""
    sets = [((0, 1), (2, 3)), ((0, 2), (1, 3))]
    found = records(overlapping(tmp_path, "recored", sets))
    assert set(found.rows["opening"]) == {"60 days"}
    assert len(found.rows) == 4
    assert set(found.left_out.frame["opening"]) == {"240 days"}
    assert set(reasons(found).values()) == {
        f"shares bales with composite A01-{name}+A02-{name}: a bale counts once"
        for name in ("net", "film")
    }


def test_sets_of_both_bindings_and_of_more_openings_come_first(tmp_path: Path) -> None:
    """Pairs 2 and 3 lose film's composite, or keep theirs where it alone is cored twice."""
    sets = [((0, 1), (1, 2)), ((1, 2),)]
    twice = overlapping(tmp_path / "twice", "recored", sets)
    assert set(records(twice).rows["pair"]) == {"A02+A03"}
    one = without(overlapping(tmp_path / "one", "recored", sets), "film-1", "1-film-0")
    assert records(one).rows["pair"].tolist() == ["A01+A02", "A01+A02"]


def test_a_set_that_the_laboratory_did_not_analyse_takes_no_bale_away(tmp_path: Path) -> None:
    folder = overlapping(tmp_path, "separate", [((0, 1), (1, 2)), ((0, 1),)])
    for name in ("net", "film"):
        change(folder, "samples", {"sample": f"set-0-{name}-0"}, butyric_acid="")
    found = records(folder)
    assert "A02+A03" in set(found.rows["pair"])
    assert reasons(found)["A01-net+A02-net"] == "butyric acid not determined"


@given(
    sets=st.sets(st.lists(st.integers(0, 7), min_size=3, max_size=3, unique=True).map(
        lambda places: tuple(f"B{k}" for k in sorted(places))), min_size=1),
    data=st.data(),
)  # fmt: skip
def test_units_kept_share_no_bale_and_each_other_one_meets_one(
    sets: set[Members], data: st.DataObject
) -> None:
    openings = ("60 days", "120 days", "240 days")
    held = {
        bales: data.draw(st.lists(st.sampled_from(openings), unique=True)) for bales in sorted(sets)
    }
    units = {
        bales: Unit(bales, (), {"pair": "+".join(bales), "binding": "net"})
        for bales in sorted(sets)
    }
    out = sharing_bales(units, held, kind=UnitKind("composite", 3), openings=openings)
    kept = [bales for bales in sets if bales not in out]
    assert len({bale for bales in kept for bale in bales}) == 3 * len(kept)
    for bales in out:
        rivals = [other for other in kept if {*other} & {*bales}]
        assert rivals
        assert len(held[bales]) <= max(len(held[other]) for other in rivals)
