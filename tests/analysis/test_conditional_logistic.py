"""The exact conditional likelihood: by hand over all choices, another library, its laws, and separation."""

from __future__ import annotations

import math
import warnings
from itertools import combinations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize
from statsmodels.discrete.conditional_models import ConditionalLogit

from analysis.matching.conditional_logistic import MatchedSets, SetGroup, conditional_fit, set_likelihood
from analysis.matching.set_separation import endless_directions, independent_columns
from registry.errors import DataError


def one_by_one(patterns: Any, sets: list[tuple[list[int], int]]) -> MatchedSets:
    """Sets as they are, in groups of one shape: members (cases first) and the number of cases."""
    shapes: dict[tuple[int, int], list[list[int]]] = {}
    for members, cases in sets:
        shapes.setdefault((len(members), cases), []).append(members)
    groups = [
        SetGroup(members=np.array(rows), cases=cases, times=np.ones(len(rows), dtype=np.int64))
        for (_, cases), rows in shapes.items()
    ]
    return MatchedSets(patterns=np.asarray(patterns, dtype=float), groups=tuple(groups))


@pytest.mark.parametrize("cases", [1, 2, 4, 5])
def test_the_sum_over_all_choices_by_hand(cases: int) -> None:
    rng = np.random.default_rng(7)
    patterns, beta = rng.normal(size=(6, 2)), np.array([0.9, -1.7])
    at = set_likelihood(one_by_one(patterns, [([0, 1, 2, 3, 4, 5], cases)]), beta)
    choices = [np.array(choice) for choice in combinations(range(6), cases)]
    sums = np.array([patterns[choice].sum(axis=0) for choice in choices])
    weights = np.exp(sums @ beta)
    shares = weights / weights.sum()
    mean = shares @ sums
    observed = patterns[:cases].sum(axis=0)
    assert at.log_likelihood == pytest.approx(observed @ beta - np.log(weights.sum()), rel=1e-12)
    assert at.score == pytest.approx(observed - mean, rel=1e-10)
    assert at.information == pytest.approx((sums - mean).T @ np.diag(shares) @ (sums - mean), rel=1e-10)


def test_a_set_too_large_for_an_ordinary_sum_loses_no_digits() -> None:
    """Of 2000 members alike but for one number each choice of 900 is equally likely: -log C(2000, 900) at 0."""
    patterns = np.linspace(-3, 3, 2000)[:, None]
    at = set_likelihood(one_by_one(patterns, [(list(range(2000)), 900)]), np.zeros(1))
    wanted = math.lgamma(901) + math.lgamma(1101) - math.lgamma(2001)
    assert at.log_likelihood == pytest.approx(wanted, rel=1e-12)
    # The variance of a sum of 900 drawn from 2000 without replacement
    population = patterns[:, 0].var()
    assert at.information[0, 0] == pytest.approx(900 * population * 1100 / 1999, rel=1e-9)


def test_a_set_beyond_the_stated_size_is_refused() -> None:
    members = np.zeros((1, 20_000), dtype=np.int64)
    members[0, 0] = 1
    sets = MatchedSets(
        patterns=np.array([[0.0], [1.0]]), groups=(SetGroup(members=members, cases=5_000, times=np.array([1])),)
    )
    with pytest.raises(DataError, match="20000 members with 5000 cases"):
        conditional_fit(sets)


def drawn_sets(seed: int, n_sets: int = 40) -> tuple[Any, list[tuple[list[int], int]]]:
    rng = np.random.default_rng(seed)
    patterns = np.column_stack([rng.integers(0, 2, 12), rng.normal(30, 6, 12)]).astype(float)
    sets = []
    for _ in range(n_sets):
        size = int(rng.integers(2, 6))
        sets.append((rng.integers(0, 12, size).tolist(), int(rng.integers(1, size))))
    return patterns, sets


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_library_agrees_with_several_cases_a_set(seed: int) -> None:
    patterns, sets = drawn_sets(seed)
    fit = conditional_fit(one_by_one(patterns, sets))
    rows = [(place, position < cases, member) for place, (members, cases) in enumerate(sets)
            for position, member in enumerate(members)]  # fmt: skip
    groups, outcome, member = (np.array(column) for column in zip(*rows, strict=True))
    centred = patterns - patterns.mean(axis=0)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it drops uninformative sets with a warning
        model = ConditionalLogit(outcome.astype(int), centred[member], groups=groups)
    # Its own search stops early; its likelihood and score judge our estimate.
    assert model.loglike(fit.coefficients) == pytest.approx(fit.log_likelihood, rel=1e-10)
    assert model.score(fit.coefficients) == pytest.approx([0, 0], abs=1e-7)
    theirs = model.fit(start_params=fit.coefficients, disp=0)
    assert np.sqrt(np.diag(fit.covariance)) == pytest.approx(theirs.bse, rel=1e-5)


@settings(max_examples=25)
@given(st.integers(1, 80), st.integers(1, 80), st.integers(0, 50))
def test_pairs_give_the_ratio_of_discordant_pairs(case_only: int, referent_only: int, alike: int) -> None:
    group = SetGroup(
        members=np.array([[1, 0], [0, 1], [1, 1]]), cases=1, times=np.array([case_only, referent_only, alike])
    )
    fit = conditional_fit(MatchedSets(patterns=np.array([[0.0], [1.0]]), groups=(group,)))
    assert np.exp(fit.coefficients[0]) == pytest.approx(case_only / referent_only, rel=1e-9)
    assert fit.covariance[0, 0] == pytest.approx(1 / case_only + 1 / referent_only, rel=1e-9)
    assert fit.score_statistic == pytest.approx((case_only - referent_only) ** 2 / (case_only + referent_only))


@settings(max_examples=12)
@given(st.integers(0, 10_000), st.floats(0.01, 100), st.floats(-1000, 1000))
def test_units_and_shifts_of_a_measurement_change_nothing_else(seed: int, unit: float, shift: float) -> None:
    patterns, sets = drawn_sets(seed)
    fit = conditional_fit(one_by_one(patterns, sets))
    turned = conditional_fit(one_by_one(patterns * [1, unit] + [0, shift], sets))
    if not (fit.finite.all() and turned.finite.all()):
        return
    assert turned.coefficients == pytest.approx(fit.coefficients / [1, unit], rel=1e-6, abs=1e-9)
    assert turned.log_likelihood == pytest.approx(fit.log_likelihood, rel=1e-9)


@settings(max_examples=12)
@given(st.integers(0, 10_000), st.randoms(use_true_random=False))
def test_the_order_of_sets_and_of_members_changes_nothing(seed: int, chance: Any) -> None:
    patterns, sets = drawn_sets(seed)
    shuffled = [
        (chance.sample(members[:cases], cases) + chance.sample(members[cases:], len(members) - cases), cases)
        for members, cases in chance.sample(sets, len(sets))
    ]
    one, other = conditional_fit(one_by_one(patterns, sets)), conditional_fit(one_by_one(patterns, shuffled))
    assert other.coefficients == pytest.approx(one.coefficients, rel=1e-7, abs=1e-9, nan_ok=True)


def test_the_limit_of_a_separated_level_holds_the_others() -> None:
    """Level 1 is always the case against 0; against it stands level 2 in seven pairs, four times as the case."""
    patterns = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    separated = SetGroup(members=np.array([[1, 0], [2, 0], [0, 2]]), cases=1, times=np.array([5, 4, 3]))
    fit = conditional_fit(MatchedSets(patterns=patterns, groups=(separated,)))
    assert fit.coefficients[0] == math.inf
    assert fit.coefficients[1] == pytest.approx(math.log(4 / 3))
    assert np.isnan(fit.covariance[0]).all()
    assert fit.covariance[1, 1] == pytest.approx(1 / 4 + 1 / 3)
    assert fit.log_likelihood == pytest.approx(4 * math.log(4 / 7) + 3 * math.log(3 / 7))


@pytest.mark.parametrize("seed", range(8))
def test_the_limit_is_where_a_bounded_search_ends(seed: int) -> None:
    """Few sets of several cases separate often; a search up to 60 log odds comes near the limiting likelihood."""
    rng = np.random.default_rng(100 + seed)
    levels = np.vstack([np.zeros(3), np.eye(3)])
    sets = []
    for _ in range(7):
        size = int(rng.integers(2, 6))
        sets.append((rng.integers(0, 4, size).tolist(), int(rng.integers(1, size))))
    drawn = one_by_one(levels, sets)
    fit = conditional_fit(drawn)

    def lacking(beta: Any) -> tuple[float, Any]:
        at = set_likelihood(drawn, beta)
        return -at.log_likelihood, -at.score

    found = minimize(lacking, np.zeros(3), jac=True, bounds=[(-60, 60)] * 3, options={"ftol": 1e-14, "gtol": 1e-9})
    assert fit.log_likelihood == pytest.approx(-found.fun, abs=1e-5)
    assert fit.coefficients[fit.finite] == pytest.approx(found.x[fit.finite], abs=0.01)
    infinite = np.isinf(fit.coefficients)
    assert (np.sign(found.x[infinite]) == np.sign(fit.coefficients[infinite])).all()


def test_larger_sets_keep_the_members_that_separation_leaves() -> None:
    """Cases 1, 2 and referents 0, 2: all with x = 1 are cases; of the two members at level 2 one is the case."""
    patterns = np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    sets = one_by_one(patterns, [([1, 2, 2, 0], 2), ([1, 0, 2, 0], 2), ([1, 2, 0, 0], 2)])
    fit = conditional_fit(sets)
    left = conditional_fit(one_by_one(patterns[:, 1:], [([2, 2, 0], 1), ([0, 2, 0], 1), ([2, 0, 0], 1)]))
    assert fit.coefficients[0] == math.inf
    assert fit.coefficients[1] == pytest.approx(left.coefficients[0], rel=1e-8)
    assert fit.log_likelihood == pytest.approx(left.log_likelihood, rel=1e-10)


def test_a_combination_that_separates_leaves_its_parts_open_or_infinite() -> None:
    patterns = np.array([[0.0, 0.0], [1.0, 1.0]])
    found = endless_directions(patterns, [(np.array([[1, 0]]), 1)])
    assert found is not None
    assert found.sign.tolist() == [0, 0]  # either may carry it
    assert endless_directions(patterns, [(np.array([[1, 0], [0, 1]]), 1)]) is None
    assert endless_directions(patterns, [(np.array([[1, 1]]), 1)]) is None


def test_independent_columns_are_the_first_ones() -> None:
    matrix = np.array([[1.0, 1.0, 0.0, 2.0], [0.0, 1.0, 1.0, 1.0], [2.0, 1.0, -1.0, 0.0]])
    assert independent_columns(matrix).tolist() == [0, 1, 3]
    assert independent_columns(np.zeros((0, 2))).tolist() == []
