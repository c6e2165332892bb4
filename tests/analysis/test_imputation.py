"""Completed tables: what must not change, what is drawn, and a world whose truth is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from scipy.special import expit
from scipy.stats import binom

from analysis.missing.imputation import GapColumn, completed_tables
from analysis.missing.rubin import rubin_rules
from analysis.modelling.logistic import logistic_fit

TRUTH = np.array([-0.6, 0.9, -0.5, 0.5, 0.3])
"""Intercept, exposure at 1 and 2, covariate at 1 and 2, on the scale of the logarithm."""


@dataclass(frozen=True)
class World:
    """An exposure and a covariate of three levels; the exposure goes unrecorded by outcome and covariate."""

    exposure: npt.NDArray[np.int64]
    covariate: npt.NDArray[np.int64]
    outcome: npt.NDArray[np.int64]
    lost: npt.NDArray[np.bool_]
    climber: npt.NDArray[np.int64] | None


def world(n: int, draw: np.random.Generator, *, climbers: int = 0) -> World:
    covariate = draw.integers(0, 3, n)
    pull = np.column_stack([np.zeros(n), 0.6 * (covariate == 1) - 0.4 * (covariate == 2), 0.8 * (covariate == 2)])
    climber = None
    if climbers:
        climber = np.unique(draw.integers(0, climbers, n), return_inverse=True)[1]
        pull[:, 1:] += draw.normal(0, 1, (climbers, 2))[climber]
    shares = np.exp(pull) / np.exp(pull).sum(axis=1, keepdims=True)
    exposure = (draw.random(n)[:, None] > shares.cumsum(axis=1)).sum(axis=1)
    outcome = (draw.random(n) < expit(matrix(exposure, covariate) @ TRUTH)).astype(np.int64)
    third = covariate == 2
    chance = np.where(outcome == 1, np.where(third, 0.7, 0.15), np.where(third, 0.1, 0.35))
    return World(exposure, covariate, outcome, draw.random(n) < chance, climber)


def matrix(exposure: Any, covariate: Any) -> npt.NDArray[np.float64]:
    flags = [exposure == 1, exposure == 2, covariate == 1, covariate == 2]
    return np.column_stack([np.ones(len(exposure)), *flags]).astype(float)


def fitted(exposure: Any, covariate: Any, outcome: Any) -> tuple[Any, Any]:
    found = logistic_fit(matrix(exposure, covariate), outcome, 1 - outcome)
    return found.coefficients, np.diag(found.covariance)


def imputed(at: World, *, times: int, seed: int) -> tuple[Any, Any]:
    columns = [GapColumn(codes=np.where(at.lost, -1, at.exposure)), GapColumn(codes=at.covariate)]
    tables = completed_tables(columns, outcome=at.outcome.astype(float), groups=at.climber, times=times, seed=seed)
    found = [fitted(exposure, covariate, at.outcome) for exposure, covariate in tables]
    pooled = rubin_rules(np.array([e for e, _ in found]), np.array([v for _, v in found]), df_complete=len(at.lost) - 5)
    return pooled.estimate, pooled.limits(0.95)


def test_known_cells_stay_and_gaps_get_known_values() -> None:
    draw = np.random.default_rng(1)
    codes = draw.integers(0, 3, 40)
    codes[:10] = -1
    numbers = np.array([20.0, 23.5, 40.0])
    places = draw.integers(0, 3, 40)
    places[5:9] = -1
    columns = [GapColumn(codes=codes), GapColumn(codes=places, values=numbers)]
    tables = list(completed_tables(columns, outcome=draw.random(40), groups=np.arange(40) // 2, times=3, seed=9))
    assert len(tables) == 3
    for grips, ages in tables:
        assert (grips[10:] == codes[10:]).all()
        assert (ages[places >= 0] == places[places >= 0]).all()
        assert set(grips) <= {0, 1, 2}
        assert set(ages) <= {0, 1, 2}
    again = list(completed_tables(columns, outcome=draw.random(40) * 0, times=1, seed=9))
    assert len(again) == 1


def test_a_seed_gives_the_same_tables() -> None:
    at = world(60, np.random.default_rng(3), climbers=20)
    columns = [GapColumn(codes=np.where(at.lost, -1, at.exposure))]
    one, two, other = (
        next(completed_tables(columns, outcome=at.outcome.astype(float), groups=at.climber, times=1, seed=seed))[0]
        for seed in (5, 5, 6)
    )
    assert (one == two).all()
    assert (one != other).any()


def test_a_column_of_one_level_is_filled_with_it() -> None:
    tables = list(completed_tables([GapColumn(codes=np.array([2, -1, 2]))], outcome=np.zeros(3), times=2, seed=1))
    assert [table[0].tolist() for table in tables] == [[2, 2, 2], [2, 2, 2]]


def test_separated_columns_give_finite_draws() -> None:
    # The level goes with the outcome without a miss; the draws must follow it and not run away.
    outcome = np.repeat([0.0, 1.0], 30)
    codes = outcome.astype(np.int64)
    codes[[0, 1, 58, 59]] = -1
    shares = [
        (table[0][[0, 1]] == 0).mean() + (table[0][[58, 59]] == 1).mean()
        for table in completed_tables([GapColumn(codes=codes)], outcome=outcome, times=20, seed=4)
    ]
    assert np.mean(shares) > 1.7


def test_climbers_pass_their_habit_on() -> None:
    # Ten rows each, all of one grip: a gap is filled with the climber's own grip far more often than by chance.
    climber = np.repeat(np.arange(30), 10)
    habit = np.random.default_rng(2).integers(0, 2, 30)[climber]
    codes = np.where(np.arange(300) % 10 == 0, -1, habit)
    options = {"outcome": np.zeros(300), "times": 10, "seed": 8}
    lost = codes < 0

    def kept(groups: npt.NDArray[np.int64] | None) -> float:
        tables = completed_tables([GapColumn(codes=codes)], groups=groups, **options)  # type: ignore[arg-type]
        return float(np.mean([(table[0][lost] == habit[lost]).mean() for table in tables]))

    assert kept(climber) > 0.85
    assert kept(None) < 0.65


def test_complete_cases_are_biased_where_theory_says_and_imputation_is_not() -> None:
    # The exposure goes missing by outcome and covariate: among complete cases the covariate's ratio is biased by the
    # product of the two chances, the exposure's is not (Little & Rubin 2002; from memory).
    draw = np.random.default_rng(11)
    off = {"complete": [], "imputed": []}  # type: dict[str, list[Any]]
    for number in range(24):
        at = world(400, draw)
        whole, _ = fitted(at.exposure, at.covariate, at.outcome)
        seen = ~at.lost
        off["complete"].append(fitted(at.exposure[seen], at.covariate[seen], at.outcome[seen])[0] - whole)
        off["imputed"].append(imputed(at, times=5, seed=number)[0] - whole)
    means = {name: np.mean(values, axis=0) for name, values in off.items()}
    errors = {name: np.std(values, axis=0, ddof=1) / np.sqrt(24) for name, values in off.items()}
    # log(0.3 * 0.65 / (0.9 * 0.85)): seen shares of the third level with and without outcome, against the others'.
    expected = np.log(0.3 * 0.65 / (0.9 * 0.85))
    assert means["complete"][4] == pytest.approx(expected, abs=4 * errors["complete"][4])
    assert expected < -1
    assert (np.abs(means["complete"][[1, 2]]) < 4 * errors["complete"][[1, 2]]).all()
    assert (np.abs(means["imputed"]) < 4 * errors["imputed"]).all()
    assert errors["imputed"].max() < 0.12


@pytest.mark.slow
@pytest.mark.parametrize(("n", "climbers"), [(80, 0), (400, 0), (400, 150), (80, 40)])
def test_limits_cover_the_truth(n: int, climbers: int) -> None:
    # 300 worlds, 5 coefficients: a 95 % interval that covers 95 % lies in the band with chance 0.9999 each; limits at
    # n = 80 may cover more, as the prior draws rare levels to the middle.
    draw = np.random.default_rng(29)
    covered = np.zeros(5)
    usable = 0
    for number in range(300):
        at = world(n, draw, climbers=climbers)
        estimate, (low, high) = imputed(at, times=20, seed=number)
        if np.abs(estimate).max() > 5:  # a table without a maximum
            continue
        usable += 1
        covered += (low < TRUTH) & (high > TRUTH)
    assert usable > 240
    low, high = binom.ppf([0.00005, 0.99995], usable, 0.95)
    assert (covered >= low).all(), covered / usable
    if n >= 400:
        assert (covered <= high).all(), covered / usable
