"""Blind codes: no repeats, one misread sign is found out, nothing else in them."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from silagetrial.planning.blind import ALPHABET, code_is_sound, draw_codes


@given(count=st.integers(0, 400), seed=st.integers(0, 1000))
@settings(deadline=None, max_examples=30)
def test_codes_are_different_short_and_sound(count: int, seed: int) -> None:
    codes = draw_codes(np.random.default_rng(seed), count)
    assert len(set(codes)) == count
    assert all(code_is_sound(code) and len(code) <= 5 for code in codes)
    assert all(code[0].isalpha() for code in codes)


def test_codes_in_use_are_not_drawn_again() -> None:
    taken = draw_codes(np.random.default_rng(1), 200)
    more = draw_codes(np.random.default_rng(1), 200, taken=taken)
    assert not set(more) & set(taken)


def test_many_codes_get_longer() -> None:
    lengths = {len(code) for code in draw_codes(np.random.default_rng(1), 2000)}
    assert lengths == {5}


def test_signs_that_are_taken_for_one_another_are_left_out() -> None:
    assert not set(ALPHABET) & set("0ODQ1IL2Z5S6B8UVYAE")
    assert len(set(ALPHABET)) == len(ALPHABET) == 17


@pytest.mark.parametrize("code", draw_codes(np.random.default_rng(3), 20))
def test_one_sign_misread_or_two_exchanged_is_found_out(code: str) -> None:
    for place in range(len(code)):
        for other in ALPHABET.replace(code[place], ""):
            assert not code_is_sound(code[:place] + other + code[place + 1 :])
    for place in range(len(code) - 1):
        a, b = code[place], code[place + 1]
        if a != b:
            assert not code_is_sound(code[:place] + b + a + code[place + 2 :])


@pytest.mark.parametrize("text", ["", "X", "O0I1", "k347", "N01"])
def test_other_texts_are_no_codes(text: str) -> None:
    assert not code_is_sound(text)


def test_signs_are_equally_frequent_at_every_place() -> None:
    codes = draw_codes(np.random.default_rng(11), 3000)
    letters = sum(sign.isalpha() for sign in ALPHABET)
    for place in range(len(codes[0])):
        counts = Counter(code[place] for code in codes)
        assert len(counts) == (letters if place == 0 else len(ALPHABET))
        assert stats.chisquare(list(counts.values())).pvalue > 1e-4
