"""What an analysis shows of itself, and what it holds where there is no value."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import make_trial, read_cells, write_cells

from silagetrial.analysis import Analysis, analyse
from silagetrial.analysis.records import records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS, Response
from silagetrial.data import read_trial
from silagetrial.errors import UsageError


@pytest.fixture(scope="module")
def analysis(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return analyse(read_trial(make_trial(tmp_path_factory.mktemp("trial"))))


def without_samples(folder: Path) -> Path:
    make_trial(folder)
    samples = folder / "samples.csv"
    heading = samples.read_text(encoding="utf-8").splitlines()[0]
    samples.write_text(heading + "\n", encoding="utf-8")
    return folder


def test_an_analysis_is_shown_by_the_tables_a_reader_wants(analysis: Analysis) -> None:
    one = analysis["butyric_acid"]
    assert repr(one) == str(one) == str(one.differences)
    assert repr(analysis) == "\n\n".join(repr(part) for part in analysis.responses.values())
    assert len(repr(analysis).splitlines()) < 40


def test_an_unknown_response_is_answered_with_the_known_ones(analysis: Analysis) -> None:
    with pytest.raises(UsageError) as caught:
        analysis["butyric"]
    assert caught.value.found == "the response 'butyric'"
    assert caught.value.expected == "one of 'butyric_acid', 'dm_loss'"
    assert caught.value.remedy == "take one of these names"


def test_a_model_shows_its_terms(analysis: Analysis) -> None:
    model = analysis["dm_loss"].model
    assert model is not None
    assert repr(model) == str(model.terms)
    assert model._repr_html_() == model.terms.to_html()


def test_a_response_without_values_says_why(tmp_path: Path) -> None:
    none = analyse(read_trial(without_samples(tmp_path)))["dm_loss"]
    assert repr(none).startswith("DM loss: no answer\nFound: no value of DM loss (32 times")
    assert none._repr_html_().startswith("<pre>DM loss: no answer")
    assert "weighings of the same bales" in none._repr_html_()


@pytest.mark.parametrize("response", [BUTYRIC_ACID, DM_LOSS])
def test_rows_have_their_columns_when_there_is_none(tmp_path: Path, response: Response) -> None:
    full = records_of(read_trial(make_trial(tmp_path / "full")), response)
    empty = records_of(read_trial(without_samples(tmp_path / "empty")), response)
    assert set(empty.rows.columns) == set(full.rows.columns)
    assert len(empty.rows) == 0
    assert empty.rows["below"].dtype == full.rows["below"].dtype
    assert empty.reasons == {"no sample": len(full.rows)}


def test_reasons_are_counted(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    samples = [row for row in read_cells(folder / "samples.csv") if row["kind"] != "day0"]
    write_cells(folder / "samples.csv", samples[1:])
    found = records_of(read_trial(folder), DM_LOSS)
    assert found.reasons == {
        "no sample": 1, "no DM of the crop at baling (day 0)": len(samples) - 1,
    }  # fmt: skip
