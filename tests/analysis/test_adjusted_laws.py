"""Laws of adjusted odds ratios: the order, the names, the number and the grouping of rows."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from analysis.adjusted import adjusted_odds_ratios
from analysis.modelling.logistic import logistic_fit
from analysis.modelling.patterns import Design, Membership, tally_patterns
from analysis.modelling.sandwich import clustered_covariance
from analysis.results import OddsRatios
from registry.door import enter

# In the order of the code list
GRIPS, SEXES = ("half_crimp", "open_hand", "jam"), ("female", "male")
NUMBERS = ["estimate", "conf_low", "conf_high", "p_value", "std_error"]


@st.composite
def registries(draw: st.DrawFn) -> pd.DataFrame:
    """Between 1 and 4 rows in each of the 12 cells, so that no cell is empty, of at most 9 climbers."""
    counts = draw(arrays(np.int64, 12, elements=st.integers(1, 4)))
    cells = [(grip, sex, up) for grip in GRIPS for sex in SEXES for up in (True, False)]
    frame = pd.DataFrame(
        [cell for cell, n in zip(cells, counts, strict=True) for _ in range(n)], columns=["grip", "sex", "a2"]
    )
    seed = draw(st.integers(0, 10_000))
    draws = np.random.default_rng(seed)
    return frame.assign(climber=draws.integers(0, 9, len(frame)).astype(str), years=draws.integers(0, 8, len(frame)))


def ask(frame: pd.DataFrame, **call: Any) -> OddsRatios:
    given_terms = {"outcome": "a2", "terms": ["grip", "sex", "years"], "firth": "never", "cluster": "climber"}
    return adjusted_odds_ratios(frame, **{**given_terms, **call})


def same(one: pd.DataFrame, other: pd.DataFrame) -> None:
    assert one[["exposure", "level"]].to_numpy().tolist() == other[["exposure", "level"]].to_numpy().tolist()
    assert one[NUMBERS].to_numpy() == pytest.approx(other[NUMBERS].to_numpy(), rel=1e-8, nan_ok=True)


@settings(max_examples=15, deadline=None)
@given(registries(), st.randoms())
def test_the_order_of_rows_leaves_no_trace(frame: pd.DataFrame, chance: Any) -> None:
    order = list(range(len(frame)))
    chance.shuffle(order)
    pd.testing.assert_frame_equal(ask(frame).table, ask(frame.iloc[order]).table, check_exact=True)


@settings(max_examples=10, deadline=None)
@given(registries())
def test_the_names_of_levels_and_climbers_say_nothing(frame: pd.DataFrame) -> None:
    renamed = frame.assign(
        grip=frame["grip"].map({"half_crimp": "aa", "open_hand": "bb", "jam": "cc"}),
        climber=frame["climber"].map(lambda name: f"squad member {name}"),
    )
    one, other = ask(frame).table, ask(renamed).table
    assert one[NUMBERS].to_numpy() == pytest.approx(other[NUMBERS].to_numpy(), rel=1e-8)


@settings(max_examples=10, deadline=None)
@given(registries())
def test_another_reference_turns_the_ratio_round(frame: pd.DataFrame) -> None:
    one, other = ask(frame).table, ask(frame, references={"grip": "jam", "sex": "male"}).table
    turned = one[one["level"] == "jam"].iloc[0], other[other["level"] == "half_crimp"].iloc[0]
    assert turned[0]["estimate"] == pytest.approx(1 / turned[1]["estimate"], rel=1e-8)
    assert turned[0]["conf_low"] == pytest.approx(1 / turned[1]["conf_high"], rel=1e-8)
    assert turned[0]["p_value"] == pytest.approx(turned[1]["p_value"], rel=1e-7)
    wald = [ask(frame, references=each).tests.iloc[0]["statistic"] for each in ({}, {"grip": "jam"})]
    assert wald[0] == pytest.approx(wald[1], rel=1e-7)


@settings(max_examples=10, deadline=None)
@given(registries())
def test_a_copy_of_every_row_counts_as_far_as_it_is_another_climber(frame: pd.DataFrame) -> None:
    once = ask(frame)
    same_climbers = ask(pd.concat([frame, frame]))
    same(once.table, same_climbers.table)
    others = ask(pd.concat([frame, frame.assign(climber="twin of " + frame["climber"])]))
    clusters = int(once.fit["clusters"].iloc[0])
    # Half the variance, with the factor of twice as many clusters.
    factor = (2 * clusters / (2 * clusters - 1)) / (clusters / (clusters - 1)) / 2
    assert others.table["std_error"].to_numpy() == pytest.approx(
        once.table["std_error"].to_numpy() * factor**0.5, rel=1e-8
    )
    assert same_climbers.coefficients["model_std_error"].to_numpy() * 2**0.5 == pytest.approx(
        once.coefficients["model_std_error"].to_numpy(), rel=1e-8
    )


@settings(max_examples=10, deadline=None)
@given(registries(), st.sampled_from([0.5, 12.0, -1.0]), st.integers(-2000, 2000))
def test_the_unit_and_origin_of_a_measurement(frame: pd.DataFrame, unit: float, origin: int) -> None:
    if frame["years"].nunique() < 2:
        return
    one, other = ask(frame).table, ask(frame.assign(years=frame["years"] * unit + origin)).table
    assert one["estimate"].to_numpy()[:-1] == pytest.approx(other["estimate"].to_numpy()[:-1], rel=1e-7)
    assert np.log(other["estimate"].iloc[-1]) * unit == pytest.approx(np.log(one["estimate"].iloc[-1]), abs=1e-8)
    assert one["p_value"].to_numpy() == pytest.approx(other["p_value"].to_numpy(), rel=1e-6)


@settings(max_examples=10, deadline=None)
@given(registries())
def test_rows_summed_to_patterns_give_the_numbers_of_single_rows(frame: pd.DataFrame) -> None:
    inside = enter(frame)
    patterns = tally_patterns(inside, outcome="a2", terms=["grip", "sex", "years"])
    grouped = patterns.design()
    membership = patterns.membership(inside, "climber")
    happened = frame["a2"].to_numpy(dtype=np.int64)
    columns = [frame["grip"] == "open_hand", frame["grip"] == "jam", frame["sex"] == "male", frame["years"]]
    matrix = np.column_stack([np.ones(len(frame)), *columns]).astype(float)
    fits = [
        logistic_fit(grouped.matrix, grouped.events, grouped.others),
        logistic_fit(matrix, happened, 1 - happened),
    ]
    if any(fit.extreme or not fit.settled for fit in fits):
        return
    assert fits[0].coefficients == pytest.approx(fits[1].coefficients, abs=1e-9)
    assert fits[0].log_likelihood == pytest.approx(fits[1].log_likelihood, abs=1e-9)
    scores = matrix * (happened - fits[1].probabilities)[:, None]
    summed = pd.DataFrame(scores).groupby(frame["climber"].to_numpy()).sum().to_numpy()
    bread = fits[1].covariance
    factor = len(summed) / (len(summed) - 1)
    ours = clustered_covariance(grouped, membership, probabilities=fits[0].probabilities, root=fits[0].root)
    assert ours == pytest.approx(factor * bread @ summed.T @ summed @ bread, rel=1e-7, abs=1e-12)


def test_members_are_all_rows_once() -> None:
    draws = np.random.default_rng(1)
    frame = pd.DataFrame(
        {
            "a2": draws.random(500) < 0.4,
            "grip": draws.choice(GRIPS, 500),
            "years": draws.integers(0, 5, 500).astype(float),
            "climber": pd.Series(draws.integers(0, 300, 500)).astype(object).where(draws.random(500) > 0.2),
        }
    )
    inside = enter(frame)
    patterns = tally_patterns(inside, outcome="a2", terms=["grip", "years"])
    membership = patterns.membership(inside, "climber")
    for alone, together, total in (
        (membership.alone_events, membership.events, patterns.events),
        (membership.alone_others, membership.others, patterns.others),
    ):
        back = alone + np.bincount(membership.pattern, weights=together, minlength=len(total)).astype(int)
        assert back.tolist() == total.tolist()
    sizes = frame["climber"].value_counts()
    assert membership.repeaters == int((sizes > 1).sum())
    assert membership.their_rows == int(sizes[sizes > 1].sum())
    assert membership.clusters == len(sizes) + int(frame["climber"].isna().sum())
    pairs = set(zip(membership.climber.tolist(), membership.pattern.tolist(), strict=True))
    assert len(pairs) == len(membership.climber)


def test_nobody_who_repeats_leaves_the_errors_of_single_rows() -> None:
    design = Design(np.array([[1.0, 0.0], [1.0, 1.0]]), np.array([9, 5]), np.array([4, 7]), ())
    none = np.zeros(0, dtype=np.int64)
    membership = Membership(none, none, none, none, design.events, design.others)
    fit = logistic_fit(design.matrix, design.events, design.others)
    covariance = clustered_covariance(
        design, membership, probabilities=fit.probabilities, root=fit.root, correction="none"
    )
    # In a saturated model the robust errors are those of the information.
    assert covariance == pytest.approx(fit.covariance, rel=1e-9)
