"""E-values: the worked examples of their paper, laws, and refusals."""

from __future__ import annotations

from math import inf, isnan, nan, sqrt

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.mechanisms.e_value import e_value
from registry.errors import InputError


def test_worked_examples() -> None:
    # VanderWeele & Ding 2017, Ann Intern Med 167:268-274, Table: risk ratio 3.9 (1.8 to 8.7) -> 7.26 and 3.0;
    # 0.5 (0.3 to 0.8) -> 3.4 and 1.8 (from memory).
    one = e_value(3.9, conf_low=1.8, conf_high=8.7)
    assert (one.estimate, one.limit) == (pytest.approx(7.26, abs=0.005), pytest.approx(3.0, abs=0.05))
    two = e_value(0.5, conf_low=0.3, conf_high=0.8)
    assert (two.estimate, two.limit) == (pytest.approx(3.4, abs=0.05), pytest.approx(1.8, abs=0.05))


def test_common_outcomes_go_through_the_square_root() -> None:
    # same paper: the square root of an odds ratio stands for the risk ratio where the outcome is common.
    assert e_value(4.0, conf_low=2.25, conf_high=9, outcome="common").estimate == pytest.approx(2 + sqrt(2))
    assert e_value(4.0, conf_low=2.25, conf_high=9, outcome="common").limit == pytest.approx(1.5 + sqrt(0.75))


def test_no_association_and_ends() -> None:
    assert e_value(1.0).estimate == 1
    assert e_value(1.4, conf_low=0.9, conf_high=2).limit == 1
    assert (e_value(inf, conf_low=2, conf_high=inf).estimate, e_value(0.0).estimate) == (inf, inf)
    assert e_value(inf, conf_low=2, conf_high=inf).limit == pytest.approx(2 + sqrt(2))
    assert isnan(e_value(2.0).limit)
    assert isnan(e_value(nan).estimate)
    # Limits by another method may lie beyond the estimate.
    assert isnan(e_value(1.1, conf_low=0.5, conf_high=0.9).limit)


@given(st.floats(1.001, 100))
def test_a_ratio_and_its_inverse_say_the_same(ratio: float) -> None:
    found = e_value(ratio).estimate
    assert found == pytest.approx(e_value(1 / ratio).estimate)
    # Ding & VanderWeele 2016: two risk ratios of this size bound the bias by exactly the ratio (from memory).
    assert found * found / (2 * found - 1) == pytest.approx(ratio)


def test_refusals() -> None:
    with pytest.raises(InputError, match="outcome is 'often'; it is one of rare, common"):
        e_value(2.0, outcome="often")
    with pytest.raises(InputError, match="ratio below 0"):
        e_value(-0.7)
    with pytest.raises(InputError, match=r"conf_low is 8 and conf_high is 1\.8; are the two swapped"):
        e_value(3, conf_low=8, conf_high=1.8)
    with pytest.raises(InputError, match="estimate is given as str; a ratio is needed"):
        e_value("3")  # type: ignore[arg-type]


def test_the_nearer_limit_is_enough() -> None:
    assert e_value(3.9, conf_low=1.8).limit == e_value(3.9, conf_low=1.8, conf_high=8.7).limit
    assert e_value(3.9, conf_low=0.8).limit == 1
    assert e_value(0.5, conf_high=1.2).limit == 1
    assert isnan(e_value(3.9, conf_high=8.7).limit)
    assert e_value(4.0, outcome="Common").estimate == e_value(4.0, outcome="common").estimate
