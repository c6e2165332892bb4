"""Odds ratios at the edge: rare levels, strata that compare nothing, climbers as levels, lists for a column."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest

from analysis.odds import odds_ratios
from analysis.results import OddsRatios
from registry.errors import InputError

ROWS = pd.DataFrame(
    {
        "a2": [True, False, False, True, True, False, False, True] * 5,
        "grip": ["jam", "jam", "pinch", "pinch", "jam", "pinch", "jam", "pinch"] * 5,
        "climber": [f"c{place % 7}" for place in range(40)],
        "alone": [f"s{place}" for place in range(40)],
    }
)


def codes(result: OddsRatios) -> list[str]:
    return [note.code for note in result.notes]


def sentence(result: OddsRatios, code: str) -> str:
    return next(note.sentence for note in result.notes if note.code == code)


def test_a_rare_level_is_named_although_its_reference_is_full() -> None:
    rows = ROWS.assign(grip=["mono"] * 3 + ROWS["grip"].tolist()[3:]).drop(columns="climber")
    result = odds_ratios(rows, outcome="a2", exposure="grip", reference="pinch")
    assert codes(result) == ["sparse_cells"]
    assert "fewer than 5 rows at mono: read the exact limits" in sentence(result, "sparse_cells")


def test_strata_that_compare_nothing_give_no_pooled_ratio_and_say_so() -> None:
    result = odds_ratios(ROWS, outcome="a2", exposure="grip", reference="pinch", strata="alone")
    assert "No stratum of 'alone' compares jam with the reference (all 40 have" in sentence(
        result, "no_stratum_compares"
    )
    pooled = result.table[result.table["method"] == "mantel_haenszel"]
    assert pooled["estimate"].isna().all()
    assert "pooled_without_limits" not in codes(result)


def test_climbers_as_levels_have_no_limits_over_climbers() -> None:
    result = odds_ratios(ROWS, outcome="a2", exposure="climber")
    assert set(result.table["level"]) == {f"c{place}" for place in range(1, 7)}
    assert result.table["robust_low"].isna().all()
    assert "climbers_compared" in codes(result)


@pytest.mark.parametrize(
    ("call", "role"),
    [
        ({"exposure": ["grip"]}, "exposure"),
        ({"exposure": "grip", "outcome": ["a2"]}, "outcome"),
        ({"exposure": "grip", "strata": ["alone"]}, "strata"),
    ],
)
def test_a_list_is_no_column(call: dict[str, Any], role: str) -> None:
    with pytest.raises(InputError, match=f"{role} is the name of one column, a text; got list"):
        odds_ratios(ROWS, **{"outcome": "a2", **call})


@pytest.mark.parametrize("name", ["x_", "x__2", "products", "climbers", "level_2", "happened"])
@pytest.mark.parametrize("role", ["a2", "grip"])
def test_a_column_may_be_called_as_a_sum_over_climbers_is(name: str, role: str) -> None:
    columns = {each: name if each == role else each for each in ("a2", "grip")}
    plain = odds_ratios(ROWS, outcome="a2", exposure="grip", reference="pinch")
    rows = ROWS.rename(columns={role: name})
    renamed = odds_ratios(rows, outcome=columns["a2"], exposure=columns["grip"], reference="pinch")
    limits = ["estimate", "robust_low", "robust_high"]
    assert renamed.table[limits].to_numpy() == pytest.approx(plain.table[limits].to_numpy(), nan_ok=True, rel=1e-12)
    assert plain.table["robust_low"].notna().sum() == 1


def test_limits_that_rest_on_few_climbers_are_named() -> None:
    few = odds_ratios(ROWS, outcome="a2", exposure="grip")
    assert sentence(few, "few_clusters").startswith(
        "The limits that respect repeaters rest on fewer than 10 climbers at"
    )
    rows = ROWS.assign(climber=[f"c{n // 2}" for n in range(40)])
    many = odds_ratios(rows, outcome="a2", exposure="grip", reference="pinch")
    assert codes(many) == ["climbers_repeat"]


def test_levels_by_the_hundred_are_names() -> None:
    rows = pd.concat([ROWS] * 6, ignore_index=True).assign(key=[f"k{place}" for place in range(240)])
    with pytest.raises(InputError, match="exposure 'key' has 240 levels; more than 200 are names"):
        odds_ratios(rows, outcome="a2", exposure="key")
