"""The difference of two proportions: published values, R, and laws."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.differences import difference
from registry.errors import InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: list[dict[str, Any]] = json.loads((TESTS / "checks" / "differences.json").read_text(encoding="utf-8"))
FROM_R = pd.read_csv(TESTS / "reference" / "proportions" / "differences.csv")
METHODS = ("newcombe", "miettinen_nurminen", "mee", "agresti_caffo", "wald")
NAMES = {"newcombe": "newcombe10"}


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_limits_equal_the_check_values(case: dict[str, Any], method: Any) -> None:
    # Source and status stand in the file: Newcombe 1998, Table II, and the trial of Perondi 2004; all with R 4.2.2.
    inputs, name = case["inputs"], NAMES.get(method, method)
    apart = difference(
        inputs["x1"], inputs["n1"], inputs["x2"], inputs["n2"], method=method, conf_level=inputs.get("level", 0.95)
    )
    limits = [apart.conf_low, apart.conf_high]
    assert apart.estimate == pytest.approx(case["expected"].get("diff", case["expected"].get("RD")), abs=1e-12)
    assert limits == pytest.approx(case["expected"][name], abs=case["tolerance"])
    if name in case.get("published", {}):
        # Mee's lower limit is printed as .0533 and .0534, and that of the last example cut, not rounded, at .7224.
        assert limits == pytest.approx(case["published"][name], abs=1.01e-4)


@pytest.mark.parametrize("row", FROM_R.to_dict("records"), ids=lambda row: f"{row['method']}-{row['n1']}-{row['n2']}")
def test_score_limits_equal_r(row: dict[str, Any]) -> None:
    # computed with R 4.2.2: tests/reference/proportions/make.R, where the restricted shares come from R's optimize,
    # which is good to about 1e-8.
    apart = difference(row["n1"], row["of1"], row["n2"], row["of2"], method=row["method"], conf_level=row["conf_level"])
    assert [apart.conf_low, apart.conf_high] == pytest.approx([row["conf_low"], row["conf_high"]], abs=2e-6)


GROUPS = st.integers(1, 300).flatmap(lambda of: st.tuples(st.integers(0, of), st.just(of)))


@given(st.sampled_from(METHODS), GROUPS, GROUPS, st.sampled_from([0.8, 0.9]))
def test_laws(method: Any, first: tuple[int, int], second: tuple[int, int], level: float) -> None:
    apart = difference(*first, *second, method=method, conf_level=level)
    swapped = difference(*second, *first, method=method, conf_level=level)
    (n1, of1), (n2, of2) = first, second
    others = difference(of1 - n1, of1, of2 - n2, of2, method=method, conf_level=level)
    wider = difference(*first, *second, method=method, conf_level=level + 0.09)
    turned = pytest.approx([-apart.conf_high, -apart.conf_low], abs=1e-9)
    assert [swapped.conf_low, swapped.conf_high] == turned
    assert [others.conf_low, others.conf_high] == turned
    assert wider.conf_low <= apart.conf_low + 1e-9
    assert wider.conf_high >= apart.conf_high - 1e-9
    if method != "agresti_caffo":  # it is centred nearer to 0 than the estimate
        assert apart.conf_low - 1e-12 <= apart.estimate <= apart.conf_high + 1e-12
    if method in {"newcombe", "miettinen_nurminen", "mee"}:
        assert -1 <= apart.conf_low < apart.conf_high <= 1


@pytest.mark.parametrize("method", METHODS)
def test_big_groups_come_near_to_wald(method: Any) -> None:
    apart = difference(300_000, 1_000_000, 290_000, 1_000_000, method=method)
    wald = difference(300_000, 1_000_000, 290_000, 1_000_000, method="wald")
    # They part by terms of the order z*z / of, times the difference of 0.01.
    assert [apart.conf_low, apart.conf_high] == pytest.approx([wald.conf_low, wald.conf_high], abs=4e-8)


def test_a_variant_is_named() -> None:
    assert "with the factor N / (N - 1)" in difference(7, 34, 1, 34, method="miettinen_nurminen").method
    assert "without the factor N / (N - 1)" in difference(7, 34, 1, 34, method="mee").method


def test_limits_that_overstep_or_have_no_width_say_so() -> None:
    assert [note.code for note in difference(10, 10, 0, 20, method="agresti_caffo").notes] == ["limit_outside"]
    assert [note.code for note in difference(0, 10, 0, 20, method="wald").notes] == ["no_width"]
    assert not difference(0, 10, 0, 20).notes


def test_an_empty_group_has_no_difference() -> None:
    apart = difference(0, 0, 3, 8)
    assert np.isnan([apart.estimate, apart.conf_low, apart.conf_high]).all()
    assert [note.code for note in apart.notes] == ["no_units"]


def test_names_and_counts_that_are_none_are_refused() -> None:
    assert difference(n1=3, of1=8, n2=1, of2=9).estimate == pytest.approx(3 / 8 - 1 / 9)
    with pytest.raises(InputError, match="n2 is 10 and of2 is 9; n2 counts a part of of2"):
        difference(3, 8, 10, 9)
    with pytest.raises(OptionError, match=r"Did you mean 'newcombe'\?"):
        difference(3, 8, 1, 9, method="newcomb")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="between 0 and 1"):
        difference(3, 8, 1, 9, conf_level=1)
    # Both Miettinen-Nurminen and Mee are called the score method; the caller has to say which.
    with pytest.raises(OptionError, match="method is 'score'; it is one of newcombe, miettinen_nurminen, mee"):
        difference(3, 8, 1, 9, method="score")  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("written", "meant"),
    [
        ("Newcombe", "newcombe"),
        ("hybrid score", "newcombe"),
        ("MN", "miettinen_nurminen"),
        ("Miettinen-Nurminen", "miettinen_nurminen"),
        ("agresti-caffo", "agresti_caffo"),
    ],
)
def test_a_method_is_known_however_it_is_written(written: Any, meant: str) -> None:
    assert difference(3, 8, 1, 9, method=written).table["method"].item() == meant
