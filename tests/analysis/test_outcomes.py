"""Outcomes in words: values, several conditions, true/false and 0/1 columns, and what cannot be judged."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from analysis.mechanism import mechanism_odds
from analysis.outcomes import COMPLETE_A2, read_outcome, with_outcome
from registry.door import enter
from registry.errors import ColumnError, InputError, OptionError

CASES = pd.DataFrame(
    {
        "main_structure": ["a2", "a2", "a4", None, "a2", "a4", None],
        "main_extent": ["complete", "partial", "complete", "complete", "unknown", None, "partial"],
        "has_a2": [1, 1, 0, 0, 1, 0, 0],
        "minor": [True, False, None, False, True, False, False],
        "structures": ["a2+a3", "a2", "a4", None, "a2", "a4", None],
        "season": ["2024"] * 7,
    }
)


def judged(words: str) -> list[Any]:
    outcome = read_outcome(words)
    found = with_outcome(enter(CASES), outcome).collect().to_pandas()[outcome.name]
    return [None if pd.isna(value) else bool(value) for value in found]


def test_one_condition_that_fails_is_enough_and_one_that_cannot_be_judged_is_not() -> None:
    # By hand: the fourth lacks a structure, the fifth an extent; the sixth is no A2; the seventh is not complete.
    assert judged(COMPLETE_A2) == [True, False, False, None, None, False, False]
    assert judged("main_structure=a2&main_extent=complete") == judged(COMPLETE_A2)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("has_a2=1", [True, True, False, False, True, False, False]),
        ("has_a2=yes", [True, True, False, False, True, False, False]),
        ("has_a2=no", [False, False, True, True, False, True, True]),
        ("minor=yes", [True, False, None, False, True, False, False]),
        ("minor=false", [False, True, None, True, False, True, True]),
        ("structures=a2+a3", [True, False, False, None, False, False, None]),
        ("main_extent=fracture", [False, False, False, False, None, None, False]),
    ],
)
def test_flags_and_codes(words: str, said: list[Any]) -> None:
    assert judged(words) == said


@pytest.mark.parametrize(
    ("words", "error", "said"),
    [
        ("main_structure=A2", OptionError, "no case has 'A2' as 'main_structure'; it is one of a1, a2"),
        ("main_structure=unknown", OptionError, "'unknown' says that it is not known"),
        ("has_a2=2", OptionError, "no case has '2' as 'has_a2'; it is one of 0, 1"),
        ("minor=perhaps", OptionError, "'minor' is yes or no; 'perhaps' is neither"),
        ("main_structure=a2+main_structure=a4", OptionError, "names 'main_structure' twice"),
        ("main_structure", OptionError, "is written COLUMN=VALUE"),
        ("main_structure=a2+=x", OptionError, "is written COLUMN=VALUE"),
        ("main_structur=a2", ColumnError, "Did you mean 'main_structure'"),
    ],
)
def test_what_cannot_be_read_is_refused(words: str, error: type[Exception], said: str) -> None:
    with pytest.raises(error, match=said):
        judged(words)


def test_values_of_a_column_without_a_code_list_are_not_listed() -> None:
    with pytest.raises(OptionError, match="no case has '1999' as 'season'") as caught:
        judged("season=1999")
    assert "2024" not in str(caught.value)


def frame() -> pd.DataFrame:
    return pd.concat([CASES] * 6, ignore_index=True).assign(grip=["jam", "pinch", "sloper"] * 14, site="north")


def test_an_exposure_of_the_outcome_is_refused_and_one_of_the_same_findings_is_told() -> None:
    with pytest.raises(InputError, match="'main_extent' is what the outcome"):
        mechanism_odds(frame(), outcome=COMPLETE_A2, exposures="grip", adjust="main_extent")
    told = mechanism_odds(frame(), outcome="main_extent=complete", exposures="main_structure")
    assert "same_findings" in {note.code for note in told.notes}
    quiet = mechanism_odds(frame(), outcome="main_extent=complete", exposures="grip")
    assert "same_findings" not in {note.code for note in quiet.notes}


def test_a_trend_needs_levels_in_order() -> None:
    with pytest.raises(OptionError, match=r"trend 'grip': its levels \(sloper, pinch, jam\) have no order"):
        mechanism_odds(frame(), outcome="main_extent=complete", exposures="grip", trend="grip")
    ordered = pd.Categorical(frame()["grip"], categories=["jam", "pinch", "sloper"], ordered=True)
    found = mechanism_odds(frame().assign(grip=ordered), outcome="main_extent=complete", exposures="grip", trend="grip")
    assert "cochran_armitage" in set(found.tests["test"])


def test_strata_that_the_model_leaves_out_are_told() -> None:
    result = mechanism_odds(
        frame().assign(sex=["female", "male"] * 21, setting=["indoor"] * 20 + ["outdoor"] * 22),
        outcome="main_extent=complete",
        exposures="grip",
        strata="sex",
        adjust="setting",
        firth="never",
    )
    assert any("not adjusted for 'sex'" in note.sentence for note in result.notes)
