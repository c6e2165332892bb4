"""Two columns at once: every size, missing levels, trend, association and marks as one result."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.proportions import wilson_limits
from analysis.results import Distribution
from analysis.shares import distribution
from analysis.simultaneous import simultaneous_proportions
from analysis.trending.linear_trend import cochran_armitage, linear_by_linear

DIGITS = ["thumb", "index", "middle", "ring", "little"]


def registry_of(n: int, *, seed: int = 1) -> pd.DataFrame:
    """Findings: cases of climbers who repeat, some with two structures, some with nothing recorded."""
    random = np.random.default_rng(seed)
    cases = pd.DataFrame(
        {
            "site": "x",
            "case": np.arange(n),
            "climber": random.integers(0, max(1, 2 * n // 3), n),
            "digit": random.choice(DIGITS[1:], n),
            "side": random.choice(["left", "right"], n),
            "sex": random.choice(["female", "male"], n),
            "season": random.choice(["2023", "2024", "2025"], n),
            "pulley_grade": random.choice(["I", "II", "III", "IV", "not_gradable"], n),
            "structure": random.choice(["a2", "a3", "a4", "capsule"], n),
            "grip": None,
        }
    )
    return cases


def with_second_structures(cases: pd.DataFrame) -> pd.DataFrame:
    again = cases.iloc[::3].assign(structure="volar_plate")
    return pd.concat([cases, again], ignore_index=True)


def codes(result: Distribution) -> list[str]:
    return [note.code for note in result.notes]


PAIRS = [["digit", "side"], ["pulley_grade", "season"], ["sex", "pulley_grade"], ["digit", "grip"], ["site", "digit"]]


@pytest.mark.parametrize("n", [0, 3, 12, 80, 400])
@pytest.mark.parametrize("by", PAIRS, ids="+".join)
def test_every_size(n: int, by: list[str]) -> None:
    result = distribution(registry_of(n).drop(columns="structure"), by=by)
    table = result.table
    assert table["n"].sum() == n
    assert set(table["marked"]) <= {"", "+", "-"}
    tested = bool(len(result.tests))
    assert tested == bool(len(result.association))
    if n < 10 or "grip" in by or "site" in by:
        assert not tested
        if n:
            assert {"no_test", "too_few_to_test"} & set(codes(result))
    else:
        assert tested
        # A p-value is missing only where it says so: beside a simulated one, and of Cramér's V.
        assert set(result.tests.loc[result.tests["p_value"].isna(), "test"]) <= {"g_squared", "cramers_v"}
        assert "permutation_by_climber" in result.tests["test"].tolist()
    for low, high in (("conf_low", "conf_high"), ("sim_low", "sim_high")):
        assert table[low].isna().sum() == (len(table) if n == 0 else 0)
        assert (table[low].fillna(0) <= table[high].fillna(1)).all()


@pytest.mark.parametrize("n", [3, 12, 80, 400])
@pytest.mark.parametrize("by", [["structure", "digit"], ["structure", "sex"], ["structure", "grip"]], ids="+".join)
def test_every_size_of_findings(n: int, by: list[str]) -> None:
    result = distribution(with_second_structures(registry_of(n)), by=by)
    assert result.association.empty
    assert "no_pearson_on_findings" in codes(result)
    assert not {"pearson", "g_squared", "cramers_v"} & set(result.tests["test"])
    if n < 10 or "grip" in by:
        assert result.tests.empty
        assert {"no_test", "too_few_to_test"} & set(codes(result))
    else:
        assert "permutation_by_climber" in result.tests["test"].tolist()
        assert result.seed == 1
        recorded = result.table["residual"].notna()
        assert recorded.any()


def test_both_orders_of_the_columns_give_the_same_tests() -> None:
    rows = with_second_structures(registry_of(120))
    one, other = (distribution(rows, by=by) for by in (["structure", "digit"], ["digit", "structure"]))
    pd.testing.assert_frame_equal(one.tests, other.tests)
    left = one.table.set_index(["structure", "digit"])[["expected", "residual", "marked"]].sort_index()
    right = other.table.set_index(["structure", "digit"])[["expected", "residual", "marked"]].sort_index()
    pd.testing.assert_frame_equal(left, right)


def test_simultaneous_limits_are_goodmans() -> None:
    counts = {"thumb": 3, "index": 14, "middle": 40, "ring": 51, "little": 0}
    rows = pd.DataFrame({"digit": [digit for digit, n in counts.items() for _ in range(n)]})
    table = distribution(rows, by="digit").table
    wanted = simultaneous_proportions(counts, method="goodman").table
    assert table[["sim_low", "sim_high"]].to_numpy() == pytest.approx(
        wanted[["conf_low", "conf_high"]].to_numpy(), abs=1e-9
    )
    # Three columns: all 2 x 2 x 2 cells count, also those that are empty and not listed.
    three = pd.DataFrame({"a": list("xxyy"), "b": list("xyxy"), "c": list("xyyx")})
    low, high = wilson_limits(1, 4, conf_level=1 - 0.05 / 8)
    row = distribution(three, by=["a", "b", "c"]).table.iloc[0]
    assert (row["sim_low"], row["sim_high"]) == pytest.approx((low, high))


def test_trend_of_two_levels_over_seasons_and_of_two_orders() -> None:
    cases = registry_of(300).drop(columns=["climber", "structure"])
    result = distribution(cases, by=["season", "sex"])
    counts = pd.crosstab(cases["season"], cases["sex"]).to_numpy()
    found = result.tests.set_index("test")["statistic"]
    years = [2023, 2024, 2025]
    assert found["cochran_armitage"] == pytest.approx(cochran_armitage(counts, years).chi_square)
    graded = distribution(cases, by=["pulley_grade", "season"])
    ordered = pd.crosstab(cases["pulley_grade"], cases["season"]).drop("not_gradable").to_numpy()
    statistic = graded.tests.set_index("test").loc["linear_by_linear", "statistic"]
    assert statistic == pytest.approx(linear_by_linear(ordered, [1, 2, 3, 4], years).chi_square)
    assert "outside_the_order" in codes(graded)
    assert "cochran_armitage" not in graded.tests["test"].tolist()
    assert not {"linear_by_linear", "cochran_armitage"} & set(distribution(cases, by=["digit", "season"]).tests["test"])


def test_an_inflated_v_is_said() -> None:
    cases = registry_of(60, seed=3).drop(columns=["climber", "structure"])
    random = np.random.default_rng(1)
    many = cases.assign(squad=random.choice(list("abcdefghij"), 60))
    result = distribution(many, by=["squad", "digit"])
    first = result.association.iloc[0]
    assert ("cramers_v_inflated" in codes(result)) == bool(first["estimate"] > first["conf_high"])
    assert result.association["estimate"].tolist()[1] < first["estimate"]


def test_a_large_effect_is_marked_and_missing_levels_are_not() -> None:
    rows = {
        "digit": ["ring"] * 40 + ["middle"] * 40 + [None] * 9,
        "side": ["left"] * 38 + ["right"] * 42 + ["left"] * 9,
    }
    result = distribution(rows, by=["digit", "side"])
    marks = result.table.set_index(["digit", "side"])["marked"]
    assert marks[("ring", "left")] == "+"
    assert marks[("ring", "right")] == "-"
    assert marks[("not recorded", "left")] == ""
    assert "Holm" in result.method


@pytest.mark.parametrize("case", ["structure", "extent"])
def test_findings_that_differ_in_both_columns_are_units_of_one_climber(case: str) -> None:
    random = np.random.default_rng(7)
    rows = pd.DataFrame(
        {
            "site": "x",
            "case": np.repeat(np.arange(60), 2),
            "climber": np.repeat(np.arange(60), 2),
            "structure": random.choice(["a2", "a3", "a4"], 120),
            "extent": random.choice(["strain", "partial", "complete"], 120),
        }
    ).drop_duplicates(["case", "structure", "extent"])
    other: Any = "extent" if case == "structure" else "structure"
    result = distribution(rows, by=[case, other])
    assert "permutation_by_climber" in result.tests["test"].tolist()
    expected = result.table["expected"].sum()
    assert expected == pytest.approx(len(rows))
