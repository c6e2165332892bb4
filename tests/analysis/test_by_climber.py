"""Tests of a cross-table that hold where climbers repeat or a case has several labels; marks of single cells."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2, hypergeom, norm

from analysis.crossing.climber_blocks import Blocks, blocks_of
from analysis.crossing.marks import marked_cells
from analysis.crossing.permutation import permuted_by_climber
from analysis.multiplicity import adjust_p
from analysis.shares import distribution
from registry.door import enter

TESTS = Path(__file__).resolve().parent.parent
R = json.loads((TESTS / "reference" / "distribution" / "expected.json").read_text(encoding="utf-8"))


def frame_of_r() -> pd.DataFrame:
    """The units of reference/distribution/make.R, one row a unit."""
    names = {"climber": R["climber"], "season": R["row"], "side": R["one"], "also": R["also"]}
    return pd.DataFrame({name: np.array(values, dtype=int) for name, values in names.items()})


def by_test(tests: pd.DataFrame) -> dict[str, Any]:
    return {row.test: row for row in tests.itertuples()}


def test_rao_scott_equals_r() -> None:
    # computed with R 4.2.2 (reference/distribution/make.R: loops over climbers, eigenvalues)
    found = by_test(distribution(frame_of_r(), by=["season", "side"]).tests)
    pearson, statistic, df, p_value = R["rao_scott"]
    assert found["permutation_by_climber"].statistic == pytest.approx(pearson, abs=1e-8)
    robust = found["rao_scott"]
    assert (robust.statistic, robust.df, robust.p_value) == pytest.approx((statistic, df, p_value), abs=1e-8)


def test_rao_scott_of_several_labels_equals_r() -> None:
    # computed with R 4.2.2 (reference/distribution/make.R); the second label of a unit is a row of its own
    units = frame_of_r().assign(case=range(30), site="x")
    also = units[units["also"] > 0].assign(side=units["also"])
    rows = pd.concat([units, also])[["site", "case", "climber", "season", "side"]]
    result = distribution(rows, by=["season", "side"])
    found = by_test(result.tests)
    pearson, statistic, df, p_value = R["rao_scott_several"]
    assert found["permutation_by_climber"].statistic == pytest.approx(pearson, abs=1e-8)
    robust = found["rao_scott"]
    assert (robust.statistic, robust.df, robust.p_value) == pytest.approx((statistic, df, p_value), abs=1e-8)
    assert result.association.empty
    assert result.table["sim_low"].isna().all()


def test_trend_by_climber_equals_r() -> None:
    # computed with R 4.2.2 (reference/distribution/make.R)
    found = by_test(distribution(frame_of_r(), by=["season", "side"]).tests)
    assert found["trend_by_climber"].statistic == pytest.approx(R["trend_by_climber"][0], abs=1e-8)
    turned = by_test(distribution(frame_of_r(), by=["side", "season"]).tests)
    for name in ("trend_by_climber", "cochran_armitage", "linear_by_linear", "rao_scott"):
        assert turned[name].statistic == pytest.approx(found[name].statistic, abs=1e-8)


def test_blocks_do_not_depend_on_the_order_of_rows() -> None:
    frame = frame_of_r().assign(climber=lambda rows: rows["climber"].where(rows["climber"] != 12, None))
    made = []
    for rows in (frame, frame.sample(frac=1, random_state=1)):
        made.append(blocks_of(enter(rows), rows=("season", ["1", "2", "3"]), columns=("side", ["1", "2"]), case_key=[]))
    assert made[0].climbers == 20 - 0 + 3, "three cases without a climber are climbers of their own"
    for name in ("climber", "row", "unit", "column"):
        assert (getattr(made[0], name) == getattr(made[1], name)).all()
    assert permuted_by_climber(made[0], seed=4).p_value == permuted_by_climber(made[1], seed=4).p_value


def no_effect(random: np.random.Generator, *, climbers: int, several: bool = False) -> Blocks:
    """Labels that resemble each other within a climber, in rows and in columns, and are otherwise unrelated."""
    times = 1 + random.poisson(1.0, climbers)
    climber = np.repeat(np.arange(climbers), times)
    liking, habit = random.dirichlet([0.2] * 3, climbers), random.dirichlet([0.2] * 3, climbers)
    row = (random.random(len(climber))[:, None] > liking[climber].cumsum(axis=1)).sum(axis=1).clip(0, 2)
    column = (random.random(len(climber))[:, None] > habit[climber].cumsum(axis=1)).sum(axis=1).clip(0, 2)
    unit = np.arange(len(row))
    if several:
        more = np.nonzero(random.random(len(row)) < 0.4)[0]
        unit, column = np.concatenate([unit, more]), np.concatenate([column, (column[more] + 1) % 3])
    return Blocks(climber=climber, row=row, unit=unit, column=column, shape=(3, 3))


@pytest.mark.parametrize("several", [False, True])
def test_p_is_uniform_without_an_effect_and_pearson_is_not(several: bool) -> None:
    """200 tables of 40 climbers; bands set before: 1 to 10 % of p below 0.05 (Pearson: 12 % or more)."""
    random = np.random.default_rng(17)
    p_values, pearson = [], []
    for seed in range(200):
        drawn = permuted_by_climber(no_effect(random, climbers=40, several=several), seed=seed, permutations=199)
        p_values.append(drawn.p_value)
        pearson.append(chi2.sf(drawn.statistic, 4))
    p = np.array(p_values)
    assert 0.01 <= (p <= 0.05).mean() <= 0.10
    assert 0.40 <= (p <= 0.50).mean() <= 0.60
    if not several:
        assert (np.array(pearson) <= 0.05).mean() >= 0.12


def test_an_effect_is_found() -> None:
    random = np.random.default_rng(3)
    climber = np.repeat(np.arange(60), 2)
    digit = np.where(random.random(120) < 0.5, "ring", "middle")
    side = np.where(random.random(120) < np.where(digit == "ring", 0.8, 0.25), "left", "right")
    result = distribution(pd.DataFrame({"climber": climber, "digit": digit, "side": side}), by=["digit", "side"])
    found = by_test(result.tests)
    assert found["permutation_by_climber"].p_value == pytest.approx(1 / 2000)
    assert found["rao_scott"].p_value < 0.001
    marks = result.table.set_index(["digit", "side"])["marked"]
    assert marks[("ring", "left")] == "+"
    assert marks[("middle", "left")] == "-"


def test_one_climber_hurt_often_makes_no_finding() -> None:
    """One climber with 30 left ring fingers among 30 others: Pearson is sure, exchanging climbers is not."""
    random = np.random.default_rng(5)
    others = {"climber": np.arange(1, 31), "digit": random.choice(["ring", "middle"], 30)}
    often = {"climber": np.zeros(30, dtype=int), "digit": ["ring"] * 30}
    frame = pd.concat(
        [
            pd.DataFrame(others).assign(side=random.choice(["left", "right"], 30)),
            pd.DataFrame(often).assign(side="left"),
        ]
    )
    result = distribution(frame, by=["digit", "side"])
    found = by_test(result.tests)
    assert result.tests["p_value"].iloc[0] < 0.01
    assert found["permutation_by_climber"].p_value > 0.05
    assert (result.table["marked"] == "").all()
    assert "test_ignores_repeats" in [note.code for note in result.notes]


def test_thumbs_stand_apart_where_their_structures_differ() -> None:
    random = np.random.default_rng(2)
    digit = random.choice(["thumb", "index", "ring"], 120)
    structure = np.where(digit == "thumb", "thumb_oblique_pulley", random.choice(["a2", "a4"], 120))
    rows = pd.DataFrame({"site": "x", "case": range(120), "digit": digit, "structure": structure})
    more = rows[rows["digit"] == "ring"].head(10).assign(structure="a3")
    result = distribution(pd.concat([rows, more]), by=["structure", "digit"])
    assert [test for test in result.tests["test"]] == ["rao_scott", "permutation_by_case"]
    note = next(note for note in result.notes if note.code == "apart_in_test")
    assert note.sentence.endswith("digit thumb.")
    cells = result.table.set_index(["structure", "digit"])
    assert np.isnan(cells.loc[("thumb_oblique_pulley", "thumb"), "residual"])
    # 2x2 margins by hand: expected = fingers in the row x cases with the structure / fingers
    fingers = (digit != "thumb").sum()
    a2 = ((structure == "a2") & (digit != "thumb")).sum()
    assert cells.loc[("a2", "ring"), "expected"] == pytest.approx((digit == "ring").sum() * a2 / fingers)


def test_no_cell_is_marked_by_chance_more_often_than_said() -> None:
    """300 tables of 80 without an effect: the chance of any mark is at most 5 % (band set before: 9 %)."""
    random = np.random.default_rng(9)
    rows, columns = np.array([0.05, 0.15, 0.35, 0.35, 0.1]), np.array([0.4, 0.2, 0.15, 0.1, 0.06, 0.04, 0.03, 0.02])
    marked = 0
    for _ in range(300):
        counts = random.multinomial(80, np.outer(rows, columns).ravel()).reshape(5, 8)
        in_row, in_column = counts.sum(axis=1), counts.sum(axis=0)
        expected = np.outer(in_row, in_column) / 80
        left = expected * np.outer(1 - in_row / 80, 1 - in_column / 80)
        residual = np.divide(counts - expected, np.sqrt(left), out=np.full(left.shape, np.nan), where=left > 0)
        marks = marked_cells(counts.ravel(), expected.ravel(), residual.ravel(), in_row=np.repeat(in_row, 8), units=80)
        marked += any(marks)
    assert marked / 300 <= 0.09


def test_a_single_rare_pair_is_no_mark() -> None:
    # One case of 80 in a row of 1 and a column of 1: residual 8.9, but its exact p is 1/80.
    counts, expected = [1, 0, 0, 79], [1 / 80, 79 / 80, 79 / 80, 79 * 79 / 80]
    off = 80**0.5
    assert marked_cells(counts, expected, [off, -off, -off, off], in_row=[1, 1, 79, 79], units=80) == [""] * 4


def test_marks_follow_holm() -> None:
    random = np.random.default_rng(6)
    for _ in range(8):
        residual = random.normal(0, 2.5, 12)
        counts, expected = 500 + np.round(10 * residual), np.full(12, 500.0)
        marks = marked_cells(counts, expected, residual, in_row=[3000] * 12, units=30_000)
        exact = np.minimum(
            1, 2 * np.minimum(hypergeom.cdf(counts, 30_000, 5000, 3000), hypergeom.sf(counts - 1, 30_000, 5000, 3000))
        )
        adjusted = adjust_p(np.maximum(2 * norm.sf(abs(residual)), exact), method="holm")
        assert [mark != "" for mark in marks] == (adjusted <= 0.05).tolist()


def test_large_tables_are_not_permuted_and_say_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.crossing.by_climber.MAX_PERMUTED", 20)
    result = distribution(frame_of_r(), by=["season", "side"])
    assert "permutation_by_climber" not in result.tests["test"].tolist()
    assert "not_permuted" in [note.code for note in result.notes]
    assert result.table["residual"].notna().all()
