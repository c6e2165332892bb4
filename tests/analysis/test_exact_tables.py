"""Exact tests of r x c tables and the generalised Cochran-Mantel-Haenszel test: check values, R, listing, laws."""

from __future__ import annotations

import itertools
import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.stats import fisher_exact

from analysis.exact_tables import exact_p, general_association
from analysis.stratified import mantel_haenszel
from registry.errors import DataError

TESTS = Path(__file__).resolve().parent.parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case
    for name in ("tables", "strata")
    for case in json.loads((TESTS / "checks" / f"{name}.json").read_text(encoding="utf-8"))
}
# computed with R 4.2.2 (fisher.test, mantelhaen.test): tests/reference/exact_tables/make.R
REFERENCE = json.loads((TESTS / "reference" / "exact_tables" / "tables.json").read_text(encoding="utf-8"))


def array_of(entry: dict[str, Any]) -> Any:
    return np.array(entry["by_column"], dtype=int).reshape(entry["dim"], order="F")


def test_job_satisfaction() -> None:
    # Agresti 2002, Categorical Data Analysis, p. 57 (printed 0.7827, from memory); computed with R 4.2.2
    case = CASES["TAB-FISHER-RC"]
    result = exact_p(case["inputs"]["table"])
    assert result.test == "fisher_exact"
    assert result.p_value == pytest.approx(case["expected"]["p_exact"], abs=1e-10)
    assert (result.std_error, result.tables, result.seed, result.sentence) == (0.0, 0, None, "")


def test_drawn_tables_are_named_and_near() -> None:
    # R's own Monte-Carlo p of a million tables lies 0.0005 from the exact one
    case = CASES["TAB-FISHER-RC"]
    result = exact_p(case["inputs"]["table"], limit=10, tables=20_000, seed=4)
    assert (result.test, result.tables, result.seed) == ("fisher_monte_carlo", 20_000, 4)
    assert "too large for the exact test" in result.sentence
    assert "20000 tables" in result.sentence
    assert abs(result.p_value - case["expected"]["p_exact"]) < 4 * result.std_error
    again = exact_p(case["inputs"]["table"], limit=10, tables=20_000, seed=4)
    assert again == result


@pytest.mark.parametrize("entry", REFERENCE["exact"], ids=lambda entry: entry["name"])
def test_r_gives_the_same_exact_p(entry: dict[str, Any]) -> None:
    result = exact_p(array_of(entry))
    assert result.test == "fisher_exact"
    assert result.p_value == pytest.approx(entry["p_exact"], rel=1e-8)


def listed(table: Any, possible: Any) -> float:
    """List every table with the same margins."""
    counts = np.asarray(table) * possible
    found: list[float] = []

    def go(row: int, left: Any, log_weight: float) -> None:
        if row == len(counts):
            if not left.any():
                found.append(log_weight)
            return
        most = [min(int(counts[row].sum()), int(n)) if can else 0 for n, can in zip(left, possible[row], strict=True)]
        for cells in itertools.product(*(range(n + 1) for n in most)):
            if sum(cells) == counts[row].sum():
                go(row + 1, left - np.array(cells), log_weight - sum(math.lgamma(n + 1) for n in cells))

    go(0, counts.sum(axis=0), 0.0)
    weights = np.exp(np.array(found))
    observed = math.exp(-sum(math.lgamma(n + 1) for n in counts.ravel()))
    return float(weights[weights <= observed * (1 + 1e-7)].sum() / weights.sum())


sides = st.tuples(st.integers(2, 3), st.integers(2, 3))
small = sides.flatmap(
    lambda shape: st.tuples(
        arrays(np.int64, shape, elements=st.integers(0, 2)), arrays(np.bool_, shape, elements=st.booleans())
    )
)


@settings(max_examples=15)
@given(small)
def test_listing_every_table_gives_the_same(drawn: tuple[Any, Any]) -> None:
    table, holes = drawn
    everywhere = np.ones(table.shape, dtype=bool)
    assume(table.sum() > 0)
    assert exact_p(table).p_value == pytest.approx(listed(table, everywhere), rel=1e-9)
    assume((table * holes).sum() > 0)
    assert exact_p(table, holes).p_value == pytest.approx(listed(table, holes), rel=1e-9)


@settings(max_examples=10)
@given(arrays(np.int64, st.tuples(st.integers(2, 4), st.integers(2, 4)), elements=st.integers(0, 4)), st.randoms())
def test_the_order_of_rows_and_columns_does_not_matter(table: Any, random: Any) -> None:
    assume(table.sum() > 0)
    rows, columns = list(range(table.shape[0])), list(range(table.shape[1]))
    random.shuffle(rows)
    random.shuffle(columns)
    wanted = exact_p(table).p_value
    assert exact_p(table[rows][:, columns]).p_value == pytest.approx(wanted, rel=1e-9)
    assert exact_p(table.T).p_value == pytest.approx(wanted, rel=1e-9)
    assert 0 < wanted <= 1


@settings(max_examples=20)
@given(arrays(np.int64, (2, 2), elements=st.integers(0, 40)))
def test_two_by_two_is_fishers_test(table: Any) -> None:
    assume((table.sum(axis=0) > 0).all() and (table.sum(axis=1) > 0).all())
    assert exact_p(table).p_value == pytest.approx(fisher_exact(table).pvalue, rel=1e-8)


def test_drawing_respects_impossible_cells() -> None:
    table = [[8, 3, 4], [2, 9, 5], [6, 4, 0]]
    possible = np.array([[True, True, True], [True, True, True], [True, True, False]])
    exact = exact_p(table, possible)
    drawn = exact_p(table, possible, limit=1, tables=20_000, seed=1)
    assert exact.test == "fisher_exact"
    assert abs(drawn.p_value - exact.p_value) < 4 * drawn.std_error


def test_holes_that_forbid_drawing_are_said() -> None:
    table = np.full((3, 3), 4)
    possible = ~np.eye(3, dtype=bool)
    assert exact_p(table, possible).test == "fisher_exact"
    result = exact_p(table, possible, limit=1)
    assert math.isnan(result.p_value)
    assert "let no table be drawn" in result.sentence


def test_what_is_no_table_is_refused() -> None:
    with pytest.raises(DataError, match=r"shape \(3,\)"):
        exact_p([1, 2, 3])
    with pytest.raises(DataError, match="negative, missing or not whole"):
        exact_p([[1, 2.5], [3, 4]])
    with pytest.raises(DataError, match="negative, missing or not whole"):
        exact_p([[1, math.nan], [3, 4]])
    with pytest.raises(DataError, match=r"shape \(2, 2\) does not go with flags of shape \(1, 2\)"):
        exact_p([[1, 2], [3, 4]], [[True, True]])
    with pytest.raises(DataError, match="the array has 2 sides"):
        general_association([[1, 2], [3, 4]])


def test_one_row_is_never_improbable() -> None:
    assert exact_p([[3, 4, 5]]).p_value == 1
    assert exact_p([[3, 4], [0, 0]]).p_value == 1
    assert exact_p([[0, 0], [0, 0]]).p_value == 1


def test_satisfaction_within_gender() -> None:
    # Agresti 2002, p. 288 (printed M2 = 10.2, p = 0.3345, from memory); computed with R 4.2.2
    case = CASES["CMH-GENERAL"]
    table = np.array(case["inputs"]["values_columnmajor"]).reshape(case["inputs"]["array_dims"], order="F")
    result = general_association(np.moveaxis(table, 2, 0))
    found = (result.statistic, result.df, result.p_value)
    assert found == pytest.approx(tuple(case["expected"][key] for key in ("M2", "df", "p")), abs=case["tolerance"])


@pytest.mark.parametrize("entry", REFERENCE["general"], ids=lambda entry: entry["name"])
def test_r_gives_the_same_general_association(entry: dict[str, Any]) -> None:
    result = general_association(np.moveaxis(array_of(entry), 2, 0))
    assert result.statistic == pytest.approx(entry["statistic"], rel=1e-10)
    assert result.df == entry["df"]
    assert result.p_value == pytest.approx(entry["p_value"], rel=1e-6)


@given(arrays(np.int64, st.tuples(st.integers(1, 4), st.just(2), st.just(2)), elements=st.integers(1, 30)))
def test_of_two_by_two_tables_it_is_the_cochran_mantel_haenszel_test(tables: Any) -> None:
    wanted = mantel_haenszel(tables).tests.set_index("test").loc["cochran_mantel_haenszel", "statistic"]
    assert general_association(tables).statistic == pytest.approx(wanted, rel=1e-8, abs=1e-10)


def test_strata_that_say_nothing_change_nothing() -> None:
    table = np.array([[[4, 2, 5], [1, 6, 3], [7, 2, 2]], [[3, 3, 1], [2, 5, 4], [6, 1, 1]]])
    more = np.concatenate([table, np.zeros((1, 3, 3), dtype=int), [[[1, 0, 0], [0, 0, 0], [0, 0, 0]]]])
    assert general_association(more) == general_association(table)
    wide = np.concatenate([table, np.zeros((2, 3, 1), dtype=int)], axis=2)
    assert general_association(wide) == general_association(table)
    nothing = general_association([[[3, 4], [0, 0]]])
    assert math.isnan(nothing.statistic)
    assert nothing.df == 0
