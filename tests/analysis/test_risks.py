"""Risks compared: published tables, statsmodels' score limits, empty cells, numbers needed through infinity."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2_contingency
from statsmodels.stats.proportion import confint_proportions_2indep

from analysis.risk_measures import RISK_COLUMNS, Risks, risks
from registry.errors import InputError, OptionError

CHECKS = Path(__file__).resolve().parent.parent / "checks"
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case
    for name in ("odds_ratio", "risks")
    for case in json.loads((CHECKS / f"{name}.json").read_text(encoding="utf-8"))
}


def limits(result: Risks, measure: str, method: str) -> tuple[float, float]:
    row = result.row(measure, method)
    return row["conf_low"], row["conf_high"]


def test_aspirin() -> None:
    # Physicians' Health Study, Agresti 2002 p. 37 (printed values from memory); computed with R 4.2.2
    (a, b), (c, d) = CASES["OR-ASPIRIN"]["inputs"]["table"]
    expected, tolerance = CASES["OR-ASPIRIN"]["expected"], CASES["OR-ASPIRIN"]["tolerance"]
    result = risks(a, a + b, c, c + d)
    for measure, method, key in (
        ("risk_ratio", "katz", "RR"),
        ("risk_difference", "wald", "RD"),
        ("odds_ratio", "woolf", "OR"),
    ):
        assert result.row(measure, method)["estimate"] == pytest.approx(expected[key], abs=tolerance)
        assert limits(result, measure, method) == pytest.approx(expected[f"{key}_ci"], abs=tolerance)
    assert tuple(result.table.columns) == RISK_COLUMNS
    assert result.notes == ()
    assert "22071 of 22071 units used" in result.summary()


def test_how_many_aspirin_tablets() -> None:
    # Physicians' Health Study; computed with R 4.2.2 (tests/checks/risks.json)
    case = CASES["NNT-ASPIRIN"]
    expected, given_ = case["expected"], case["inputs"]
    result = risks(given_["a"], given_["n1"], given_["c"], given_["n0"])
    assert result.row("number_needed", "wald")["estimate"] == pytest.approx(expected["NNT"], abs=1e-6)
    assert limits(result, "number_needed", "wald") == pytest.approx(expected["ci"], abs=1e-6)
    fraction = result.row("attributable_fraction", "katz")
    assert fraction["estimate"] == pytest.approx(expected["AF_exposed"], abs=1e-6)


def test_a_small_trial_with_printed_limits() -> None:
    # Perondi 2004 as used in Fagerland, Lydersen & Laake 2015, SMMR 24:224-254 [printed value, second-hand]
    case = CASES["RD-PERONDI"]
    given_, printed, expected = case["inputs"], case["published"], case["expected"]
    result = risks(given_["x1"], given_["n1"], given_["x2"], given_["n2"])
    assert result.row("risk_ratio", "katz")["estimate"] == pytest.approx(expected["RR"], abs=1e-6)
    # What the paper prints as Koopman's is the score interval with the factor N / (N - 1).
    for method, key in (("katz", "RR_katz"), ("miettinen_nurminen", "RR_koopman")):
        low, high = limits(result, "risk_ratio", method)
        assert low == pytest.approx(printed[key][0], abs=0.005)
        assert high == pytest.approx(printed[key][1], abs=0.5)
    assert limits(result, "risk_difference", "wald") == pytest.approx(expected["wald"], abs=1e-6)
    assert limits(result, "risk_difference", "newcombe") == pytest.approx(expected["newcombe10"], abs=1e-6)


groups = st.tuples(st.integers(1, 40), st.integers(1, 60)).filter(lambda group: group[0] < group[1])


@given(groups, groups)
def test_statsmodels_gives_the_same_score_limits(first: tuple[int, int], second: tuple[int, int]) -> None:
    found = risks(*first, *second)
    for method, correction in (("score", False), ("miettinen_nurminen", True)):
        theirs = confint_proportions_2indep(*first, *second, compare="ratio", method="score", correction=correction)
        assert limits(found, "risk_ratio", method) == pytest.approx(theirs, rel=1e-4)
    cells = [[first[0], first[1] - first[0]], [second[0], second[1] - second[0]]]
    pearson = chi2_contingency(cells, correction=False).pvalue
    assert found.row("risk_ratio", "score")["p_value"] == pytest.approx(pearson, rel=1e-8)


any_group = st.tuples(st.integers(0, 30), st.integers(1, 30)).filter(lambda group: group[0] <= group[1])


@given(any_group, any_group)
def test_laws_of_risks(first: tuple[int, int], second: tuple[int, int]) -> None:
    found, turned = risks(*first, *second), risks(*second, *first)
    for method in ("katz", "score", "miettinen_nurminen"):
        low, high = limits(found, "risk_ratio", method)
        other_low, other_high = limits(turned, "risk_ratio", method)
        with np.errstate(divide="ignore"):
            assert (low, high) == pytest.approx(tuple(1 / np.array([other_high, other_low])), rel=1e-6, nan_ok=True)
    for line in found.table.itertuples():
        if math.isnan(line.conf_low) or line.measure == "number_needed":
            continue
        assert line.conf_low <= line.estimate + 1e-9
        assert line.estimate <= line.conf_high + 1e-9
    for method in ("wald", "newcombe"):
        low, high = limits(found, "risk_difference", method)
        assert found.row("number_needed", method)["through_infinity"] == (low <= 0 <= high)


def test_numbers_needed_through_infinity() -> None:
    result = risks(12, 60, 9, 60)
    low, high = limits(result, "risk_difference", "wald")
    needed = result.row("number_needed", "wald")
    assert (needed["estimate"], needed["conf_low"], needed["conf_high"]) == pytest.approx((20, 1 / low, 1 / high))
    assert needed["conf_low"] < 0 < needed["conf_high"]
    assert [note.code for note in result.notes] == ["through_infinity"]


def test_an_empty_cell_leaves_the_score_limits() -> None:
    result = risks(6, 20, 0, 22)
    assert result.row("risk_ratio", "katz")["estimate"] == math.inf
    assert math.isnan(result.row("risk_ratio", "katz")["conf_low"])
    low, high = limits(result, "risk_ratio", "score")
    assert low > 1
    assert high == math.inf
    assert [note.code for note in result.notes] == ["zero_cell"]


def test_what_cannot_be_compared_is_said() -> None:
    result = risks(0, 0, 3, 9)
    assert result.table["estimate"].isna().all()
    assert [note.code for note in result.notes] == ["no_units"]
    assert "few_events" in [note.code for note in risks(1, 9, 2, 9).notes]
    with pytest.raises(InputError, match="n1 is 9 and of1 is 3"):
        risks(9, 3, 1, 2)
    with pytest.raises(OptionError, match="between 0 and 1"):
        risks(1, 3, 1, 2, conf_level=95)
    with pytest.raises(OptionError, match="no measure 'risk_ratio' by method 'wald'"):
        result.row("risk_ratio", "wald")


def test_a_group_with_few_events_is_named_although_the_other_has_many() -> None:
    codes = [note.code for note in risks(1, 1000, 90, 1000).notes]
    assert codes == ["sparse_cells"]
    assert not risks(30, 100, 90, 1000).notes
