"""Limits of several shares at once: published values, another program, and laws."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.proportion import multinomial_proportions_confint

from analysis.proportions import wilson_limits
from analysis.simultaneous import simultaneous_limits, simultaneous_proportions
from registry.errors import InputError, OptionError

CHECKS = Path(__file__).resolve().parent.parent / "checks"
CASES: list[dict[str, Any]] = json.loads((CHECKS / "simultaneous.json").read_text(encoding="utf-8"))
METHODS = ("sison_glaz", "goodman", "quesenberry_hurst")


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("case", CASES, ids=lambda case: case["id"])
def test_limits_equal_the_check_values(case: dict[str, Any], method: Any) -> None:
    # Source and status stand in the file: Sison & Glaz 1995, and a small companion; computed with R 4.2.2.
    inputs = case["inputs"]
    table = simultaneous_proportions(inputs["counts"], method=method, conf_level=inputs["level"]).table
    limits = table[["conf_low", "conf_high"]].to_numpy()
    assert limits == pytest.approx(np.array(case["expected"][method]), abs=case["tolerance"])
    if method in case.get("published", {}):
        # The printed upper limits come from a rougher interpolation (2e-5 off).
        assert limits == pytest.approx(np.array(case["published"][method]), abs=2.5e-5)


@pytest.mark.parametrize("counts", [[91, 49, 37, 43], [20, 15, 12, 8, 5], [3, 2, 1], [0, 12, 30, 7], [150] * 10])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_sison_glaz_equals_statsmodels(counts: list[int], level: float) -> None:
    theirs = multinomial_proportions_confint(counts, 1 - level, "sison-glaz")  # statsmodels 0.15
    assert simultaneous_limits(counts, conf_level=level) == pytest.approx(theirs, abs=1e-9)


def test_a_box_beyond_the_sample_is_not_cut() -> None:
    # May & Johnson 2000, J Stat Softw 5(6): the Poisson counts are not cut at n (from memory; R's MultinomialCI does
    # the same). statsmodels cuts them and gives 0 to 1 for 9 and 1, although 0.93 of all samples of 10 lie within 1
    # of (9, 1) and 0.99 within 2 (binomial: 0.3874 + 0.3487 + 0.1937, and + 0.0574).
    limits = simultaneous_limits([9, 1])
    assert limits[:, 0].tolist() == pytest.approx([0.8, 0])
    assert limits[1, 1] < 0.4


@given(st.lists(st.integers(0, 200), min_size=2, max_size=9).filter(sum), st.sampled_from([0.8, 0.9]))
def test_laws(counts: list[int], level: float) -> None:
    of = sum(counts)
    single = wilson_limits(counts, of, conf_level=level)
    for method in METHODS:
        limits = simultaneous_limits(counts, method=method, conf_level=level)  # type: ignore[arg-type]
        wider = simultaneous_limits(counts, method=method, conf_level=level + 0.09)  # type: ignore[arg-type]
        shares = np.array(counts) / of
        assert (limits >= 0).all()
        assert (limits <= 1).all()
        assert (limits[:, 0] <= shares + 1e-12).all()
        assert (limits[:, 1] >= shares - 1e-12).all()
        assert (wider[:, 0] <= limits[:, 0] + 1e-12).all()
        turned = simultaneous_limits(counts[::-1], method=method, conf_level=level)  # type: ignore[arg-type]
        assert turned[::-1] == pytest.approx(limits, abs=1e-9)
        if method != "sison_glaz":
            assert (limits[:, 0] <= single[:, 0] + 1e-12).all()
            assert (limits[:, 1] >= single[:, 1] - 1e-12).all()
            assert (wider[:, 1] >= limits[:, 1] - 1e-12).all()


def test_the_limits_hold_together() -> None:
    chance = np.random.default_rng(4)
    truth = np.array([0.4, 0.3, 0.2, 0.1])
    draws = chance.multinomial(100, truth, size=400)
    for method in METHODS:
        limits = np.array([simultaneous_limits(counts, method=method) for counts in draws])
        all_in = ((limits[:, :, 0] <= truth) & (truth <= limits[:, :, 1])).all(axis=1).mean()
        assert all_in >= 0.95 - 2.6 * (0.95 * 0.05 / 400) ** 0.5  # one-sided, 0.5 %


def test_a_million_cases_are_as_quick_as_ten() -> None:
    limits = simultaneous_limits([4_000_000, 3_000_000, 2_999_990, 10])
    assert np.isfinite(limits).all()
    assert (limits[:, 1] - limits[:, 0] < 0.002).all()


@pytest.mark.parametrize(
    "counts", [{"ring": 5, "middle": 3}, pd.Series([5, 3], index=["ring", "middle"]), np.array([5, 3]), (5, 3)]
)
def test_counts_come_in_any_shape(counts: Any) -> None:
    table = simultaneous_proportions(counts, method="goodman").table
    assert list(table) == ["class", "n", "of", "estimate", "conf_low", "conf_high"]
    assert table["class"].tolist() in (["ring", "middle"], [1, 2])
    assert table["n"].tolist() == [5, 3]


def test_nothing_one_class_and_few_units_say_so() -> None:
    nothing = simultaneous_proportions([0, 0])
    assert nothing.table[["estimate", "conf_low", "conf_high"]].isna().all(axis=None)
    assert [note.code for note in nothing.notes] == ["no_units"]
    single = simultaneous_proportions({"ring": 4})
    assert single.table[["estimate", "conf_low", "conf_high"]].to_numpy().tolist() == [[1, 1, 1]]
    assert [note.code for note in single.notes] == ["one_class"]
    assert [note.code for note in simultaneous_proportions([1, 0, 0]).notes] == ["too_few_for_sison_glaz"]
    assert not simultaneous_proportions([12, 9, 4]).notes


def test_what_cannot_be_counts_is_refused() -> None:
    with pytest.raises(InputError, match="counts is empty; give one count for each class"):
        simultaneous_proportions([])
    with pytest.raises(InputError, match="the count of class 'ring' is -1; a count is needed"):
        simultaneous_proportions({"middle": 4, "ring": -1})
    with pytest.raises(OptionError, match=r"Did you mean 'goodman'\?"):
        simultaneous_proportions([3, 4], method="godman")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="between 0 and 1"):
        simultaneous_proportions([3, 4], conf_level=0)
    for nothing in (5, None):
        with pytest.raises(InputError, match=r"counts is given as .*; give a list with one count for each class"):
            simultaneous_proportions(nothing)  # type: ignore[arg-type]


@pytest.mark.parametrize("written", ["Sison-Glaz", "sison_glaz", "SG", "Quesenberry-Hurst", "qh", "Goodman"])
def test_a_method_is_known_however_it_is_written(written: Any) -> None:
    meant = {"s": "sison_glaz", "q": "quesenberry_hurst", "g": "goodman"}[written[0].lower()]
    asked = simultaneous_proportions([23, 12, 5], method=written)
    assert asked.table.equals(simultaneous_proportions([23, 12, 5], method=meant).table)  # type: ignore[arg-type]
