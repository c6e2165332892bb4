"""How many climbers look alike: counted by hand, and laws that hold for every registry."""

from __future__ import annotations

from typing import Any

import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.alike import QUASI_IDENTIFIERS, Likeness, alike
from registry.errors import ColumnError, OptionError

CASES = {
    "climber": ["a", "b", "c", "c", "d", "e", "e", "f"],
    "sex": ["f", "f", "f", "f", "f", "m", "m", None],
    "digit": ["ring", "ring", "ring", "ring", "middle", "ring", "ring", "ring"],
    "tier": ["pulley_1", "pulley_1", "pulley_2", "pulley_2", "joint", "pulley_3", None, None],
}
"""By sex and digit: a, b and c with two tiers; d; e with two cases, one without a tier; f with nothing recorded."""


def test_the_groups_are_counted_in_climbers() -> None:
    result = alike(CASES, by=["sex", "digit"])
    assert (result.k, result.climbers, result.l_diversity) == (1, 6, 0)
    assert result.table[["below", "groups", "climbers", "cases"]].values.tolist() == [
        [2, 3, 3, 4], [3, 3, 3, 4], [5, 4, 6, 8], [10, 4, 6, 8],
    ]  # fmt: skip
    assert result.sizes.values.tolist() == [[1, 3, 4], [3, 1, 4]]
    assert result.told_by_look == 1  # d; of e one case has no tier, of f none


def test_the_change_that_helps_most_comes_first() -> None:
    cases = pd.DataFrame({
        "climber": [f"c{i}" for i in range(12)],
        "sex": ["f", "m"] * 6,
        "onset_month": [f"{month:02d}" for month in range(1, 13)],
        "tier": ["pulley_1", "pulley_2", "joint"] * 4,
    })  # fmt: skip
    helps = alike(cases, by=["sex", "onset_month"]).helps
    assert helps["change"].tolist() == ["none", "without onset_month", "onset_month as quarter", "without sex"]
    assert helps["k"].tolist() == [1, 6, 1, 1]
    assert helps["climbers_below_5"].tolist() == [12, 0, 12, 12]


def test_the_month_comes_from_the_day_of_onset() -> None:
    cases = {**CASES, "onset": pd.to_datetime(["2024-03-01"] * 4 + ["2024-12-31"] * 4)}
    result = alike(cases, by=["onset_month"], show_cells=True)
    assert result.cells["onset_month"].tolist() == ["03", "12"]
    assert result.cells["climbers"].tolist() == [3, 3]


def test_the_combinations_are_shown_only_when_asked_for() -> None:
    assert alike(CASES, by=["sex"]).cells.empty
    assert alike(CASES, by=["sex"], show_cells=True).cells["sex"].tolist() == ["not recorded", "m", "f"]


@pytest.mark.parametrize(
    ("options", "words"),
    [({"by": []}, "at least one"), ({"by": ["sex", "sex"]}, "twice"), ({"by": ["tier"]}, "stands in by as well")],
)
def test_questions_without_an_answer_are_refused(options: dict[str, Any], words: str) -> None:
    with pytest.raises(OptionError, match=words):
        alike(CASES, **options)


def test_a_missing_column_is_named() -> None:
    with pytest.raises(ColumnError, match="no column 'season'"):
        alike(CASES, by=["season"])


def test_no_case_is_an_answer_too() -> None:
    nobody = pd.DataFrame({name: pd.Series(dtype=str) for name in CASES})
    result = alike(nobody, by=["sex", "digit"])
    assert (result.k, result.climbers, result.told_by_look) == (0, 0, 0)
    assert result.table["groups"].tolist() == [0, 0, 0, 0]


rows = st.lists(
    st.tuples(
        st.sampled_from("abcdefgh"), st.sampled_from(["f", "m", None]), st.sampled_from(["ring", "middle", "index"]),
        st.sampled_from(["2023", "2024"]), st.sampled_from(["I", "II", "III", None]),
    ),
    min_size=1, max_size=40,
)  # fmt: skip
NAMES = ["climber", "sex", "digit", "season", "tier"]


def counted(data: list[tuple[Any, ...]], by: list[str]) -> Likeness:
    return alike(pd.DataFrame(data, columns=NAMES, dtype=object), by=by)


@settings(max_examples=12)
@given(rows, st.sampled_from(["sex", "digit", "season"]))
def test_k_and_l_never_fall_when_a_column_is_left_out(data: list[tuple[Any, ...]], gone: str) -> None:
    whole = counted(data, ["sex", "digit", "season"])
    less = counted(data, [name for name in ("sex", "digit", "season") if name != gone])
    assert less.k >= whole.k
    assert less.l_diversity >= whole.l_diversity
    assert (less.table["climbers"] <= whole.table["climbers"]).all()
    row = whole.helps.set_index("change").loc[f"without {gone}"]
    assert (row["k"], row["l"], row["climbers_below_5"]) == (less.k, less.l_diversity, less.table["climbers"][2])


@settings(max_examples=12)
@given(rows, st.randoms())
def test_the_order_of_the_rows_does_not_matter(data: list[tuple[Any, ...]], chance: Any) -> None:
    mixed = list(data)
    chance.shuffle(mixed)
    one, other = counted(data, ["sex", "digit"]), counted(mixed, ["sex", "digit"])
    for name in ("table", "helps", "sizes"):
        pd.testing.assert_frame_equal(getattr(one, name), getattr(other, name))


@settings(max_examples=12)
@given(rows)
def test_everyone_stands_in_a_group_and_the_sizes_add_up(data: list[tuple[Any, ...]]) -> None:
    result = counted(data, ["sex", "digit", "season"])
    assert 1 <= result.k <= result.climbers
    assert result.table["climbers"].is_monotonic_increasing
    assert result.table["climbers"].iloc[-1] <= result.climbers
    assert result.sizes["cases"].sum() <= len(data)


def test_a_registry_has_every_column(clean_registry: Any) -> None:
    from registry import open_registry

    with open_registry(clean_registry) as view:
        result = alike(view)
        with pytest.raises(OptionError, match="would list persons"):
            alike(view, by=["athlete"])
    assert result.by == QUASI_IDENTIFIERS
    assert (result.k, result.climbers, result.n_rows_used) == (1, 3, 3)
