"""The odds ratio of one table: check values, the library as a second opinion, and laws."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import fisher_exact
from scipy.stats.contingency import odds_ratio

from analysis.two_by_two import WHOLE_SUPPORT, TwoByTwo, conditional_exact, conditional_mid_p, woolf

CHECKS = Path(__file__).resolve().parent.parent / "checks" / "odds_ratio.json"
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in json.loads(CHECKS.read_text(encoding="utf-8"))}


def case_of(name: str) -> tuple[TwoByTwo, dict[str, Any], float]:
    case = CASES[name]
    cells = case["inputs"].get("table_rowmajor", case["inputs"].get("table"))
    return TwoByTwo(*np.ravel(cells).tolist()), case["expected"], case["tolerance"]


def or_infinite(value: float | None) -> float:
    return math.inf if value is None else value


# Source and status of each case stand in tests/checks/odds_ratio.json (computed with R 4.2.2).
@pytest.mark.parametrize("name", ["OR-FISHER-TEA", "OR-FISHER-CONV"])
def test_fisher_equals_the_check_values(name: str) -> None:
    table, expected, tolerance = case_of(name)
    ratio = conditional_exact(table)
    assert ratio.estimate == pytest.approx(expected["OR_cmle"], abs=tolerance)
    assert (ratio.conf_low, ratio.conf_high) == pytest.approx(expected["ci"], abs=tolerance)
    assert ratio.p_value == pytest.approx(expected["p_two"], abs=tolerance)


@pytest.mark.parametrize("name", ["OR-EXACT-HP-TEA", "OR-EXACT-HP-CONV", "OR-EXACT-HP-ZERO"])
def test_exact_limits_are_solved_to_many_digits(name: str) -> None:
    table, expected, tolerance = case_of(name)
    ratio = conditional_exact(table)
    assert ratio.estimate == pytest.approx(or_infinite(expected["OR_cmle"]), abs=tolerance)
    wanted = [or_infinite(limit) for limit in expected["exact_ci"]]
    assert [ratio.conf_low, ratio.conf_high] == pytest.approx(wanted, abs=tolerance)
    assert [ratio.conf_low, ratio.conf_high] == pytest.approx(wanted, rel=1e-10)


@pytest.mark.parametrize("name", ["OR-MIDP-TEA", "OR-MIDP-CONV", "OR-MIDP-ZERO"])
def test_mid_p_and_woolf_equal_the_check_values(name: str) -> None:
    table, expected, tolerance = case_of(name)
    exact, mid, sample = conditional_exact(table), conditional_mid_p(table), woolf(table)
    assert exact.p_value == pytest.approx(expected["fisher_p"], abs=tolerance)
    assert [mid.conf_low, mid.conf_high] == pytest.approx([or_infinite(x) for x in expected["midp_ci"]], abs=tolerance)
    assert mid.p_value == pytest.approx(expected["midp_p_twice_one_tail"], abs=tolerance)
    assert mid.estimate == exact.estimate
    assert sample.estimate == pytest.approx(or_infinite(expected["OR"]), abs=tolerance)
    if expected["woolf"] is None:
        assert math.isnan(sample.conf_low)
        assert math.isnan(sample.conf_high)
    else:
        assert (sample.conf_low, sample.conf_high) == pytest.approx(expected["woolf"], abs=tolerance)


def test_aspirin() -> None:
    table, expected, tolerance = case_of("OR-ASPIRIN")
    ratio = woolf(table)
    assert ratio.estimate == pytest.approx(expected["OR"], abs=tolerance)
    assert (ratio.conf_low, ratio.conf_high) == pytest.approx(expected["OR_ci"], abs=tolerance)


def test_a_small_trial_with_printed_limits() -> None:
    # Perondi 2004 as used in Fagerland, Lydersen & Laake 2015, SMMR 24:224-254 [printed value, second-hand]
    inputs, printed = CASES["RD-PERONDI"]["inputs"], CASES["RD-PERONDI"]["published"]
    table = TwoByTwo(inputs["x1"], inputs["n1"] - inputs["x1"], inputs["x2"], inputs["n2"] - inputs["x2"])
    assert woolf(table).estimate == pytest.approx(CASES["RD-PERONDI"]["expected"]["OR"], abs=1e-6)
    for ratio, name in (
        (woolf(table), "OR_woolf"),
        (conditional_exact(table), "OR_cornfield_exact"),
        (conditional_mid_p(table), "OR_cornfield_midp"),
    ):
        assert ratio.conf_low == pytest.approx(printed[name][0], abs=0.005)
        assert ratio.conf_high == pytest.approx(printed[name][1], abs=0.5)


def test_surgery_and_bowstringing() -> None:
    # Bouyer et al. 2016, J Hand Surg Eur: printed 6.9 (1.1-42.8); the table 16, 2 / 7, 6 is the only one that fits.
    ratio = woolf(TwoByTwo(16, 2, 7, 6))
    assert ratio.estimate == pytest.approx(6.857, abs=5e-4)
    assert (ratio.conf_low, ratio.conf_high) == pytest.approx((1.0997, 42.758), abs=5e-4)
    assert [round(x, 1) for x in (ratio.estimate, ratio.conf_low, ratio.conf_high)] == [6.9, 1.1, 42.8]


@pytest.mark.parametrize("cells", [(0, 0, 3, 4), (0, 5, 0, 4), (1, 0, 0, 0), (0, 0, 0, 0)])
def test_an_empty_margin_says_nothing(cells: tuple[int, int, int, int]) -> None:
    table = TwoByTwo(*cells)
    for ratio in (conditional_exact(table), conditional_mid_p(table)):
        assert math.isnan(ratio.estimate)
        assert (ratio.conf_low, ratio.conf_high, ratio.p_value) == (0, math.inf, 1)
    assert math.isnan(woolf(table).estimate)


def test_an_empty_cell_gets_no_half() -> None:
    assert woolf(TwoByTwo(0, 5, 3, 2)).estimate == 0
    assert woolf(TwoByTwo(5, 0, 3, 2)).estimate == math.inf
    assert conditional_exact(TwoByTwo(0, 5, 3, 2)).conf_low == 0


def test_window_and_whole_support_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    cells = (1500, 2500, 1200, 4200)
    assert sum(cells[::2]) < WHOLE_SUPPORT
    whole = conditional_exact(TwoByTwo(*cells)), conditional_mid_p(TwoByTwo(*cells))
    monkeypatch.setattr("analysis.two_by_two.WHOLE_SUPPORT", 10)
    windowed = conditional_exact(TwoByTwo(*cells)), conditional_mid_p(TwoByTwo(*cells))
    for one, other in zip(whole, windowed, strict=True):
        assert (one.estimate, one.conf_low, one.conf_high) == pytest.approx(
            (other.estimate, other.conf_low, other.conf_high), rel=1e-11
        )


def test_a_million_rows_approach_woolf() -> None:
    table = TwoByTwo(50_000, 150_000, 70_000, 730_000)
    exact, sample = conditional_exact(table), woolf(table)
    assert exact.estimate == pytest.approx(sample.estimate, rel=1e-5)
    assert (exact.conf_low, exact.conf_high) == pytest.approx((sample.conf_low, sample.conf_high), rel=1e-4)


counts = st.integers(0, 25)
tables = st.builds(TwoByTwo, counts, counts, counts, counts)


@given(st.tuples(*[st.integers(1, 40)] * 4))
@settings(deadline=None, max_examples=30)
def test_scipy_agrees(cells: tuple[int, int, int, int]) -> None:
    theirs = odds_ratio([cells[:2], cells[2:]], kind="conditional")
    ours = conditional_exact(TwoByTwo(*cells))
    interval = theirs.confidence_interval(0.95)
    assert ours.estimate == pytest.approx(theirs.statistic, rel=2e-5)
    assert (ours.conf_low, ours.conf_high) == pytest.approx((interval.low, interval.high), rel=2e-5)
    assert ours.p_value == pytest.approx(fisher_exact([cells[:2], cells[2:]]).pvalue, rel=1e-8)


@settings(deadline=None, max_examples=40)
@given(tables)
def test_swapping_inverts(table: TwoByTwo) -> None:
    a, b, c, d = table.cells
    for estimate in (conditional_exact, conditional_mid_p, woolf):
        ratio = estimate(table)
        for turned in (TwoByTwo(c, d, a, b), TwoByTwo(b, a, d, c)):
            other = estimate(turned)
            with np.errstate(divide="ignore"):
                inverse = 1 / np.array([other.estimate, other.conf_high, other.conf_low])
            assert [ratio.estimate, ratio.conf_low, ratio.conf_high] == pytest.approx(inverse, rel=1e-9, nan_ok=True)
            assert ratio.p_value == pytest.approx(other.p_value, rel=1e-9, nan_ok=True)


@settings(deadline=None, max_examples=40)
@given(tables)
def test_limits_are_nested(table: TwoByTwo) -> None:
    exact, mid = conditional_exact(table), conditional_mid_p(table)
    assert exact.conf_low <= mid.conf_low * (1 + 1e-9)
    assert exact.conf_high >= mid.conf_high * (1 - 1e-9)
    for estimate in (conditional_exact, conditional_mid_p, woolf):
        narrow, wide = estimate(table, conf_level=0.8), estimate(table, conf_level=0.99)
        assume(not math.isnan(narrow.conf_low))
        assert wide.conf_low <= narrow.conf_low
        assert wide.conf_high >= narrow.conf_high
        if not math.isnan(narrow.estimate):
            assert narrow.conf_low <= narrow.estimate * (1 + 1e-9)
            assert narrow.conf_high >= narrow.estimate * (1 - 1e-9)


@settings(deadline=None, max_examples=40)
@given(tables)
def test_limits_and_p_value_of_mid_p_tell_the_same(table: TwoByTwo) -> None:
    mid = conditional_mid_p(table)
    assume(abs(mid.p_value - 0.05) > 1e-9)
    assert (mid.conf_low <= 1 <= mid.conf_high) == (mid.p_value > 0.05)
