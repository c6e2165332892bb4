"""Wilson limits and the effective sample size: published values, R, and laws."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.proportions import effective_size, normal_quantile, wilson_limits
from registry.errors import OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: list[dict[str, Any]] = json.loads((TESTS / "checks" / "proportions.json").read_text(encoding="utf-8"))
REFERENCE = json.loads((TESTS / "reference" / "injury_tables" / "expected.json").read_text(encoding="utf-8"))


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_wilson_equals_the_check_values(case: dict[str, Any]) -> None:
    # Source and status stand in the file: Newcombe 1998, Table I, and boundary companions, computed with R 4.2.2.
    inputs = case["inputs"]
    limits = wilson_limits(inputs["x"], inputs["n"], conf_level=inputs["level"])
    assert limits == pytest.approx(case["expected"]["wilson"], abs=case["tolerance"])
    if "published" in case:
        assert limits == pytest.approx(case["published"]["wilson"], abs=5e-5)


PUBLISHED_SHARES = [
    # n, of, share, low, high (per cent), and whence; limits recomputed from the printed counts where none is printed
    (299, 369, 81.0, 76.7, 84.7),  # Jones et al., poster on self-reported mechanisms; printed share, Wilson derived
    (46, 47, 97.9, 88.9, 99.6),  # Klauser et al. 2002, Radiology 222:755-761: sensitivity 98 %; Wilson derived
    (38, 43, 88.4, 75.5, 94.9),  # Schneeberger & Schweizer 2016, WEM 27:211-218; Wilson derived
    (222, 507, 43.8, 39.5, 48.1),  # Auer 2021, 222 of 507 boulderers (printed 44 %); Wilson derived
]


@pytest.mark.parametrize(("n", "of", "share", "low", "high"), PUBLISHED_SHARES)
def test_published_shares_of_climbers(n: int, of: int, share: float, low: float, high: float) -> None:
    assert 100 * n / of == pytest.approx(share, abs=0.05)
    assert 100 * wilson_limits(n, of) == pytest.approx([low, high], abs=0.05)


def test_not_to_be_imitated() -> None:
    # Jones, Llewellyn & Johnson 2015, BMJ Open SEM 1:e000031: 36 of 101, printed limits 34.7-36.8 %; Wilson derived.
    low, high = 100 * wilson_limits(36, 101)
    assert (low, high) == pytest.approx((27.0, 45.4), abs=0.05)
    assert low < 34.7
    assert high > 36.8
    # The printed "relative risk" 1.55 (1.34-1.80) is 101/65, that is 1 / (1 - p): no exposed group is compared.
    error = np.sqrt(1 / 65 - 1 / 101)
    ratio = 101 / 65
    assert ratio == pytest.approx(1 / (1 - 36 / 101))
    limits = [ratio * np.exp(-1.96 * error), ratio * np.exp(1.96 * error)]
    assert [ratio, *limits] == pytest.approx([1.55, 1.34, 1.80], abs=0.005)


def test_clustered_variance_equals_the_sandwich_of_r() -> None:
    # computed with R 4.2.2: tests/reference/injury_tables/make.R
    given_ = REFERENCE["climbers"]
    climber, pulley = np.array(given_["climber"]), np.array(given_["pulley"])
    sizes = np.bincount(climber)[1:]
    hits = np.bincount(climber, weights=pulley)[1:]
    n, of = int(pulley.sum()), len(pulley)
    size = effective_size(
        [n],
        of,
        clusters=len(sizes),
        squares=[(hits**2).sum()],
        products=[(hits * sizes).sum()],
        sizes=int((sizes**2).sum()),
    )[0]
    share = n / of
    assert share * (1 - share) / (of - 1) * of / size == pytest.approx(given_["share_variance"][0], rel=1e-12)
    assert size < of


def test_units_of_their_own_keep_their_size() -> None:
    size = effective_size([3, 0, 10], 10, clusters=10, squares=[3, 0, 10], products=[3, 0, 10], sizes=10)
    assert size == pytest.approx([10, 10, 10])


def test_no_units_have_no_limits() -> None:
    assert np.isnan(wilson_limits(0, 0)).all()


@pytest.mark.parametrize("level", [0, 1, 95, -0.5, float("nan")])
def test_a_level_outside_is_refused(level: float) -> None:
    with pytest.raises(OptionError, match="between 0 and 1"):
        normal_quantile(level)


@settings(deadline=None)
@given(st.data(), st.integers(1, 10**7))
def test_limits_hold_the_share_and_stay_inside(data: st.DataObject, of: int) -> None:
    n = data.draw(st.integers(0, of))
    low, high = wilson_limits(n, of)
    assert 0 <= low <= n / of <= high <= 1
    wider_low, wider_high = wilson_limits(n, of, conf_level=0.99)
    assert wider_low <= low
    assert wider_high >= high
    assert wilson_limits(of - n, of)[::-1] == pytest.approx(1 - np.array([low, high]), abs=1e-12)
