"""Tallies over climbers against a count by hand in numpy."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.clusters import climber_moments, climber_products, repeats
from registry.door import enter


@pytest.fixture
def rows() -> pd.DataFrame:
    random = np.random.default_rng(4)
    climber = pd.Series(random.integers(0, 25, 80)).astype(str).where(random.random(80) > 0.1, None)
    return pd.DataFrame({"climber": climber, "digit": random.choice(["ring", "index", None], 80)})


def by_hand(rows: pd.DataFrame) -> pd.DataFrame:
    """One row a climber (who has no name is a climber of one row), one column a digit."""
    named = rows["climber"].where(rows["climber"].notna(), "row " + rows.index.astype(str).to_series(index=rows.index))
    return pd.crosstab(named, rows["digit"].fillna("none"))


def test_moments_and_repeats(rows: pd.DataFrame) -> None:
    x = by_hand(rows)
    m = x.sum(axis=1)
    found = climber_moments(enter(rows), ["digit"], units=enter(rows)).fillna("none").set_index("digit").sort_index()
    assert found["squares"].to_dict() == (x**2).sum().to_dict()
    assert found["products"].to_dict() == x.mul(m, axis=0).sum().to_dict()
    again = repeats(enter(rows))
    assert (again.units, again.climbers, again.sizes) == (80, len(m), int((m**2).sum()))
    assert (again.repeaters, again.their_units) == (int((m > 1).sum()), int(m[m > 1].sum()))


def test_products_of_pairs(rows: pd.DataFrame) -> None:
    x = by_hand(rows)
    found = climber_products(enter(rows), ["digit"]).fillna("none").set_index(["digit", "digit_2"])
    for one in x:
        for other in x:
            pair = found.loc[(one, other)]
            assert pair["products"] == (x[one] * x[other]).sum()
            assert pair["climbers"] == ((x[one] > 0) & (x[other] > 0)).sum()


@pytest.mark.parametrize("climbers", [[], [None, None]])
def test_no_named_climber(climbers: list[Any]) -> None:
    frame = enter(pd.DataFrame({"climber": pd.Series(climbers, dtype=object), "digit": ["ring"] * len(climbers)}))
    assert repeats(frame).climbers == len(climbers)
    assert climber_products(frame, ["digit"])["products"].sum() == len(climbers)
