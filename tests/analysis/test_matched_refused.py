"""What matched odds ratios refuse, and that each sentence names the columns and levels."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from analysis.matched import matched_odds_ratios
from registry.errors import ColumnError, DataError, InputError, OptionError

FRAME = pd.DataFrame(
    {
        "pair": [1, 1, 2, 2, 3, 3, 4, 4],
        "hurt": [True, False] * 4,
        "grip": ["crimp", "open", "open", "crimp", "crimp", "open", "open", "open"],
        "sex": ["male"] * 4 + ["female"] * 4,
        "hold": ["small", "big", "big", "small", "small", "big", "big", "big"],
        "age": [20.0, 30, 25, 31, 28, 22, 40, 33],
        "day": pd.to_datetime(["2024-01-01"] * 8),
    }
)


def asked(frame: Any = FRAME, **options: Any) -> Any:
    return matched_odds_ratios(frame, **{"outcome": "hurt", "terms": ["grip"], "matched_on": "pair", **options})


@pytest.mark.parametrize(
    ("options", "error", "sentence"),
    [
        ({"outcome": "hurts"}, ColumnError, r"no column 'hurts' \(given as outcome\).*Did you mean 'hurt'"),
        ({"terms": ["grips"]}, ColumnError, r"no column 'grips' \(given as term\)"),
        ({"matched_on": "set"}, ColumnError, r"no column 'set' \(given as matched_on\)"),
        ({"cluster": "climbr"}, ColumnError, r"no column 'climbr' \(given as cluster\)"),
        ({"terms": []}, InputError, "terms is empty"),
        ({"matched_on": []}, InputError, "matched_on is empty"),
        ({"terms": ["grip", "grip"]}, InputError, "column 'grip' is given twice"),
        ({"terms": ["grip", "pair"]}, InputError, "column 'pair' is given twice"),
        ({"terms": ["day"]}, InputError, "term 'day' holds dates"),
        ({"outcome": "grip", "terms": ["hold"]}, InputError, "outcome 'grip' must be true/false; it holds text"),
        ({"references": {"hold": "big"}}, OptionError, "references names 'hold', which is no term"),
        ({"references": {"grip": "opne"}}, OptionError, "no level 'opne' of 'grip'.*Did you mean 'open'"),
        ({"references": {"grip": "unknown"}}, OptionError, "'unknown' cannot be the reference of 'grip'"),
        ({"references": {"grip": "sloper"}}, DataError, "no row that can be compared has 'sloper', the reference of"),
        ({"conf_level": 95}, OptionError, "conf_level is 95"),
        ({"people": "adults"}, ColumnError, "no column 'minor'"),
        ({"terms": ["sex"]}, DataError, r"in each of the 4 sets .* all members are alike in 'sex'"),
        ({"terms": ["grip", "sex"]}, DataError, "'sex' is the same for all members of every matched set"),
        (
            {"terms": ["grip", "age", "hold"]},
            DataError,
            "within the matched sets 'hold' at 'small', 'grip' at 'open' are collinear.*one of 'grip' and 'hold'",
        ),
    ],
)
def test_a_call_that_cannot_be_answered(options: dict[str, Any], error: type[Exception], sentence: str) -> None:
    with pytest.raises(error, match=sentence):
        asked(**options)


def test_an_outcome_that_never_or_always_happened() -> None:
    with pytest.raises(DataError, match=r"outcome 'hurt' never happened in the 8 rows .*terms 'grip'.*\(cases\)"):
        asked(FRAME.assign(hurt=False))
    with pytest.raises(DataError, match=r"outcome 'hurt' always happened in the 8 rows .*\(referents\)"):
        asked(FRAME.assign(hurt=True))


def test_sets_without_a_case_or_without_a_referent() -> None:
    apart = FRAME.assign(pair=range(8))
    with pytest.raises(
        DataError, match=r"none of the 8 sets of 'pair' has both a case.*4 are without a case, 4 without"
    ):
        asked(apart)
    half = FRAME.assign(hurt=[True, True, False, False, True, True, False, False])
    with pytest.raises(DataError, match=r"none of the 4 sets .*2 are without a case, 2 without a referent"):
        asked(half)


def test_an_exposure_with_one_level() -> None:
    with pytest.raises(DataError, match="'grip' has the single level 'crimp' in the 8 rows"):
        asked(FRAME.assign(grip="crimp"))
    with pytest.raises(DataError, match="'age' has the single level '30' in the 8 rows"):
        asked(FRAME.assign(age=30.0), terms=["age"])


def test_sets_that_are_all_alike_inside() -> None:
    alike = FRAME.assign(grip=["crimp"] * 4 + ["open"] * 4)
    with pytest.raises(DataError, match=r"in each of the 4 sets .* all members are alike in 'grip'"):
        asked(alike)


def test_a_reference_that_no_set_compares() -> None:
    frame = FRAME.assign(grip=["crimp", "jam", "jam", "crimp", "crimp", "jam", "open", "open"])
    with pytest.raises(DataError, match=r"no matched set compares a level of 'grip' with its reference \(open\)"):
        asked(frame, references={"grip": "open"})


def test_nothing_to_compare() -> None:
    with pytest.raises(DataError, match=r"'grip' has no value in any row|no row can be compared"):
        asked(FRAME.assign(grip=None))
    with pytest.raises(DataError, match=r"no row can be compared \(8: grip: unknown\)"):
        asked(FRAME.assign(grip="unknown"))
    with pytest.raises(DataError, match=r"has no value in any row|the table is empty"):
        asked(FRAME.iloc[:0])


def test_a_measurement_without_end() -> None:
    with pytest.raises(DataError, match="term 'age' is infinite in 1 rows"):
        asked(FRAME.assign(age=[float("inf"), *range(7)]), terms=["age"])


def test_keys_of_sets_belong_to_their_site() -> None:
    frame = FRAME.rename(columns={"pair": "match_set"}).assign(site=["x", "y"] * 4)
    with pytest.raises(DataError, match=r"4 keys in 'match_set' are used by several sites.*\['site', 'match_set'\]"):
        asked(frame, matched_on="match_set")


def test_a_registry_has_no_referents_among_its_cases() -> None:
    class Opened:
        table = base = None

    with pytest.raises(InputError, match=r"referents.compared\(registry, design='matched'"):
        asked(Opened())
