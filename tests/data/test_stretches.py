"""Bindings made in stretches: what counts as one, and that pairs made in turn never do."""

from __future__ import annotations

from datetime import datetime, timedelta
from itertools import pairwise, permutations
from typing import Any

import numpy as np
import pandas as pd
from builders import make_trial, read_cells, write_cells
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.data import read_trial
from silagetrial.data.stretches import in_stretches, with_runs

BALED = datetime(2025, 5, 26, 10, 0)


def bales(bindings: list[str], pairs: list[str | None] | None = None) -> list[dict[str, Any]]:
    """Bales of one site in the order of baling."""
    return [
        {
            "bale": f"b{k}", "pair": None if pairs is None else pairs[k], "site": "Alder",
            "lot": None, "run": None, "order": k + 1, "binding": binding,
            "baled_at": BALED + timedelta(minutes=4 * k),
        }
        for k, binding in enumerate(bindings)
    ]  # fmt: skip


def found(rows: list[dict[str, Any]]) -> list[str]:
    return [each.in_words for each in in_stretches(rows)]


def test_all_of_one_binding_then_all_of_the_other() -> None:
    assert found(bales(["net"] * 6 + ["film"] * 6)) == ["6 net, 6 film"]
    assert found(bales(["net"] * 6 + ["film"] * 6 + ["net"] * 6 + ["film"] * 6)) == [
        "6 net, 6 film, 6 net, 6 film"
    ]
    assert found(bales(["net"] * 3 + ["film"] * 3 + ["twine"] * 3)) == ["3 net, 3 film, 3 twine"]
    assert found(bales(["net"] * 12)) == []
    assert found(bales(["net", "film", "film", "net"] * 3)) == []


@given(st.integers(2, 12), st.integers(2, 3), st.randoms(use_true_random=False))
def test_adjacent_pairs_in_any_order_never_count(pairs: int, size: int, rng: Any) -> None:
    bindings, names = [], []
    for pair in range(pairs):
        own = ["net", "film", "twine"][:size]
        rng.shuffle(own)
        bindings += own
        names += [str(pair)] * size
    assert found(bales(bindings, names)) == []
    assert found(bales(bindings)) == []


def test_pairs_named_afterwards_count_where_no_partners_are_adjacent() -> None:
    apart = bales(["net", "net", "film", "film"], ["1", "2", "1", "2"])
    assert found(apart) == ["2 net, 2 film"]
    # One pair made in turn: not that.
    assert found(bales(["net", "net", "film", "film"], ["1", "2", "2", "1"])) == []
    # Without pairs chance makes two stretches of four bales one time in three.
    assert found(bales(["net", "net", "film", "film"])) == []


def test_stretches_expected_by_chance() -> None:
    """1 + 2 a b / (a + b) for two bindings (Wald & Wolfowitz 1940), by every order of eight bales;
    the rule speaks in fewer than 5 % of random orders."""
    orders = set(permutations("nnnnffff"))
    counts = np.array([1 + sum(a != b for a, b in pairwise(o)) for o in orders])
    assert counts.mean() == 1 + 2 * 4 * 4 / 8
    spoken = np.mean([bool(found(bales(list(order)))) for order in orders])
    assert 0 < spoken < 0.05


def test_the_order_comes_from_times_where_it_is_not_recorded() -> None:
    rows = bales(["net"] * 4 + ["film"] * 4)
    timed = [{**row, "order": None} for row in reversed(rows)]
    each = next(in_stretches(timed))
    assert (each.in_words, each.by) == ("4 net, 4 film", "baled_at")
    dated = [{**row, "order": None, "baled_at": datetime(2025, 5, 26)} for row in rows]
    assert found(dated) == []
    assert found([{**row, "order": 1, "baled_at": None} for row in rows]) == []


def test_recorded_runs_stand() -> None:
    rows = bales(["net"] * 4 + ["film"] * 4)
    rows[0]["run"] = "1"
    assert found(rows) == []
    kept = with_runs(pd.DataFrame(rows))
    assert kept["run"].tolist()[0] == "1"
    assert kept["run"].isna().sum() == 7


def test_runs_are_filled_in_by_place() -> None:
    rows = bales(["net"] * 4 + ["film"] * 4)
    other = [
        {**row, "bale": f"o{row['bale']}", "site": "Birch"} for row in bales(["net", "film"] * 4)
    ]
    filled = with_runs(pd.DataFrame([*rows, *other])).set_index("bale")["run"]
    assert filled["b0"] == filled["b3"] == "Alder, 2025-05-26, run 1"
    assert filled["b4"] == "Alder, 2025-05-26, run 2"
    assert filled[[row["bale"] for row in other]].isna().all()


def test_a_trial_keeps_its_file_and_warns(tmp_path: Any) -> None:
    folder = make_trial(tmp_path, sites=1)
    cells = read_cells(folder / "bales.csv")
    for place, row in enumerate(sorted(cells, key=lambda row: row["binding"]), start=1):
        row["order"] = str(place)
    write_cells(folder / "bales.csv", cells)
    trial = read_trial(folder)
    assert [problem.column for problem in trial.warnings] == ["order"]
    assert trial.bales["run"].isna().all()
