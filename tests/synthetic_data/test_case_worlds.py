"""The small worlds: what they say is true is what a large draw shows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.integrate import quad
from scipy.special import expit

from synthetic_data.case_worlds import DIGITS, FEMALE, GRIPS, REPEATING, CaseWorld, MatchedWorld, _bridge

WORLDS = {
    "alone": CaseWorld(cases=60_000, crimp_ratio=2.5),
    "repeating": CaseWorld(cases=60_000, crimp_ratio=2.5, per_climber=REPEATING, alike=0.5, faithful=0.8),
}


def _odds_ratio(rows: pd.DataFrame, first: str, second: str) -> float:
    counts = pd.crosstab(rows["grip"], rows["torn"])
    odds = counts[True] / counts[False]
    return float(odds[first] / odds[second])


@pytest.mark.parametrize("name", WORLDS)
def test_a_large_draw_shows_what_is_said_to_be_true(name: str) -> None:
    world = WORLDS[name]
    rows = pd.DataFrame(world.registry(number=1))
    assert len(rows) == world.cases
    # Standard errors of these logarithms of ratios are about 0.02 alone and 0.03 where climbers repeat.
    for grip in ("full_crimp", "half_crimp"):
        crude = _odds_ratio(rows, grip, "open_hand")
        assert np.log(crude) == pytest.approx(np.log(world.crude_ratio(grip, "open_hand")), abs=0.1)
        for _, each in rows.groupby("sex"):
            common = np.log(world.adjusted_ratio(grip, "open_hand"))
            assert np.log(_odds_ratio(each, grip, "open_hand")) == pytest.approx(common, abs=0.15)
    for digit, share in rows["digit"].value_counts(normalize=True).items():
        assert share == pytest.approx(world.share(str(digit)), abs=0.012)
    joint = pd.crosstab(rows["sex"], rows["grip"]).to_numpy()
    expected = joint.sum(axis=1, keepdims=True) * joint.sum(axis=0) / joint.sum()
    strength = np.sqrt(((joint - expected) ** 2 / expected).sum() / joint.sum())
    assert strength == pytest.approx(world.cramers_v(), abs=0.02)


def test_averaged_over_climbers_a_logistic_model_stays_logistic() -> None:
    # Wang & Louis 2003, Biometrika 90:765-775 (from memory): the property for which the distribution was made.
    for alike in (0.3, 0.5, 0.8):
        for logit in (-1.5, 0.0, 0.9):
            average, _ = quad(
                lambda u, a=alike, x=logit: expit(x / a + _bridge(np.array([u]), a)[0]), 0, 1, points=[0.5], limit=200
            )
            assert average == pytest.approx(expit(logit), abs=1e-6)


def test_climbers_repeat_and_resemble_themselves_only_where_they_should() -> None:
    alone, repeating = (pd.DataFrame(world.registry(number=2)) for world in WORLDS.values())
    assert alone["climber"].is_unique
    mean = sum(size * share for size, share in REPEATING.items())
    assert len(repeating) / repeating["climber"].nunique() == pytest.approx(mean, rel=0.03)
    twice = repeating[repeating.duplicated("climber", keep=False)]
    first = twice.groupby("climber").nth(0).set_index("climber")
    second = twice.groupby("climber").nth(1).set_index("climber")
    chance = sum(share**2 for share in DIGITS.values())
    assert (first["digit"] == second["digit"]).mean() == pytest.approx(0.8**2 + (1 - 0.8**2) * chance, abs=0.02)
    assert (first["sex"] == second["sex"]).all()
    assert (first["torn"] == second["torn"]).mean() > 0.6


def test_pairs_show_the_ratio_averaged_over_climbers() -> None:
    for world in (
        MatchedWorld(sets=60_000, referents=1, crimp_ratio=2.5),
        MatchedWorld(sets=60_000, referents=1, crimp_ratio=2.5, per_climber=REPEATING, alike=0.3),
    ):
        rows = pd.DataFrame(world.registry(number=1))
        assert (rows.groupby("match_set")["hurt"].sum() == 1).all()
        hurt = rows[rows["hurt"]].set_index("match_set")["crimp"]
        other = rows[~rows["hurt"]].set_index("match_set")["crimp"]
        ratio = (hurt & ~other).sum() / (~hurt & other).sum()
        assert np.log(ratio) == pytest.approx(np.log(world.crimp_ratio), abs=0.08)


def test_a_registry_is_the_same_whenever_it_is_drawn_and_another_one_differs() -> None:
    world = CaseWorld(cases=80, crimp_ratio=2.5, per_climber=REPEATING, alike=0.5, faithful=0.8)
    one, again, other = (pd.DataFrame(world.registry(number=number)) for number in (7, 7, 8))
    pd.testing.assert_frame_equal(one, again)
    assert not one.equals(other)


def test_shares_add_up() -> None:
    assert sum(DIGITS.values()) == pytest.approx(1)
    assert all(sum(each.values()) == pytest.approx(1) for each in GRIPS.values())
    assert 0 < FEMALE < 1
    with pytest.raises(KeyError, match="toe"):
        CaseWorld(cases=3, crimp_ratio=1).share("toe")
