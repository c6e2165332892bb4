"""Cramér's V and its limits: R, and the limits' own definition."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import ncx2

from analysis.crossing.association import cramers_v, noncentral_limits
from analysis.crossing.cross_table import cross_table
from registry.errors import OptionError

TESTS = Path(__file__).resolve().parent.parent
R = json.loads((TESTS / "reference" / "distribution" / "expected.json").read_text(encoding="utf-8"))
CASES = {case["id"]: case for case in json.loads((TESTS / "checks" / "tables.json").read_text(encoding="utf-8"))}


def of_table(counts: np.ndarray) -> np.ndarray:
    tests = cross_table(counts, tables=10).tests
    lines = cramers_v(tests["statistic"][0], tests["df"][0], n=int(counts.sum()), shape=counts.shape)
    first = lines.iloc[0]
    return np.array([first["estimate"], lines["estimate"].iloc[1], first["conf_low"], first["conf_high"]])


@pytest.mark.parametrize("name", ["hair_eye", "weak", "admissions"])
def test_limits_equal_r(name: str) -> None:
    # computed with R 4.2.2 (reference/distribution/make.R: uniroot on pchisq with ncp; Bergsma 2013 by formula)
    counts = np.array(CASES["TAB-CHI2-4x4"]["inputs"]["table"])
    if name == "weak":
        counts = np.array(R["weak"]).reshape(3, 2).T
    elif name == "admissions":
        counts = np.array(R["admissions"]).reshape(2, 2).T
    assert of_table(counts) == pytest.approx(R["cramers_v"][name], abs=1e-6)


@pytest.mark.parametrize(("statistic", "df"), [(0.0, 4), (3.2, 4), (20.0, 1), (150.0, 60), (1e5, 9)])
def test_limits_leave_half_of_the_rest_on_each_side(statistic: float, df: int) -> None:
    low, high = noncentral_limits(statistic, df, conf_level=0.9)
    assert 0 <= low <= high
    if low > 0:
        assert ncx2.sf(statistic, df, low) == pytest.approx(0.05, abs=1e-6)
    if high > 0:
        assert ncx2.cdf(statistic, df, high) == pytest.approx(0.05, abs=1e-6)


def test_a_perfect_association_is_one() -> None:
    lines = cramers_v(80.0, 1, n=80, shape=(2, 2))
    assert lines["estimate"].tolist() == pytest.approx([1.0, 1.0])
    assert lines["conf_high"].tolist() == [1.0, 1.0]


def test_clusters_widen_the_limits_and_shrink_the_corrected_value() -> None:
    plain, clustered = (cramers_v(30.0, 4, n=200, shape=(3, 3), design_effect=effect) for effect in (1.0, 2.0))
    assert clustered["conf_low"][0] < plain["conf_low"][0]
    assert clustered["conf_high"][0] > plain["conf_high"][0]
    assert clustered["estimate"].tolist()[0] == plain["estimate"].tolist()[0]
    assert clustered["estimate"].tolist()[1] < plain["estimate"].tolist()[1]


def test_limits_cover_the_truth() -> None:
    """300 tables of 80 in 4 x 4 cells with V = 0.2; the band was set before: 92 to 99 %.

    The variant that adds the degrees of freedom to the noncentrality (so that the sample's V never lies outside)
    covers in about 70 % here, and is not used.
    """
    random = np.random.default_rng(3)
    steps = np.linspace(-1, 1, 4)
    cells = np.outer([0.1, 0.2, 0.4, 0.3], [0.3, 0.4, 0.2, 0.1]) * (1 + 0.8 * np.outer(steps, steps))
    cells /= cells.sum()
    expected = np.outer(cells.sum(axis=1), cells.sum(axis=0))
    truth = np.sqrt(((cells - expected) ** 2 / expected).sum() / 3)
    covered = shifted = 0
    for _ in range(300):
        counts = random.multinomial(80, cells.ravel()).reshape(4, 4)
        if (counts.sum(axis=0) == 0).any() or (counts.sum(axis=1) == 0).any():
            continue
        share = np.outer(counts.sum(axis=1), counts.sum(axis=0)) / 80
        low, high = noncentral_limits(((counts - share) ** 2 / share).sum(), 9)
        covered += low <= 240 * truth**2 <= high
        shifted += (low + 9 if low else 0) <= 240 * truth**2 <= high + 9
    assert 0.92 <= covered / 300 <= 0.99
    assert shifted / 300 < 0.85


def test_the_level_must_be_one() -> None:
    with pytest.raises(OptionError, match="between 0 and 1"):
        noncentral_limits(3.0, 1, conf_level=95)
