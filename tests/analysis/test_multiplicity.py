"""Adjusted p-values: published values, R, and laws."""

from __future__ import annotations

import json
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.multiplicity import adjust_p
from registry.errors import InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: list[dict[str, Any]] = json.loads((TESTS / "checks" / "multiple_testing.json").read_text(encoding="utf-8"))
FROM_R = pd.read_csv(TESTS / "reference" / "multiplicity" / "adjusted.csv")
METHODS = ("holm", "hochberg", "hommel", "bonferroni", "benjamini_hochberg", "benjamini_yekutieli")


@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_adjusted_values_equal_the_check_values(case: dict[str, Any]) -> None:
    # Benjamini & Hochberg 1995, thrombolysis example; computed with R 4.2.2, printed counts from memory.
    for method, expected in case["expected"].items():
        assert adjust_p(case["inputs"]["p"], method=method.lower()) == pytest.approx(expected, abs=case["tolerance"])
    assert (adjust_p(case["inputs"]["p"], method="bh") <= 0.05).sum() == case["published"]["bh_rejects"]
    assert (adjust_p(case["inputs"]["p"], method="bonferroni") <= 0.05).sum() == case["published"]["bonferroni_rejects"]


@pytest.mark.parametrize(("family", "method"), list(FROM_R.groupby(["family", "method"]).groups))
def test_ties_ends_and_missing_values_equal_r(family: str, method: Any) -> None:
    # computed with R 4.2.2: tests/reference/multiplicity/make.R
    rows = FROM_R[(FROM_R["family"] == family) & (FROM_R["method"] == method)]
    ours = adjust_p(rows["p_value"], method=method)
    assert ours == pytest.approx(rows["adjusted"].to_numpy(), abs=1e-12, nan_ok=True)


VALUES = st.lists(st.floats(0, 1), min_size=1, max_size=20)


@given(VALUES, st.randoms(use_true_random=False), st.sampled_from(METHODS))
def test_order_and_monotony(values: list[float], chance: Any, method: Any) -> None:
    adjusted = adjust_p(values, method=method)
    assert (adjusted >= np.array(values) - 1e-12).all()
    assert (adjusted <= 1).all()
    places = list(range(len(values)))
    chance.shuffle(places)
    assert adjust_p([values[i] for i in places], method=method) == pytest.approx(adjusted[places], abs=1e-12)
    in_order = adjusted[np.argsort(values)]
    assert (np.diff(in_order) >= -1e-12).all()


@given(VALUES)
def test_one_is_never_harsher_than_the_other(values: list[float]) -> None:
    ordered = [adjust_p(values, method=name) for name in ("bh", "hommel", "hochberg", "holm", "bonferroni")]  # type: ignore[arg-type]
    for mild, harsh in pairwise(ordered):
        assert (mild <= harsh + 1e-12).all()


def test_missing_values_are_no_members_of_the_family() -> None:
    with_gap = adjust_p([0.01, float("nan"), 0.04], method="bonferroni")
    assert with_gap[[0, 2]] == pytest.approx([0.02, 0.08])
    assert np.isnan(with_gap[1])
    assert np.isnan(adjust_p([None, float("nan")])).all()  # type: ignore[list-item]
    assert adjust_p([]).shape == (0,)


def test_what_is_no_p_value_is_refused() -> None:
    with pytest.raises(InputError, match="2 of 3 values lie outside 0 to 1"):
        adjust_p([0.2, 1.2, -0.1])
    with pytest.raises(InputError, match="values holds something that is no number"):
        adjust_p(["small"])  # type: ignore[list-item]
    with pytest.raises(InputError, match="values holds something that is no number"):
        adjust_p([True, False])
    for alone in (0.05, None, "0.05"):
        with pytest.raises(InputError, match=r"values is given as .*; give a list of p-values"):
            adjust_p(alone)  # type: ignore[arg-type]
    with pytest.raises(OptionError, match=r"Did you mean 'holm'\?"):
        adjust_p([0.2], method="hollm")  # type: ignore[arg-type]


@pytest.mark.parametrize("written", ["BH", "bh", "fdr", "fdr_bh", "Benjamini-Hochberg", "benjamini hochberg"])
def test_a_method_is_known_however_it_is_written(written: Any) -> None:
    values = [0.01, 0.04, 0.03]
    assert adjust_p(values, method=written).tolist() == adjust_p(values, method="benjamini_hochberg").tolist()
    assert adjust_p(values, method="Holm").tolist() == adjust_p(values, method="holm").tolist()  # type: ignore[arg-type]


def test_values_come_in_any_shape() -> None:
    gap = pd.Series([0.01, pd.NA, 0.03], dtype="Float64")
    assert adjust_p(gap) == pytest.approx([0.02, float("nan"), 0.03], nan_ok=True)
    assert adjust_p({"grip": 0.03, "setting": 0.01}) == pytest.approx([0.03, 0.02])
