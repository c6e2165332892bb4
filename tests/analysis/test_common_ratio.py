"""The common odds ratio of strata with exact limits: published strata, R, one stratum, laws, and many rows."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.common_ratio import CommonConditional, common_exact
from analysis.two_by_two import TwoByTwo, conditional_exact

TESTS = Path(__file__).resolve().parent.parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "odds_ratio.json").read_text(encoding="utf-8"))
}
# computed with R 4.2.2 (mantelhaen.test, exact = TRUE): tests/reference/exact_tables/make.R
REFERENCE = json.loads((TESTS / "reference" / "exact_tables" / "tables.json").read_text(encoding="utf-8"))["common"]
COLUMNS = {
    # Breslow & Day 1980, Tables 4.1-4.2; computed with R 4.2.2
    "MH-OESOPH": ("a_exp_case", "b_exp_ctrl", "c_unexp_case", "d_unexp_ctrl"),
    # Bickel, Hammel & O'Connell 1975; computed with R 4.2.2
    "MH-BERKELEY": ("male_admitted", "male_rejected", "female_admitted", "female_rejected"),
}


@pytest.mark.parametrize("name", list(COLUMNS))
def test_published_strata(name: str) -> None:
    case = CASES[name]
    result = common_exact(np.array([case["inputs"][column] for column in COLUMNS[name]]).T)
    assert result.estimate == pytest.approx(case["expected"]["OR_conditional_MLE"], abs=1e-9)
    assert (result.conf_low, result.conf_high) == pytest.approx(case["expected"]["exact_ci"], abs=1e-9)


@pytest.mark.parametrize("entry", REFERENCE, ids=lambda entry: entry["name"])
def test_r_gives_the_same(entry: dict[str, Any]) -> None:
    counts = np.moveaxis(np.array(entry["by_column"]).reshape(entry["dim"], order="F"), 2, 0)
    result = common_exact(counts)
    assert result.p_value == pytest.approx(entry["p_exact"], rel=1e-6)
    # R solves estimate and limits only to about 1e-4 of a root between 0 and 1 (its uniroot's default).
    assert result.estimate == pytest.approx(entry["estimate"], rel=5e-4)
    assert (result.conf_low, result.conf_high) == pytest.approx(entry["limits"], rel=5e-4)


strata = arrays(np.int64, st.tuples(st.integers(1, 4), st.just(2), st.just(2)), elements=st.integers(0, 12))


@settings(max_examples=12)
@given(strata)
def test_laws_of_the_common_ratio(tables: Any) -> None:
    result = common_exact(tables)
    assume(not math.isnan(result.estimate))
    assert result.conf_low <= result.estimate * (1 + 1e-9)
    assert result.estimate <= result.conf_high * (1 + 1e-9)
    assert common_exact(tables[::-1]).p_value == pytest.approx(result.p_value, rel=1e-9)
    turned = common_exact(tables[:, ::-1])
    with np.errstate(divide="ignore"):
        inverse = 1 / np.array([turned.estimate, turned.conf_high, turned.conf_low])
    assert [result.estimate, result.conf_low, result.conf_high] == pytest.approx(inverse, rel=1e-8)
    wide = common_exact(tables, conf_level=0.99)
    assert wide.conf_low <= result.conf_low
    assert wide.conf_high >= result.conf_high
    silent = np.concatenate([tables, [[[0, 0], [3, 9]], [[4, 0], [2, 0]]]])
    numbers = [(r.estimate, r.conf_low, r.conf_high, r.p_value) for r in (result, common_exact(silent))]
    assert numbers[0] == pytest.approx(numbers[1], rel=1e-9)


@given(st.tuples(*[st.integers(0, 20)] * 4))
def test_one_stratum_is_the_table_alone(cells: tuple[int, int, int, int]) -> None:
    alone, common = conditional_exact(TwoByTwo(*cells)), common_exact([cells])
    numbers = [(r.estimate, r.conf_low, r.conf_high, r.p_value) for r in (alone, common)]
    assert numbers[0] == pytest.approx(numbers[1], rel=1e-9, nan_ok=True)


def test_the_sum_of_strata_by_hand() -> None:
    # Each stratum has one exposed event of two rows and two events: the sum is binomial in ratio / (1 + ratio).
    result = common_exact([[[1, 0], [0, 1]]] * 4 + [[[0, 1], [1, 0]]])
    assert result.estimate == pytest.approx(4)
    assert result.p_value == pytest.approx(2 * 6 / 32)


def test_nothing_to_pool() -> None:
    for tables in (np.zeros((0, 2, 2)), [[[4, 0], [2, 0]]]):
        result = common_exact(tables)
        assert math.isnan(result.estimate)
        assert (result.conf_low, result.conf_high, result.p_value) == (0, math.inf, 1)


def test_many_rows_take_the_fast_way_and_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    tables = np.array([[900, 2100, 700, 2600], [1500, 2500, 1200, 4200], [40, 50, 60, 70]])
    slow = common_exact(tables)
    monkeypatch.setattr("analysis.common_ratio.FAST_SUM", 100)
    monkeypatch.setattr("analysis.two_by_two.WHOLE_SUPPORT", 10)
    fast = common_exact(tables)
    assert (fast.estimate, fast.conf_low, fast.conf_high) == pytest.approx(
        (slow.estimate, slow.conf_low, slow.conf_high), rel=1e-10
    )


def test_a_p_value_beyond_the_null_is_twice_its_nearer_tail(monkeypatch: pytest.MonkeyPatch) -> None:
    tables = [TwoByTwo(50, 5, 5, 50)] * 3
    exact = CommonConditional(tables).p_exact
    assert exact == pytest.approx(3.3055801486752604e-56, rel=1e-6)  # symmetric: the two tails are equal
    monkeypatch.setattr("analysis.common_ratio.WHOLE_SUM", 0)
    assert CommonConditional(tables).p_exact == pytest.approx(exact, rel=1e-9)
    turned = [TwoByTwo(5, 50, 50, 5)] * 3
    assert CommonConditional(turned).p_exact == pytest.approx(exact, rel=1e-9)
    everywhere = [TwoByTwo(60, 0, 0, 60)] * 2
    assert CommonConditional(everywhere).p_exact == pytest.approx(2 / math.comb(120, 60) ** 2, rel=1e-9)


def test_strata_with_the_same_margins_are_summed_once_and_give_the_same() -> None:
    """Against the sum of the strata one after the other, by hand."""
    tables = [TwoByTwo(2, 1, 1, 3), TwoByTwo(1, 2, 2, 2), TwoByTwo(2, 1, 1, 3), TwoByTwo(5, 2, 3, 6)] * 7
    whole = np.ones(1)
    for table in tables:
        whole = np.convolve(whole, table.conditional.around_mode(0.3)[1])
    common = CommonConditional(tables)
    assert len(common.alike) == 2
    counts, probabilities = common.around_mode(0.3)
    assert counts[0] == common.low
    assert probabilities == pytest.approx(whole / whole.sum(), rel=1e-10, abs=1e-18)
