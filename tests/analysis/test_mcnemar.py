"""McNemar's tests and the exact ratio of discordant pairs: published pairs, R, laws."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import mcnemar

from analysis.matching.mcnemar import mcnemar_tests, paired_odds_ratio
from registry.errors import OptionError

TESTS = Path(__file__).resolve().parent.parent
CHECKS: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "matched.json").read_text(encoding="utf-8"))
}
# computed with R 4.2.2: tests/reference/matched/make.R
PAIRS = pd.read_csv(TESTS / "reference" / "matched" / "pairs.csv")


def test_approval_ratings() -> None:
    # Agresti, Categorical Data Analysis (approval ratings; R ?mcnemar.test); computed with R 4.2.2
    case = CHECKS["MCNEMAR-1"]
    expected, tolerance = case["expected"], case["tolerance"]
    (_, case_only), (referent_only, _) = case["inputs"]["table_rowmajor"]
    ratio, tests = paired_odds_ratio(case_only, referent_only), mcnemar_tests(case_only, referent_only)
    assert ratio.estimate == pytest.approx(expected["OR_150_over_86"], abs=tolerance)
    assert [ratio.conf_low, ratio.conf_high] == pytest.approx(expected["OR_exact_ci"], abs=tolerance)
    assert ratio.p_value == pytest.approx(expected["p_exact"], abs=tolerance)
    found = tests.set_index("test")
    assert found.loc["mcnemar", "statistic"] == pytest.approx(expected["chi2"], abs=tolerance)
    assert found.loc["mcnemar", "p_value"] == pytest.approx(expected["p"], abs=tolerance)
    assert found.loc["mcnemar_corrected", "statistic"] == pytest.approx(expected["chi2_cc"], abs=tolerance)
    assert found.loc["mcnemar_corrected", "p_value"] == pytest.approx(expected["p_cc"], abs=tolerance)
    assert found.loc["mcnemar_exact", "p_value"] == pytest.approx(expected["p_exact"], abs=tolerance)


@pytest.mark.parametrize("wanted", list(PAIRS.itertuples()), ids=lambda row: f"{row.case_only}-{row.referent_only}")
def test_pairs_as_r_gives_them(wanted: Any) -> None:
    ratio = paired_odds_ratio(wanted.case_only, wanted.referent_only, conf_level=0.9)
    assert [ratio.conf_low, ratio.conf_high] == pytest.approx([wanted.conf_low, wanted.conf_high], rel=1e-9)
    assert ratio.p_value == pytest.approx(wanted.p_exact, rel=1e-9)
    statistics = mcnemar_tests(wanted.case_only, wanted.referent_only)["statistic"].tolist()[:2]
    assert statistics == pytest.approx([wanted.mcnemar, wanted.mcnemar_corrected], abs=1e-12)


@given(st.integers(0, 300), st.integers(0, 300))
def test_laws(case_only: int, referent_only: int) -> None:
    ratio, turned = paired_odds_ratio(case_only, referent_only), paired_odds_ratio(referent_only, case_only)
    tests = mcnemar_tests(case_only, referent_only).set_index("test")
    if case_only + referent_only == 0:
        assert math.isnan(ratio.estimate)
        assert tests["p_value"].isna().all()
        return
    assert ratio.conf_low <= ratio.estimate <= ratio.conf_high
    assert turned.p_value == ratio.p_value
    if case_only and referent_only:
        assert [1 / turned.conf_high, 1 / turned.conf_low] == pytest.approx([ratio.conf_low, ratio.conf_high])
    assert tests.loc["mcnemar_mid_p", "p_value"] <= ratio.p_value
    theirs = mcnemar([[0, case_only], [referent_only, 0]], exact=True)
    assert ratio.p_value == pytest.approx(theirs.pvalue, rel=1e-9)


def test_the_mid_p_by_hand() -> None:
    """Of 5 discordant pairs one: 2 * (1/32 + half of 5/32) = 7/32."""
    tests = mcnemar_tests(4, 1).set_index("test")
    assert tests.loc["mcnemar_mid_p", "p_value"] == pytest.approx(7 / 32)
    assert tests.loc["mcnemar_exact", "p_value"] == pytest.approx(12 / 32)


def test_the_level_is_checked() -> None:
    with pytest.raises(OptionError, match="conf_level is 95"):
        paired_odds_ratio(3, 4, conf_level=95)
