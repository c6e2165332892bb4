"""Dominant against other hand: R's exact test, one case a climber, ties and what is not known."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest

from analysis.dominance import dominant_hand
from registry.errors import ColumnError, InputError

TESTS = Path(__file__).resolve().parent.parent
R = json.loads((TESTS / "reference" / "distribution" / "expected.json").read_text(encoding="utf-8"))
PAIRS = list(zip(R["signs"][::2], R["signs"][1::2], strict=True))


@pytest.mark.parametrize("place", range(len(PAIRS)))
def test_p_and_limits_equal_r(place: int) -> None:
    # computed with R 4.2.2 (reference/distribution/make.R: binom.test)
    yes, of = PAIRS[place]
    result = dominant_hand({"hand_is_dominant": [True] * yes + [False] * (of - yes)})
    p_value, low, high = R["sign_test"][3 * place : 3 * place + 3]
    row = result.table.set_index("hand_is_dominant").loc["yes"]
    assert (row["n"], row["of"]) == (yes, of)
    assert (row["conf_low"], row["conf_high"]) == pytest.approx((low, high), abs=1e-8)
    assert result.tests["p_value"].tolist() == pytest.approx([p_value], rel=1e-8)


ROWS = {
    "climber": ["a", "a", "a", "b", "b", "c", "c", None, None, "d", "e"],
    "onset_day": [30, 10, 10, 5, 5, 9, None, 1, 1, 4, None],
    "hand_is_dominant": [False, True, True, True, False, False, True, True, None, None, False],
}


@pytest.mark.parametrize("make", [dict, pd.DataFrame, pl.DataFrame])
def test_a_climber_counts_with_the_first_day(make: Any) -> None:
    result = dominant_hand(make(ROWS))
    # By hand: a yes (two fingers of day 10), b both hands on one day, c no (day 9), the nameless case yes, e no.
    assert result.table["n"].tolist() == [2, 2]
    assert result.left_out.set_index("reason")["n"].to_dict() == {
        "hand not known as dominant or not": 2,
        "later injury of the same climber": 2,
        "further finger of the same hand and day": 1,
        "both hands hurt on the first day": 2,
    }
    assert result.n_rows_used + result.left_out["n"].sum() == result.n_rows_in == 11


def test_the_order_of_rows_does_not_matter() -> None:
    frame = pd.DataFrame(ROWS)
    one, other = dominant_hand(frame), dominant_hand(frame.sample(frac=1, random_state=2))
    pd.testing.assert_frame_equal(one.table, other.table)
    pd.testing.assert_frame_equal(one.left_out, other.left_out)


@pytest.mark.parametrize("n", [0, 3, 12, 80, 400])
def test_every_size(n: int) -> None:
    random = np.random.default_rng(n)
    hands = pd.Series(random.random(n) < 0.5, dtype=bool)
    result = dominant_hand(pd.DataFrame({"hand_is_dominant": hands}))
    assert result.table["n"].sum() == n
    assert result.tests.empty == (n == 0)
    assert [note.code for note in result.notes] == (["no_rows"] if n == 0 else ["few_events"] if n < 10 else [])


@pytest.mark.parametrize("make", [dict, pd.DataFrame])
def test_all_missing_is_said(make: Any) -> None:
    result = dominant_hand(make({"hand_is_dominant": [None, None], "climber": ["a", "b"]}))
    assert [note.code for note in result.notes] == ["no_rows"]
    assert result.left_out["n"].tolist() == [2]


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ColumnError, match=r"no column 'hand_is_dominant' \(given as the hand\)"):
        dominant_hand({"side": ["left"]})
    with pytest.raises(InputError, match=r"must be true/false.*map\(\{'yes': True"):
        dominant_hand({"hand_is_dominant": ["yes", "no"]})
    with pytest.raises(ColumnError, match=r"'onset_day'.*since climbers repeat"):
        dominant_hand({"hand_is_dominant": [True, True], "climber": ["a", "a"]})


def test_days_are_numbers() -> None:
    hurt = {"hand_is_dominant": [True, False, True], "climber": ["a", "a", "b"]}
    # As text, day 9 would come after day 10.
    for days in (["9", "10", "3"], pd.to_datetime(["2025-01-01", "2025-01-02", "2025-01-03"])):
        with pytest.raises(InputError, match=r"'onset_day' must be days as whole numbers.*since climbers repeat"):
            dominant_hand(pd.DataFrame({**hurt, "onset_day": days}))
    assert dominant_hand({**hurt, "onset_day": [9, 10, 3]}).table["n"].tolist() == [2, 0]


@pytest.mark.parametrize("make", [dict, pd.DataFrame, pl.DataFrame])
def test_days_that_nobody_knows_are_one_day_and_said(make: Any) -> None:
    hurt = {
        "hand_is_dominant": [True, False, True, True, False],
        "climber": ["a", "a", "b", "b", "c"],
        "onset_day": [None] * 5,
    }
    result = dominant_hand(make(hurt))
    # a hurt both hands, b one hand twice, c needs no day
    assert result.table["n"].tolist() == [1, 1]
    assert [note.code for note in result.notes] == ["days_not_known", "few_events"]
    assert "2 climbers have several injuries and no known day" in result.notes[0].sentence
    dated = dominant_hand(make({**hurt, "onset_day": [1, 2, 1, 2, None]}))
    assert [note.code for note in dated.notes] == ["few_events"]
