"""Levels: their words, their order, and that they follow the registry's own lists."""

from __future__ import annotations

import datetime
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.levels import NOT_RECORDED, code_list, level_word, ordered_levels
from registry.derive.grading import GRADES
from registry.derive.people import AGE_BANDS
from registry.derive.structures import FAMILIES
from registry.derive.tiers import TIERS
from registry.dictionary.injury import EXTENTS, STRUCTURES


def test_derived_codes_are_those_that_the_registry_derives() -> None:
    assert code_list("age_band") == tuple(word for word, _, _ in AGE_BANDS)
    assert code_list("pulley_grade") == GRADES
    assert set(code_list("structure_family")) == set(FAMILIES.values())
    assert code_list("tier") == tuple(TIERS)
    assert code_list("main_structure") == STRUCTURES
    assert code_list("main_extent") == EXTENTS
    assert code_list("history_derived") == code_list("history")


def test_a_name_of_two_lists_means_the_injury() -> None:
    assert code_list("kind")[0] == "any_complaint"
    assert code_list("no_such_column") == ()


@pytest.mark.parametrize(
    ("value", "word"),
    [
        ("ring", "ring"),
        (np.bool_(False), "no"),
        (7, "7"),
        (7.0, "7"),
        (7.5, "7.5"),
        (datetime.date(2024, 2, 29), "2024-02-29"),
        (pd.Timestamp("2024-01-01"), "2024-01-01"),
        (pd.Timestamp("2024-01-01 06:30"), "2024-01-01T06:30:00"),
        (None, NOT_RECORDED),
        (float("nan"), NOT_RECORDED),
        (pd.NaT, NOT_RECORDED),
    ],
)
def test_words(value: Any, word: str) -> None:
    assert level_word(value) == word


def test_numbers_are_ordered_by_size_and_missing_stands_last() -> None:
    assert ordered_levels("age", [None, 10.0, 9.0]) == ["9", "10", NOT_RECORDED]
    assert ordered_levels("grip", ["unknown", "not_applicable", "pinch", "half_crimp"]) == [
        "half_crimp",
        "pinch",
        "unknown",
        "not_applicable",
    ]
    assert ordered_levels("digit", ["ring", "toe"], with_empty=True) == ["ring", "toe"]
