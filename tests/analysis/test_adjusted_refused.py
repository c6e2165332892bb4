"""What adjusted odds ratios refuse, and how: every sentence names the columns and the levels."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.adjusted import adjusted_odds_ratios
from registry.errors import AnnularyError, ColumnError, DataError, InputError, OptionError

N = 60
FRAME = pd.DataFrame(
    {
        "a2": [True, False, False] * (N // 3),
        "never": False,
        "always": True,
        "unsaid": pd.Series([None] * N, dtype=object),
        "coded": [1, 2] * (N // 2),
        "grip": ["full_crimp", "half_crimp", "open_hand", "full_crimp", "open_hand"] * (N // 5),
        "sex": ["female", "female", "male", "male"] * (N // 4),
        "sex_again": ["w", "w", "m", "m"] * (N // 4),
        "crimped": [True, False, False, True, False] * (N // 5),
        "half": [False, True, False, False, False] * (N // 5),
        "lonely": "jam",
        "seven": 7.0,
        "years": np.arange(N) % 13,
        "months": np.arange(N) % 13 * 12 + 1,
        "onset": pd.Timestamp("2021-05-01"),
        "endless": [np.inf, 1.0, 2.0] * (N // 3),
        "where": ["rock" if place % 7 else "unknown" for place in range(N)],
    }
)


@pytest.mark.parametrize(
    ("call", "kind", "words"),
    [
        ({"terms": ["lonely"]}, DataError, "term 'lonely' has the single level 'jam' in the 60 rows .* Leave the term"),
        ({"terms": ["grip", "seven"]}, DataError, "term 'seven' has the single level '7'"),
        ({"terms": ["where", "sex"]}, DataError, "term 'where' has the single level 'rock' in the 51 rows"),
        (
            {"outcome": "never", "terms": ["grip", "years"]},
            DataError,
            "outcome 'never' never happened in the 60 rows .*levels of 'grip': full_crimp, half_crimp, open_hand",
        ),
        ({"outcome": "always", "terms": ["sex"]}, DataError, "outcome 'always' always happened"),
        ({"outcome": "unsaid", "terms": ["sex"]}, DataError, "outcome 'unsaid' has no value in any row"),
        (
            {"outcome": "coded", "terms": ["sex"]},
            InputError,
            "outcome 'coded' must be true/false; it holds the numbers",
        ),
        ({"outcome": "grip", "terms": ["sex"]}, InputError, "outcome 'grip' must be true/false; it holds text"),
        (
            {"terms": ["grip"], "references": {"grip": "sloper"}},
            DataError,
            "has 'sloper', the reference of 'grip'; there are full_crimp, half_crimp, open_hand. Choose",
        ),
        (
            {"terms": ["grip"], "references": {"grip": "open_hnd"}},
            OptionError,
            "no level 'open_hnd' of 'grip' .*Did you mean 'open_hand'",
        ),
        ({"terms": ["where", "sex"], "references": {"where": "unknown"}}, AnnularyError, "'where'"),
        ({"terms": ["grip"], "references": {"sex": "male"}}, OptionError, "references names 'sex', which is no term"),
        (
            {"terms": ["years"], "references": {"years": 3}},
            InputError,
            "term 'years' holds 13 different numbers, which is a measurement and has no reference",
        ),
        (
            {"terms": ["sex", "grip", "sex_again"]},
            DataError,
            "'sex_again' at 'w' cannot be told apart from 'sex' at 'male'.*one of the terms 'sex', 'sex_again'",
        ),
        (
            {"terms": ["grip", "crimped"], "references": {"grip": "open_hand"}},
            DataError,
            "'crimped' at 'yes' cannot be told apart from 'grip' at 'full_crimp'",
        ),
        (
            {"terms": ["crimped", "half", "grip"], "references": {"grip": "full_crimp"}},
            DataError,
            "'grip' at 'half_crimp' cannot be told apart from 'half' at 'yes'",
        ),
        ({"terms": ["years", "months"]}, DataError, "'months' cannot be told apart from 'years'"),
        (
            {"terms": ["grip", "crimped"], "interactions": ["grip:crimped"]},
            DataError,
            "no row stands for 'grip:crimped' at 'half_crimp:yes'",
        ),
        ({"terms": ["grip"], "interactions": ["grip:sex"]}, OptionError, "interaction 'grip:sex' is not one of two"),
        ({"terms": ["grip", "sex"], "interactions": ["grip:grip"]}, OptionError, "the terms are grip, sex"),
        ({"terms": []}, InputError, "terms is empty"),
        ({"terms": ["grip", "grip"]}, InputError, "column 'grip' is given twice"),
        ({"terms": ["a2"]}, InputError, "column 'a2' is given twice"),
        ({"terms": ["grp"]}, ColumnError, "no column 'grp' .given as term.*Did you mean 'grip'"),
        ({"terms": ["grip"], "cluster": "climber"}, ColumnError, "no column 'climber' .given as cluster"),
        ({"terms": ["grip"], "people": "adults"}, ColumnError, "no column 'minor'"),
        ({"terms": ["onset"]}, InputError, "term 'onset' holds dates"),
        ({"terms": ["endless"]}, DataError, "term 'endless' is infinite in 20 rows"),
        ({"terms": ["unsaid"]}, DataError, "none of 60 rows has .* 'unsaid' .60 unsaid: not recorded"),
        ({"terms": ["grip"], "design": "matched"}, OptionError, "design is 'matched'; it is one of within_cases"),
        ({"terms": ["grip"], "firth": "sometimes"}, OptionError, "firth is 'sometimes'; it is one of when_sparse"),
        ({"terms": ["grip"], "conf_level": 95}, OptionError, "conf_level is 95"),
    ],
)
def test_what_cannot_be_asked(call: dict[str, Any], kind: type[AnnularyError], words: str) -> None:
    with pytest.raises(kind, match=words):
        adjusted_odds_ratios(FRAME, **{"outcome": "a2", **call})


def test_three_cases_with_too_many_terms() -> None:
    frame = {"a2": [True, False, False], "grip": ["jam", "pinch", "sloper"], "cold": [True, True, False]}
    words = "3 rows cannot hold a model of 4 coefficients .the intercept, 'grip' at 'pinch', 'jam'; 'cold' at 'yes'"
    with pytest.raises(DataError, match=words):
        adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "cold"], references={"grip": "sloper"})


def test_three_cases_with_one_term_have_notes_and_no_limits() -> None:
    frame = {"a2": [True, False, False], "grip": ["jam", "pinch", "pinch"]}
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip"], references={"grip": "pinch"})
    row = result.table[result.table["method"] == "logistic"].iloc[0]
    assert row["estimate"] == np.inf
    assert row[["conf_low", "conf_high", "p_value"]].isna().all()
    sentences = {note.code: note.sentence for note in result.notes}
    assert "The ratio of 'grip' at 'jam' is infinite" in sentences["separation"]
    assert "stand behind 'grip' at 'jam'" in sentences["few_events"]
    assert "No ratio of this model is finite" in sentences["no_finite_ratio"]
    assert "few_events_per_parameter" in sentences
    # Added half a row to each of 1, 0, 0, 2: Firth in a saturated table.
    beside = result.table[result.table["method"] == "firth"].iloc[0]
    assert beside["estimate"] == pytest.approx(1.5 * 2.5 / (0.5 * 0.5))
    assert beside["conf_low"] < 1 < beside["conf_high"]
