"""The pooled odds ratio and whether strata agree: check values, the library, and where the library fails."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from statsmodels.stats.contingency_tables import StratifiedTable

from analysis.stratified import mantel_haenszel

CHECKS = Path(__file__).resolve().parent.parent / "checks" / "odds_ratio.json"
CASES: dict[str, dict[str, Any]] = {case["id"]: case for case in json.loads(CHECKS.read_text(encoding="utf-8"))}
# In the order exposed events, exposed others, reference events, reference others
COLUMNS = {
    # Breslow & Day 1980, Tables 4.1-4.2; computed with R 4.2.2
    "MH-OESOPH": ("a_exp_case", "b_exp_ctrl", "c_unexp_case", "d_unexp_ctrl"),
    # Bickel, Hammel & O'Connell 1975 (R datasets::UCBAdmissions); computed with R 4.2.2
    "MH-BERKELEY": ("male_admitted", "male_rejected", "female_admitted", "female_rejected"),
}


@pytest.mark.parametrize("name", list(COLUMNS))
def test_published_strata(name: str) -> None:
    case = CASES[name]
    expected, tolerance = case["expected"], case["tolerance"]
    cells = np.array([case["inputs"][column] for column in COLUMNS[name]]).T
    result = mantel_haenszel(cells.reshape(-1, 2, 2))
    assert result.ratio.estimate == pytest.approx(expected["OR_MH"], abs=tolerance)
    assert (result.ratio.conf_low, result.ratio.conf_high) == pytest.approx(expected["ci_RBG"], abs=tolerance)
    assert result.ratio.p_value == pytest.approx(expected["p"], rel=1e-6)
    tests = result.tests.set_index("test")
    assert tests.loc["cochran_mantel_haenszel", "statistic"] == pytest.approx(expected["MH_chi2"], abs=tolerance)
    assert tests.loc["breslow_day"].tolist() == pytest.approx([expected["BD"], 5, expected["BD_p"]], abs=tolerance)
    assert tests.loc["tarone"].tolist() == pytest.approx([expected["tarone"], 5, expected["tarone_p"]], abs=tolerance)
    assert result.ratio.std_error == pytest.approx(expected["logSE_RBG"], abs=1e-9)
    assert result.ratio.statistic == pytest.approx(math.log(expected["OR_MH"]) / expected["logSE_RBG"], abs=1e-6)
    assert result.common.estimate == pytest.approx(expected["OR_conditional_MLE"], abs=tolerance)
    assert (result.common.conf_low, result.common.conf_high) == pytest.approx(expected["exact_ci"], abs=tolerance)


def test_woolfs_test_of_homogeneity() -> None:
    # computed with R 4.2.2 (hand formula of ?mantelhaen.test); with the half in every cell where one is empty
    cells = {name: np.array([CASES[name]["inputs"][key] for key in keys]).T for name, keys in COLUMNS.items()}
    berkeley = mantel_haenszel(cells["MH-BERKELEY"]).tests.set_index("test")
    expected = CASES["MH-BERKELEY"]["expected"]
    assert berkeley.loc["woolf_homogeneity"].tolist() == pytest.approx(
        [expected["woolf_chi2"], 5, expected["woolf_p"]], abs=1e-6
    )
    oesophagus = mantel_haenszel(cells["MH-OESOPH"]).tests.set_index("test")
    wanted = CASES["MH-OESOPH"]["expected"]["woolf_haldane"]["X2"]
    assert oesophagus.loc["woolf_homogeneity_haldane", "statistic"] == pytest.approx(wanted, abs=1e-6)
    assert "woolf_homogeneity" not in oesophagus.index


def test_a_pooled_ratio_of_exactly_one_can_be_tested() -> None:
    """The library divides by zero here, which is why the test is written out."""
    cells = [[[10, 5], [5, 10]], [[5, 10], [10, 5]]]
    with np.errstate(invalid="ignore", divide="ignore"):
        assert math.isnan(StratifiedTable([np.array(table) for table in cells]).test_equal_odds().statistic)
    result = mantel_haenszel(cells)
    assert result.ratio.estimate == 1
    # Expected a is 7.5 in both strata, its variance 7.5 / 4: 2 * 2.5^2 / 1.875
    assert result.tests.set_index("test").loc["breslow_day", "statistic"] == pytest.approx(20 / 3)


def test_strata_with_an_empty_margin_are_counted_and_say_nothing() -> None:
    telling = [[[10, 20], [5, 25]], [[8, 12], [6, 14]]]
    silent = [[[0, 0], [3, 9]], [[4, 0], [2, 0]]]
    result, alone = mantel_haenszel(telling + silent), mantel_haenszel(telling)
    assert (result.strata, result.empty) == (4, 2)
    assert result.ratio == alone.ratio
    assert result.tests.equals(alone.tests)


def test_nothing_to_pool() -> None:
    result = mantel_haenszel([[[4, 0], [2, 0]]])
    assert math.isnan(result.ratio.estimate)
    assert result.tests.empty
    assert mantel_haenszel([[[4, 0], [2, 3]]]).ratio.estimate == math.inf
    assert mantel_haenszel([[[0, 4], [2, 3]]]).ratio.estimate == 0
    assert math.isnan(mantel_haenszel([[[0, 4], [2, 3]]]).ratio.conf_low)


@settings(deadline=None, max_examples=50)
@given(arrays(np.int64, st.tuples(st.integers(1, 5), st.just(2), st.just(2)), elements=st.integers(1, 30)))
def test_the_library_agrees_and_swapping_inverts(cells: Any) -> None:
    result, turned = mantel_haenszel(cells), mantel_haenszel(cells[:, ::-1])
    ratio = result.ratio
    inverse = [1 / turned.ratio.estimate, 1 / turned.ratio.conf_high, 1 / turned.ratio.conf_low]
    assert [ratio.estimate, ratio.conf_low, ratio.conf_high] == pytest.approx(inverse, rel=1e-9)
    assert result.tests["statistic"].to_numpy() == pytest.approx(turned.tests["statistic"].to_numpy(), abs=1e-7)
    if len(cells) > 1 and abs(math.log(ratio.estimate)) > 1e-3:
        theirs = StratifiedTable([table.astype(float) for table in cells])
        found = result.tests.set_index("test")["statistic"]
        assert found["breslow_day"] == pytest.approx(theirs.test_equal_odds().statistic, rel=1e-6, abs=1e-6)
        assert found["tarone"] == pytest.approx(theirs.test_equal_odds(adjust=True).statistic, rel=1e-6, abs=1e-6)
