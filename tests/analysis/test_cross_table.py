"""Chi-square with cells that cannot occur: published values, R, and laws."""

from __future__ import annotations

import itertools
import json
from math import factorial
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.crossing.cross_table import cross_table

TESTS = Path(__file__).resolve().parent.parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "tables.json").read_text(encoding="utf-8"))
}
REFERENCE = json.loads((TESTS / "reference" / "injury_tables" / "expected.json").read_text(encoding="utf-8"))


def values(tests: Any) -> dict[str, tuple[float, float, float]]:
    return {row.test: (row.statistic, row.df, row.p_value) for row in tests.itertuples()}


def test_four_by_four_equals_r() -> None:
    # Snee 1974, Am Stat 28:9-12 (R datasets::HairEyeColor over sex); computed with R 4.2.2, vcd 1.4.11
    case = CASES["TAB-CHI2-4x4"]
    expected, tolerance = case["expected"], case["tolerance"]
    result = cross_table(case["inputs"]["table"])
    found = values(result.tests)
    assert found["pearson"][:2] == pytest.approx((expected["chi2"], expected["df"]), abs=tolerance)
    assert found["pearson"][2] == pytest.approx(expected["p"], rel=1e-6)
    assert found["g_squared"][0] == pytest.approx(expected["G2"], abs=tolerance)
    assert found["cramers_v"][0] == pytest.approx(expected["cramers_v"], abs=tolerance)
    assert result.residual[0] == pytest.approx(expected["stdres_row1"], abs=tolerance)
    assert not result.simulated


def test_monte_carlo_equals_r() -> None:
    # Agresti 2002, Categorical Data Analysis, p. 57; Monte-Carlo value computed with R 4.2.2, tolerance in its notes
    case = CASES["TAB-FISHER-RC"]
    result = cross_table(case["inputs"]["table"], tables=400_000)
    statistic, df, p_value = values(result.tests)["pearson_monte_carlo"]
    assert (statistic, df) == pytest.approx((case["expected"]["chi2"], 9), abs=case["tolerance"])
    assert p_value == pytest.approx(case["expected"]["p_mc_chi2_B1e6"], abs=0.002)
    assert [note.code for note in result.notes] == ["sparse"]


def test_quasi_independence_equals_r() -> None:
    # computed with R 4.2.2 (a Poisson log-linear model): tests/reference/injury_tables/make.R
    wanted = REFERENCE["quasi_independence"]
    counts = np.array(wanted["counts"]).reshape(5, 5)
    possible = np.array([value is not None for value in wanted["expected"]]).reshape(5, 5)
    result = cross_table(counts, possible)
    expected = np.array(wanted["expected"], dtype=float).reshape(5, 5)
    residual = np.array(wanted["residual"], dtype=float).reshape(5, 5)
    assert result.expected[possible] == pytest.approx(expected[possible], abs=1e-6)
    assert (result.expected[~possible] == 0).all()
    assert (np.isnan(result.residual) == np.isnan(residual)).all()
    told = ~np.isnan(residual)
    assert result.residual[told] == pytest.approx(residual[told], abs=1e-6)
    found = values(result.tests)
    statistic, df, p_value = found["pearson_monte_carlo"]
    assert (statistic, df) == pytest.approx((wanted["pearson"][0], wanted["df"]), abs=1e-6)
    assert found["g_squared"][0] == pytest.approx(wanted["g_squared"][0], abs=1e-6)
    # The simulated p-value of a table this full lies near the one of the chi-square approximation.
    assert p_value == pytest.approx(wanted["p_value"][0], abs=0.05)


def test_tables_are_drawn_from_the_conditional_distribution() -> None:
    """All tables with these margins, weighted by 1 / product of factorials, give the p-value exactly."""
    counts = np.array([[2, 1, 0], [1, 2, 2], [0, 3, 4]])
    possible = np.array([[True, True, False], [True, True, True], [True, True, True]])
    result = cross_table(counts, possible, tables=200_000)
    rows, columns = counts.sum(axis=1), counts.sum(axis=0)
    pearson = values(result.tests)["pearson_monte_carlo"][0]
    total = extreme = 0.0
    for a, b, c in itertools.product(range(8), repeat=3):
        table = np.zeros((3, 3), dtype=int)
        table[0, :2] = (a, rows[0] - a)
        table[1] = (b, c, rows[1] - b - c)
        table[2] = columns - table[0] - table[1]
        if (table < 0).any():
            continue
        weight = 1 / np.prod([float(factorial(int(cell))) for cell in table.ravel()])
        distance = ((table - result.expected)[possible] ** 2 / result.expected[possible]).sum()
        total += weight
        extreme += weight * (distance >= pearson - 1e-9)
    # Binomial error at 200 000 draws is about 0.001.
    assert values(result.tests)["pearson_monte_carlo"][2] == pytest.approx(extreme / total, abs=0.005)


def test_same_seed_same_value() -> None:
    counts = [[3, 1, 2], [0, 4, 1]]
    first, again, other = (cross_table(counts, seed=seed).tests["p_value"][0] for seed in (5, 5, 6))
    assert first == again
    assert first == pytest.approx(other, abs=0.03)


@pytest.mark.parametrize("counts", [[[3, 4, 1]], [[2], [5]], [[0, 0], [0, 3]], np.zeros((0, 0))])
def test_one_level_cannot_be_tested(counts: Any) -> None:
    result = cross_table(counts)
    assert result.tests.empty
    assert [note.code for note in result.notes] == ["no_test"]


def test_thumbs_with_their_own_structures_only_leave_the_fingers_to_be_tested() -> None:
    possible = np.array([[True, False, True], [True, True, False], [True, True, False]])
    result = cross_table([[0, 0, 2], [9, 11, 0], [14, 8, 0]], possible)
    alone = cross_table([[9, 11], [14, 8]])
    assert values(result.tests)["pearson"] == pytest.approx(values(alone.tests)["pearson"])
    assert result.expected[0].tolist() == [0, 0, 2]


tables = arrays(np.int64, st.tuples(st.integers(2, 5), st.integers(2, 5)), elements=st.integers(0, 30))


@settings(deadline=None, max_examples=40)
@given(tables, st.randoms(use_true_random=False))
def test_order_of_rows_and_columns_does_not_matter(counts: Any, random: Any) -> None:
    rows, columns = list(range(counts.shape[0])), list(range(counts.shape[1]))
    random.shuffle(rows)
    random.shuffle(columns)
    one, other = cross_table(counts, tables=50), cross_table(counts[np.ix_(rows, columns)], tables=50)
    assert other.expected == pytest.approx(one.expected[np.ix_(rows, columns)], abs=1e-9)
    assert other.tests["statistic"].to_numpy() == pytest.approx(one.tests["statistic"].to_numpy(), abs=1e-9)
    assert other.tests["df"].to_numpy() == pytest.approx(one.tests["df"].to_numpy(), nan_ok=True)


@settings(deadline=None, max_examples=40)
@given(tables)
def test_expected_counts_keep_the_margins(counts: Any) -> None:
    result = cross_table(counts, tables=50)
    assert result.expected.sum(axis=0) == pytest.approx(counts.sum(axis=0), abs=1e-6)
    assert result.expected.sum(axis=1) == pytest.approx(counts.sum(axis=1), abs=1e-6)


def test_a_simulated_table_has_no_approximate_p_beside_it() -> None:
    # Expected counts by hand: 5 * 5 / 11 < 5, so that tables are drawn.
    tests = cross_table([[4, 1], [1, 5]], tables=50).tests.set_index("test")
    assert np.isnan(tests.loc["g_squared", "p_value"])
    assert 0 < tests.loc["pearson_monte_carlo", "p_value"] <= 1


def test_fewer_than_ten_rows_are_not_tested() -> None:
    # The threshold is our own choice; 9 and 10 rows, counted by hand.
    few, enough = cross_table([[4, 1], [1, 3]], tables=50), cross_table([[4, 1], [1, 4]], tables=50)
    assert few.tests.empty
    assert [note.code for note in few.notes] == ["too_few_to_test"]
    assert few.expected[0, 0] == pytest.approx(25 / 9)
    assert len(enough.tests) == 3
