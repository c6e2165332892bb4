"""Pooled estimates: values from R, laws, and refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.missing.rubin import pool_estimates, rubin_rules
from registry.errors import InputError

TESTS = Path(__file__).resolve().parent.parent
CASES: list[dict[str, Any]] = json.loads((TESTS / "checks" / "missing_data.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_pooled_values_equal_the_check_values(case: dict[str, Any]) -> None:
    # Rubin 1987; Barnard & Rubin 1999, Biometrika 86:948; computed with R 4.2.2, mice 3.15.0.
    given_, expected = case["inputs"], case["expected"]
    pooled = pool_estimates(given_["Q"], given_["U"], n=given_["n"], parameters=given_["k"])
    row = pooled.table.iloc[0]
    names = {"estimate": "qbar", "within": "ubar", "between": "b", "total": "t", "df": "df", "fraction_missing": "fmi"}
    names["relative_increase"] = "r"
    for ours, theirs in names.items():
        assert row[ours] == pytest.approx(expected[theirs], abs=case["tolerance"]), ours
    assert [pooled.conf_low, pooled.conf_high] == pytest.approx(expected["qhat_ci"], abs=case["tolerance"])
    assert pooled.table["imputations"].tolist() == [5]


def test_tables_that_agree_miss_nothing() -> None:
    pooled = pool_estimates([0.5, 0.5, 0.5], [0.04, 0.04, 0.04], n=12, parameters=2)
    row = pooled.table.iloc[0]
    assert (row["fraction_missing"], row["between"], row["std_error"]) == (0, 0, pytest.approx(0.2))
    # Barnard & Rubin 1999: (df + 1) / (df + 3) * df of the observed rows, with df = 10.
    assert row["df"] == pytest.approx(11 / 13 * 10)


def test_many_rows_leave_rubins_degrees_of_freedom() -> None:
    row = pool_estimates([1.0, 3.0], [1.0, 1.0]).table.iloc[0]
    # (m - 1) / share^2, share = 1.5 * 2 / 4 (Rubin 1987, from memory).
    assert row["df"] == pytest.approx(1 / 0.75**2)
    assert pool_estimates([1.0, 1.0], [1.0, 1.0]).conf_high == pytest.approx(1 + 1.959963984540054)


NUMBERS = st.lists(st.floats(-5, 5), min_size=2, max_size=12)


@given(NUMBERS, st.floats(0.01, 4), st.floats(0.1, 10), st.floats(-10, 10))
def test_scale_shift_and_more_rows(values: list[float], variance: float, factor: float, shift: float) -> None:
    estimates = np.array(values)[:, None]
    spread = np.full_like(estimates, variance)
    one = rubin_rules(estimates, spread, df_complete=50)
    two = rubin_rules(factor * estimates + shift, factor**2 * spread, df_complete=50)
    assert two.estimate == pytest.approx(factor * one.estimate + shift, abs=1e-9)
    assert two.total == pytest.approx(factor**2 * one.total)
    assert two.df == pytest.approx(one.df, rel=1e-6)
    assert (rubin_rules(estimates, spread, df_complete=500).df >= one.df).all()
    assert ((one.fraction_missing >= 0) & (one.fraction_missing <= 1)).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: pool_estimates([1.0], [1.0]), "1 completed tables; two at least"),
        (lambda: pool_estimates([1.0, 2.0], [1.0]), "2 estimates and 1 variances"),
        (lambda: pool_estimates([1.0, float("nan")], [1.0, 1.0]), "1 of 2 estimates are not finite"),
        (lambda: pool_estimates([1.0, 2.0], [1.0, 0.0]), "1 of 2 variances are not above 0"),
        (lambda: pool_estimates([1.0, 2.0], [1.0, 1.0], n=2, parameters=2), "n is 2 and parameters 2"),
        (lambda: pool_estimates([1.0, 2.0], [1.0, 1.0], n="all"), "n is given as str; a number is needed"),  # type: ignore[arg-type]
        (lambda: pool_estimates(["x", 2.0], [1.0, 1.0]), "estimates must be a list of numbers"),  # type: ignore[list-item]
        (lambda: pool_estimates([[1.0], [2.0]], [1.0, 1.0]), "one parameter at a time"),  # type: ignore[list-item]
    ],
)
def test_what_cannot_be_pooled(call: Any, words: str) -> None:
    with pytest.raises(InputError, match=words):
        call()
