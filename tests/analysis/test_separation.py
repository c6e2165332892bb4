"""Where a logistic estimate is infinite: found just there, with the right sign, and what remains in the limit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.modelling.likelihood_limits import profile_limits
from analysis.modelling.logistic import logistic_fit
from analysis.modelling.separation import find_separation, limiting_fit
from registry.errors import DataError

Array = npt.NDArray[np.float64]

# Rows of a 2 x 3 design: intercept, one of two levels, two of three levels.
MATRIX = np.array([[1.0, a, b == 1, b == 2] for a in (0, 1) for b in (0, 1, 2)])
COUNTS = arrays(np.int64, (2, 6), elements=st.integers(0, 3))


def independent(counts: npt.NDArray[np.int64]) -> bool:
    return bool(np.linalg.matrix_rank(MATRIX[counts.sum(axis=0) > 0]) == MATRIX.shape[1])


@settings(max_examples=150, deadline=None)
@given(COUNTS)
def test_a_direction_is_found_just_where_there_is_no_maximum(counts: npt.NDArray[np.int64]) -> None:
    if not independent(counts):
        return
    fit = logistic_fit(MATRIX, *counts)
    found = find_separation(MATRIX, *counts)
    if found is None:
        assert fit.settled
        return
    assert fit.extreme or not fit.settled
    # No pattern is foretold wrongly, and what remains holds the finite coefficients.
    heights = found.heights[~found.kept]
    present = counts[:, ~found.kept]
    assert not present[1][heights > 0].any()
    assert not present[0][heights < 0].any()
    assert not (found.sign[found.finite] != 0).any()


@settings(max_examples=60, deadline=None)
@given(COUNTS)
def test_the_limit_is_where_a_rising_path_ends(counts: npt.NDArray[np.int64]) -> None:
    if not independent(counts):
        return
    found = find_separation(MATRIX, *counts)
    if found is None:
        return
    limit = limiting_fit(MATRIX, *counts, found)
    # A penalty that nearly vanishes keeps the estimate finite, and near the limit.
    coefficients = ridge(MATRIX, counts, 1e-9)
    finite = found.finite
    assert coefficients[finite] == pytest.approx(limit.coefficients[finite], abs=1e-3)
    for value, sign in zip(coefficients[~finite], found.sign[~finite], strict=True):
        assert sign == 0 or (np.sign(value) == sign and abs(value) > 4)
    eta = MATRIX @ coefficients
    height = counts[0] @ -np.logaddexp(0, -eta) + counts[1] @ -np.logaddexp(0, eta)
    assert height <= limit.log_likelihood + 1e-12
    assert height == pytest.approx(limit.log_likelihood, abs=1e-3)


def ridge(matrix: Array, counts: npt.NDArray[np.int64], strength: float) -> Array:
    events, others = counts
    place = np.zeros(matrix.shape[1])
    for _ in range(400):
        eta = matrix @ place
        chance = 1 / (1 + np.exp(-eta))
        score = matrix.T @ (events * (1 - chance) - others * chance) - strength * place
        weights = (events + others) * chance * (1 - chance)
        step = np.linalg.solve(matrix.T @ (weights[:, None] * matrix) + strength * np.eye(len(place)), score)
        place = place + step * min(1.0, 1.0 / np.abs(step).max())
        if np.abs(step).max() < 1e-8:
            break
    return np.asarray(place)


def test_a_measurement_that_parts_all_rows() -> None:
    matrix = np.column_stack([np.ones(6), [2010, 2011, 2012, 2013, 2014, 2015]])
    found = find_separation(matrix, [0, 0, 0, 1, 1, 1], [1, 1, 1, 0, 0, 0])
    assert found is not None
    assert found.sign.tolist() == [-1, 1]
    assert not found.kept.any()
    limit = limiting_fit(matrix, [0, 0, 0, 1, 1, 1], [1, 1, 1, 0, 0, 0], found)
    assert limit.coefficients.tolist() == [-np.inf, np.inf]
    assert limit.log_likelihood == 0
    assert limit.probabilities.tolist() == [0, 0, 0, 1, 1, 1]


def test_a_measurement_that_parts_all_but_a_tie() -> None:
    matrix = np.column_stack([np.ones(5), [1, 2, 3, 4, 5]])
    events, others = np.array([0, 0, 2, 1, 1]), np.array([1, 1, 1, 0, 0])
    found = find_separation(matrix, events, others)
    assert found is not None
    assert found.kept.tolist() == [False, False, True, False, False]
    assert limiting_fit(matrix, events, others, found).probabilities[2] == pytest.approx(2 / 3)


def test_profile_limits_refuse_what_has_no_maximum() -> None:
    with pytest.raises(DataError, match="no finite maximum"):
        profile_limits([[1, 0], [1, 1]], [2, 3], [2, 0], 1)


def test_profile_limits_of_an_intercept_alone_solve_the_likelihood() -> None:
    low, high = profile_limits([[1.0]], [7], [13], 0)
    chances = 1 / (1 + np.exp(-np.array([low, high])))
    top = 7 * np.log(7 / 20) + 13 * np.log(13 / 20)
    dropped = 2 * (top - 7 * np.log(chances) - 13 * np.log(1 - chances))
    # The 95 % quantile of chi-square with one degree of freedom
    assert dropped == pytest.approx([3.841458820694124, 3.841458820694124], rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 1_000_000), st.integers(1, 1_000_000), st.integers(1, 1_000_000), st.integers(1, 1_000_000))
def test_two_by_two_has_the_sample_ratio_however_large(a: int, b: int, c: int, d: int) -> None:
    fit = logistic_fit([[1, 0], [1, 1]], [c, a], [d, b])
    assert fit.settled
    assert fit.coefficients[1] == pytest.approx(np.log(a * d / (b * c)), abs=1e-8)
    assert fit.std_errors[1] == pytest.approx(np.sqrt(1 / a + 1 / b + 1 / c + 1 / d), rel=1e-8)
