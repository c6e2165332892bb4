"""Kaplan-Meier curves: laws, equality with lifelines, bad input."""

import math

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter
from statsmodels.duration.survfunc import survdiff

from analysis import survival_curves
from registry.errors import ColumnError, DataError, InputError, OptionError

SPELLS = st.lists(st.tuples(st.integers(1, 12), st.booleans(), st.sampled_from("ab")), min_size=2, max_size=40)
VALUES = ["estimate", "std_error", "conf_low", "conf_high"]


def curves(spells, **options):
    table = pd.DataFrame(spells, columns=["day", "back", "tier"])
    return survival_curves(table, duration="day", event="back", **options)


def simulated(n, seed):
    rng = np.random.default_rng(seed)
    day, entry = rng.gamma(2, 40, n).round().astype(int) + 1, rng.integers(0, 30, n)
    table = pd.DataFrame({"day": day, "back": rng.random(n) < 0.7, "entry": entry, "tier": rng.choice(list("abc"), n)})
    return table[table["entry"] < table["day"]]


@settings(max_examples=20, deadline=None)
@given(SPELLS)
def test_the_curve_falls_within_0_and_1_inside_its_limits(spells):
    table = curves(spells).table
    assert table["estimate"].between(0, 1).all()
    assert (table["estimate"].diff().dropna() <= 0).all()
    inside = table.dropna(subset=["conf_low"])
    assert (inside["conf_low"] <= inside["estimate"]).all()
    assert (inside["estimate"] <= inside["conf_high"]).all()
    assert table["at_risk"].iloc[0] == len(spells)


@settings(max_examples=15, deadline=None)
@given(SPELLS, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(spells, random):
    shuffled = spells[:]
    random.shuffle(shuffled)
    one, other = curves(spells, by="tier"), curves(shuffled, by="tier")
    pd.testing.assert_frame_equal(one.table, other.table)
    pd.testing.assert_frame_equal(one.quantiles, other.quantiles)
    pd.testing.assert_frame_equal(one.tests, other.tests)


@settings(max_examples=15, deadline=None)
@given(SPELLS)
def test_doubled_rows_keep_the_curve(spells):
    one, doubled = curves(spells), curves(spells * 2)
    assert one.table["estimate"].tolist() == pytest.approx(doubled.table["estimate"].tolist(), abs=1e-12)
    assert one.quantiles["estimate"].tolist() == pytest.approx(doubled.quantiles["estimate"].tolist(), nan_ok=True)


@settings(max_examples=15, deadline=None)
@given(SPELLS)
def test_weeks_and_days_tell_the_same(spells):
    days = curves(spells)
    weeks = curves([(day / 7, back, tier) for day, back, tier in spells], time_unit="weeks")
    pd.testing.assert_frame_equal(days.table[VALUES], weeks.table[VALUES])
    assert (weeks.quantiles["estimate"] * 7).tolist() == pytest.approx(days.quantiles["estimate"].tolist(), nan_ok=True)


@settings(max_examples=15, deadline=None)
@given(SPELLS)
def test_a_higher_level_gives_wider_limits(spells):
    narrow, wide = curves(spells, conf_level=0.8).table, curves(spells, conf_level=0.99).table
    inside = narrow["conf_low"].notna()
    assert (wide["conf_low"] <= narrow["conf_low"] + 1e-12)[inside].all()
    assert (wide["conf_high"] >= narrow["conf_high"] - 1e-12)[inside].all()


@settings(max_examples=15, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 12), st.sampled_from("ab")), min_size=2, max_size=30))
def test_without_censoring_the_pool_lies_between_its_groups(spells):
    everyone_back = [(day, True, tier) for day, tier in spells]
    apart, pooled = curves(everyone_back, by="tier").table, curves(everyone_back).table
    for row in pooled.itertuples():
        by_then = apart[apart["time"] <= row.time].groupby("group")["estimate"].last()
        shares = by_then.reindex(apart["group"].unique()).fillna(1)
        assert shares.min() - 1e-12 <= row.estimate <= shares.max() + 1e-12


@pytest.mark.parametrize("late", [False, True])
def test_equal_to_lifelines(late):
    spells = simulated(3000, 11)
    result = survival_curves(spells, duration="day", event="back", by="tier", entry="entry" if late else None)
    for tier, rows in spells.groupby("tier"):
        fit = KaplanMeierFitter().fit(rows["day"], rows["back"], entry=rows["entry"] if late else None)
        ours = result.table[result.table["group"] == tier]
        theirs = fit.survival_function_at_times(ours["time"]).to_numpy()
        assert ours["estimate"].to_numpy() == pytest.approx(theirs, abs=1e-9)
        limits = fit.confidence_interval_survival_function_.loc[ours["time"]].to_numpy()
        known = ours["conf_low"].notna().to_numpy()
        assert ours[["conf_low", "conf_high"]].to_numpy()[known] == pytest.approx(limits[known], abs=1e-9)


def test_left_truncated_log_rank_equals_statsmodels():
    spells = simulated(2000, 12)
    result = survival_curves(spells, duration="day", event="back", by="tier", entry="entry").tests.iloc[0]
    statistic, p_value = survdiff(spells["day"], spells["back"], spells["tier"], entry=spells["entry"])
    assert (result.test, result.df) == ("log_rank", 2)
    assert result.statistic == pytest.approx(statistic, abs=1e-9)
    assert result.p_value == pytest.approx(p_value, abs=1e-9)


def test_polars_and_pandas_give_equal_answers_nulls_included():
    columns = {"day": [3, None, 5, 8], "back": [True, True, None, False], "tier": ["a", "a", "b", None]}
    of_pandas = survival_curves(pd.DataFrame(columns), duration="day", event="back", by="tier")
    of_polars = survival_curves(pl.DataFrame(columns), duration="day", event="back", by="tier")
    assert of_pandas.table[["group", *VALUES]].equals(of_polars.table[["group", *VALUES]])
    assert of_pandas.left_out.equals(of_polars.left_out)


def test_every_row_is_accounted_for():
    spells = {
        "day": [3.0, None, 5.0, 8.0, 4.0],
        "back": [True, True, None, False, True],
        "entry": [0, 0, 0, 1, 4],
        "tier": ["a", "a", "a", None, "a"],
    }
    result = survival_curves(spells, duration="day", event="back", by="tier", entry="entry")
    assert result.left_out.values.tolist() == [
        ["no 'day' (the duration)", 1],
        ["no 'back' (the event)", 1],
        ["'entry' (the entry) not before the end of the spell", 1],
    ]
    assert (result.n_rows_in, result.n_rows_used) == (5, 2)
    assert result.n_rows_used + result.left_out["n"].sum() == result.n_rows_in
    assert result.table["group"].tolist() == ["a", "not recorded"]
    assert "group_not_recorded" in {note.code for note in result.notes}


def test_a_missing_group_takes_no_part_in_the_test():
    spells = [(day, True, tier) for day, tier in [(1, "a"), (2, "a"), (3, "b"), (9, "b")]]
    with_gap = [*spells, (5, True, None)]
    assert curves(spells, by="tier").tests.equals(curves(with_gap, by="tier").tests)


def test_early_zero_is_said():
    spells = {"day": [2, 9, 9], "back": [True, True, False], "entry": [0, 5, 5]}
    result = survival_curves(spells, duration="day", event="back", entry="entry")
    assert result.table["estimate"].tolist() == [0, 0]
    assert "early_zero" in {note.code for note in result.notes}


def test_a_return_on_day_0_is_an_event_at_0():
    result = survival_curves(
        {"day": [0, 5], "back": [True, True], "entry": [0, 0]}, duration="day", event="back", entry="entry"
    )
    assert result.table[["time", "at_risk", "estimate"]].values.tolist() == [[0, 2, 0.5], [5, 1, 0]]


def test_nobody_with_the_event_gives_a_level_curve_without_test():
    result = curves([(3, False, "a"), (5, False, "b")], by="tier")
    assert result.table["estimate"].tolist() == [1, 1]
    assert result.quantiles["estimate"].isna().all()
    assert len(result.tests) == 0
    assert {note.code: note.sentence for note in result.notes}["no_test"].startswith("Nobody in these groups had")


@pytest.mark.parametrize(
    ("back", "message"),
    [
        ([1, 2], r"holds the numbers 1, 2.*give frame\['back'\] == 2"),
        ([0, 1], r"holds the numbers 0, 1.*give frame\['back'\] == 1"),
        ([0.0, 1.0], "holds the numbers 0, 1"),
        ([3, 7], "holds the numbers 3, 7"),
        (["yes", "no"], "holds text; it must be true/false"),
    ],
)
def test_coded_events_are_refused(back, message):
    with pytest.raises(InputError, match=message) as caught:
        survival_curves({"day": [1, 2], "back": back}, duration="day", event="back")
    assert "yes" not in str(caught.value)


@pytest.mark.parametrize(
    ("day", "error", "message"),
    [
        ([1, -2], DataError, "1 of 2 rows have a negative or endless 'day'"),
        ([1.0, math.inf], DataError, "negative or endless"),
        (["1", "2"], InputError, "holds text; give a number"),
        ([None, None], DataError, "no value in any row"),
        ([math.nan, math.nan], DataError, "none of the 2 rows can be used"),
    ],
)
def test_impossible_durations_are_refused(day, error, message):
    with pytest.raises(error, match=message):
        survival_curves({"day": day, "back": [True, False]}, duration="day", event="back")


def test_an_empty_table_is_refused():
    empty = pl.DataFrame({"day": [], "back": []}, schema={"day": pl.Int64, "back": pl.Boolean})
    with pytest.raises(DataError, match="the table is empty"):
        survival_curves(empty, duration="day", event="back")


def test_a_missing_column_and_a_wrong_level_are_refused():
    spells = {"day": [1], "back": [True]}
    with pytest.raises(ColumnError, match="Did you mean 'day'"):
        survival_curves(spells, duration="days", event="back")
    with pytest.raises(OptionError, match=r"0\.95"):
        survival_curves(spells, duration="day", event="back", conf_level=95)


def test_times_that_differ_in_their_last_digits_are_ties():
    # Computed with R 4.2.2, survival 3.5-3: survdiff(Surv(t, rep(1, 6)) ~ g)
    t = [0.3, 0.7, 1, 0.1 + 0.2, 0.8, 1.2]
    result = survival_curves({"t": t, "back": [True] * 6, "g": [1, 1, 1, 2, 2, 2]}, duration="t", event="back", by="g")
    assert result.tests["statistic"].tolist() == pytest.approx([0.396039603960396], rel=1e-9)
    whole = survival_curves({"t": t, "back": [True] * 6}, duration="t", event="back")
    assert whole.table["at_risk"].tolist() == [6, 4, 3, 2, 1]
    # Who enters at 0.3 is not at risk at 0.1 + 0.2.
    late = {"t": [0.1 + 0.2, 1.0], "back": [True, True], "entry": [0.0, 0.3]}
    assert survival_curves(late, duration="t", event="back", entry="entry").table["at_risk"].tolist() == [1, 1]


@pytest.mark.parametrize("by", ["day", "back"])
def test_a_column_given_twice_is_refused(by):
    with pytest.raises(InputError, match=f"column '{by}' is given twice; duration, event, by and entry"):
        curves([(3, True, "a"), (5, False, "b")], by=by)


def test_an_entry_in_the_last_digits_of_the_end_is_no_spell():
    # By hand: 0.3 and 0.1 + 0.2 are one time, so that the first row was never watched.
    rows = {"t": [0.1 + 0.2, 1.0], "back": [True, True], "entry": [0.3, 0.1]}
    result = survival_curves(rows, duration="t", event="back", entry="entry")
    assert (result.n_rows_used, result.left_out["n"].tolist()) == (1, [1])
