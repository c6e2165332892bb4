"""Firth's penalised regression: the published example, R's numerical maximisation, laws, and limits by resampling."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis.modelling.firth import firth_fit, penalised_p_value, profile_limits, resampled_limits
from analysis.modelling.patterns import Design, Membership
from analysis.modelling.penalised_likelihood import PenalisedModel
from registry.errors import DataError

TESTS = Path(__file__).resolve().parent.parent
CASE: dict[str, Any] = json.loads((TESTS / "checks" / "firth.json").read_text(encoding="utf-8"))[0]
NOBODY = np.zeros(0, dtype=np.int64)


def endometrial() -> tuple[Any, Any, Any]:
    data = pd.read_csv(TESTS / "reference" / "data" / "endometrial.csv")
    matrix = np.column_stack([np.ones(len(data)), data[["NV", "PI", "EH"]]])
    happened = data["HG"].to_numpy()
    return matrix, happened, 1 - happened


def test_the_published_example() -> None:
    # Heinze & Schemper 2002, Stat Med 21:2409-2419; computed with R 4.2.2, brglm2 0.9 (tests/checks/firth.json)
    expected = CASE["expected"]
    matrix, events, others = endometrial()
    fit = firth_fit(matrix, events, others)
    assert fit.coefficients == pytest.approx(expected["coef"], abs=1e-6)
    assert fit.std_errors == pytest.approx(expected["se"], abs=1e-6)
    assert fit.log_likelihood == pytest.approx(expected["pen_loglik"], abs=1e-9)
    for place in (1, 2, 3):
        limits = profile_limits(matrix, events, others, place, fit=fit)
        assert limits == pytest.approx(expected["profile_ci_NV_PI_EH"][place - 1], abs=1e-6)
        p_value = penalised_p_value(matrix, events, others, place, fit=fit)
        assert p_value == pytest.approx(expected["plr_p_NV_PI_EH"][place - 1], abs=1e-8)


def test_the_published_example_as_printed() -> None:
    # Heinze & Schemper 2002 [from memory]
    matrix, events, others = endometrial()
    fit = firth_fit(matrix, events, others)
    assert fit.coefficients[1:3] == pytest.approx([2.93, -0.035], abs=0.005)
    printed = CASE["published"]["profile_ci"]
    found = [profile_limits(matrix, events, others, place, fit=fit) for place in (1, 2, 3)]
    assert np.ravel(found) == pytest.approx(np.ravel(printed), abs=0.005)


MODELS = {
    "births": ["years", "weight", "smoke", "ht", "ui"],
    "few_births": ["smoke", "ht", "ui"],
    "separated_births": ["smoke", "ht"],
}


@pytest.mark.parametrize("name", list(MODELS))
def test_numerical_maximisation_in_r_finds_the_same(name: str) -> None:
    # computed with R 4.2.2 (optim and uniroot, no scoring): tests/reference/firth/make.R
    folder = TESTS / "reference" / "firth"
    data = pd.read_csv(folder / "births.csv").query("model == @name")
    wanted = pd.read_csv(folder / "limits.csv").query("model == @name")
    matrix = np.column_stack([np.ones(len(data)), data[MODELS[name]]])
    events = data["low"].to_numpy()
    fit = firth_fit(matrix, events, 1 - events)
    assert fit.coefficients[1:] == pytest.approx(wanted["estimate"].to_numpy(), abs=1e-5)
    assert fit.log_likelihood == pytest.approx(wanted["log_likelihood"].iloc[0], abs=1e-8)
    for place, row in enumerate(wanted.itertuples(), start=1):
        limits = profile_limits(matrix, events, 1 - events, place, fit=fit)
        assert limits == pytest.approx((row.conf_low, row.conf_high), abs=1e-5)
        assert penalised_p_value(matrix, events, 1 - events, place, fit=fit) == pytest.approx(row.p_value, abs=1e-6)


cell = st.integers(0, 30)


@given(st.lists(st.tuples(cell, cell), min_size=2, max_size=5))
def test_a_saturated_model_adds_a_half_to_each_cell(cells: list[tuple[int, int]]) -> None:
    """Firth 1993: in a saturated model the penalty is half a row in each cell."""
    counts = np.array(cells)
    assume((counts.sum(axis=1) > 0).all())
    groups = len(counts)
    matrix = np.column_stack([np.ones(groups), np.eye(groups)[:, 1:]])
    log_odds = np.log((counts[:, 0] + 0.5) / (counts[:, 1] + 0.5))
    fit = firth_fit(matrix, counts[:, 0], counts[:, 1])
    assert fit.coefficients == pytest.approx(np.concatenate([log_odds[:1], log_odds[1:] - log_odds[0]]), abs=1e-7)


some_rows = st.lists(
    st.tuples(st.integers(0, 1), st.integers(0, 1), st.floats(-3, 3), st.integers(0, 1)), min_size=6, max_size=25
)


def _laid_out(rows: list[tuple[int, int, float, int]]) -> tuple[Any, Any]:
    numbers = np.array(rows, dtype=float)
    matrix = np.column_stack([np.ones(len(rows)), numbers[:, :2], numbers[:, 2].round(1)])
    assume(np.linalg.svd(matrix, compute_uv=False)[-1] > 1e-3)
    return matrix, numbers[:, 3]


@settings(max_examples=25)
@given(some_rows)
def test_laws_of_the_fit(rows: list[tuple[int, int, float, int]]) -> None:
    matrix, events = _laid_out(rows)
    fit = firth_fit(matrix, events, 1 - events)
    assert np.isfinite(fit.coefficients).all()
    turned = firth_fit(matrix, 1 - events, events)
    assert turned.coefficients == pytest.approx(-fit.coefficients, abs=1e-6)
    grouped, place = np.unique(matrix, axis=0, return_inverse=True)
    summed = [np.bincount(place.ravel(), weights=weights) for weights in (events, 1 - events)]
    again = firth_fit(grouped, *summed)
    assert again.coefficients == pytest.approx(fit.coefficients, abs=1e-6)
    assert again.log_likelihood == pytest.approx(fit.log_likelihood, abs=1e-7)
    moved = matrix * [1, 1, 1, 1000] + [0, 0, 0, 5e6]
    far = firth_fit(moved, events, 1 - events)
    assert far.coefficients[1:] == pytest.approx(fit.coefficients[1:] / [1, 1, 1000], abs=1e-5)


@settings(max_examples=12)
@given(some_rows, st.integers(1, 3))
def test_limits_and_p_value_tell_the_same(rows: list[tuple[int, int, float, int]], place: int) -> None:
    matrix, events = _laid_out(rows)
    fit = firth_fit(matrix, events, 1 - events)
    low, high = profile_limits(matrix, events, 1 - events, place, fit=fit)
    narrow = profile_limits(matrix, events, 1 - events, place, conf_level=0.8, fit=fit)
    assert low < narrow[0] < fit.coefficients[place] < narrow[1] < high
    p_value = penalised_p_value(matrix, events, 1 - events, place, fit=fit)
    assume(abs(p_value - 0.05) > 1e-6)
    assert (low <= 0 <= high) == (p_value > 0.05)


def test_the_score_is_the_slope_of_the_height() -> None:
    matrix, events, others = endometrial()
    model = PenalisedModel.of(matrix, events, others)
    place = np.array([1.0, -2.0, 0.5, 3.0])
    for at in range(4):
        step = np.eye(4)[at] * 1e-5
        slope = (model.at(place + step).height - model.at(place - step).height) / 2e-5
        assert model.at(place).score[at] == pytest.approx(slope, abs=1e-6)


@pytest.mark.parametrize("rest", [0, 1, 400])
def test_an_empty_cell_of_any_size_settles(rest: int) -> None:
    # Profiles far from the estimate: the penalty bends there as much as the likelihood.
    low, high = profile_limits([[1, 0], [1, 1]], [14, 19], [3, 0], 1)
    assert low < math.log(19.5 / 0.5 * 3.5 / 14.5) < high
    many = profile_limits([[1, 0], [1, 1]], [14 + rest, 19], [3 + rest, 0], 1, conf_level=0.999)
    assert np.isfinite(many).all()


@pytest.mark.parametrize("seed", range(8))
def test_hardly_more_rows_than_coefficients_still_settle(seed: int) -> None:
    """Separated by the last column, with the information near singular out at the limits."""
    random = np.random.default_rng(seed)
    rows = 12
    last = np.sort(random.normal(size=rows))
    matrix = np.column_stack([np.ones(rows), random.integers(0, 2, (rows, 3)), last])
    assert np.linalg.matrix_rank(matrix) == 5
    events = (last > 0).astype(float)
    fit = firth_fit(matrix, events, 1 - events)
    low, high = profile_limits(matrix, events, 1 - events, 4, conf_level=0.99, fit=fit)
    assert low < fit.coefficients[4] < high


def test_an_outcome_that_never_happens_is_finite() -> None:
    fit = firth_fit([[1, 0], [1, 1]], [0, 0], [10, 20])
    assert fit.coefficients == pytest.approx([math.log(0.5 / 10.5), math.log(10.5 / 20.5)])


def test_what_cannot_be_fitted_is_said() -> None:
    with pytest.raises(DataError, match=r"columns \[2\] of the matrix \(from 0\) follow from those before"):
        firth_fit([[1, 0, 1], [1, 1, 0], [1, 1, 0]], [1, 2, 3], [1, 2, 3])
    with pytest.raises(DataError, match="1 patterns with rows cannot tell 2 coefficients apart"):
        firth_fit([[1, 0], [1, 1]], [1, 0], [2, 0])
    with pytest.raises(DataError, match=r"a matrix of shape \(2, 2\) does not go with 3 counts"):
        firth_fit([[1, 0], [1, 1]], [1, 0, 1], [2, 0])
    with pytest.raises(DataError, match="no column 2 in a matrix of 2 columns"):
        profile_limits([[1, 0], [1, 1]], [1, 2], [2, 1], 2)


def _alone(events: Any, others: Any) -> Membership:
    return Membership(NOBODY, NOBODY, NOBODY, NOBODY, np.asarray(events), np.asarray(others))


def _design(events: Any, others: Any) -> Design:
    return Design(np.array([[1.0, 0.0], [1.0, 1.0]]), np.asarray(events), np.asarray(others), ())


def test_resampling_rows_that_stand_alone_gives_the_error_of_woolf() -> None:
    events, others = [80, 120], [120, 80]
    result = resampled_limits(_design(events, others), _alone(events, others), replicates=1500, seed=3)
    woolf = math.sqrt(2 / 80 + 2 / 120)
    assert result.std_errors[1] == pytest.approx(woolf, rel=0.06)
    assert result.conf_high[1] - result.conf_low[1] == pytest.approx(2 * 1.96 * woolf, rel=0.08)
    assert (result.failed, result.replicates) == (0, 1500)
    assert result.p_values[1] < 0.01


def test_climbers_whose_rows_all_agree_count_once() -> None:
    """Each climber stands twice with the same row: the error is that of half as many rows."""
    events, others = np.array([80, 120]), np.array([120, 80])
    climber = np.arange(200)
    pattern = np.repeat([0, 0, 1, 1], [40, 60, 60, 40])
    happened = np.repeat([2, 0, 2, 0], [40, 60, 60, 40])
    none = np.zeros(2, dtype=np.int64)
    members = Membership(climber, pattern, happened, 2 - happened, none, none)
    result = resampled_limits(_design(events, others), members, replicates=1500, seed=3)
    assert result.std_errors[1] == pytest.approx(math.sqrt(2 * (2 / 80 + 2 / 120)), rel=0.06)


def test_the_seed_decides_the_limits() -> None:
    design, members = _design([8, 12], [12, 8]), _alone([8, 12], [12, 8])
    one, same, other = (resampled_limits(design, members, replicates=50, seed=seed) for seed in (1, 1, 2))
    assert one.conf_low.tolist() == same.conf_low.tolist()
    assert one.conf_low.tolist() != other.conf_low.tolist()


def test_replicates_that_lose_a_level_are_counted() -> None:
    # A level with a single row is drawn with probability 1 - exp(-1).
    result = resampled_limits(_design([8, 1], [12, 0]), _alone([8, 1], [12, 0]), replicates=400, seed=1)
    assert result.failed / 400 == pytest.approx(math.exp(-1), abs=0.08)
    assert np.isfinite(result.conf_low).all()


def test_where_most_replicates_fail_there_are_no_limits() -> None:
    matrix = np.column_stack([np.ones(4), np.eye(4)[:, 1:]])
    events, others = np.array([8, 1, 0, 1]), np.array([12, 0, 1, 0])
    design = Design(matrix, events, others, ())
    result = resampled_limits(design, _alone(events, others), replicates=100, seed=1)
    assert result.failed > 50
    assert np.isnan(result.conf_low).all()
    assert np.isnan(result.p_values).all()
