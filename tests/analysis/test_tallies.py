"""Tallies add up over sites and are the same whatever the order of the rows and the number of threads."""

import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.tallies import counts_by_cell, counts_by_climber, day_tally, sums_by_cell
from registry.door import session
from registry.errors import ColumnError, InputError

ROW = st.tuples(
    st.sampled_from(["ring", "middle", None]),
    st.sampled_from(["x:1", "x:2", "y:1"]),
    st.integers(0, 6),
    st.sampled_from([True, False]),
    st.one_of(st.none(), st.integers(-1, 5)),
)
ROWS = st.lists(ROW, min_size=1, max_size=30)
NAMES = ["digit", "climber", "day", "back", "entry"]


def frame(rows):
    table = pd.DataFrame(rows, columns=NAMES)
    return table.astype({"entry": "Int64", "back": bool})


def tallies(table):
    return [
        counts_by_cell(table, "digit"),
        counts_by_climber(table, "digit"),
        sums_by_cell(table, ["digit"], ["day", "back"]),
        day_tally(table, "day", "back", by="digit", entry="entry"),
    ]


def as_rows(table):
    return [[None if pd.isna(value) else value for value in row] for row in table.values.tolist()]


def added(one, two, keys):
    both = pd.concat([one, two], ignore_index=True)
    sums = both.groupby(keys, dropna=False, as_index=False).sum()
    return sums.sort_values(keys, na_position="last", ignore_index=True)[list(one.columns)]


@settings(max_examples=15, deadline=None)
@given(ROWS, ROWS)
def test_tallies_of_two_sites_add_up_to_the_tally_of_the_pool(first, second):
    pooled = tallies(frame(first + second))
    parts = zip(tallies(frame(first)), tallies(frame(second)), strict=True)
    keys = [["digit"], ["digit", "climber"], ["digit"], ["group", "day"]]
    for whole, (one, two), key in zip(pooled, parts, keys, strict=True):
        assert as_rows(added(one, two, key)) == as_rows(whole)


@settings(max_examples=15, deadline=None)
@given(ROWS, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(rows, random):
    shuffled = rows[:]
    random.shuffle(shuffled)
    for one, other in zip(tallies(frame(rows)), tallies(frame(shuffled)), strict=True):
        pd.testing.assert_frame_equal(one, other)


def test_one_thread_and_two_threads_agree():
    rows = [("ring", f"x:{i % 97}", i % 365, i % 3 == 0, i % 30 if i % 5 else None) for i in range(300_000)]
    table = frame(rows)
    before = session().execute("SELECT current_setting('threads')").fetchone()[0]
    results = []
    try:
        for threads in (1, 2):
            session().execute(f"SET threads = {threads}")
            results.append(tallies(table))
    finally:
        session().execute(f"SET threads = {before}")
    for one, two in zip(*results, strict=True):
        pd.testing.assert_frame_equal(one, two)
    assert results[0][0]["n"].tolist() == [300_000]


def test_pandas_and_polars_give_the_same_tally_nulls_included():
    columns = {
        "digit": ["ring", None, "ring", "middle"],
        "climber": ["a", "a", None, "b"],
        "day": [3, 0, None, 5],
        "back": [True, False, True, None],
        "entry": [None, 0, 1, 2],
    }
    of_pandas = tallies(pd.DataFrame(columns).astype({"day": "Int64", "entry": "Int64", "back": "boolean"}))
    of_polars = tallies(pl.DataFrame(columns))
    for one, other in zip(of_pandas, of_polars, strict=True):
        pd.testing.assert_frame_equal(one, other)


def test_day_tally_counts_entries_only_when_late():
    spells = {"day": [4, 4, 9, 9], "back": [True, False, True, True], "entry": [0, -2, 4, None]}
    tally = day_tally(spells, "day", "back", entry="entry")
    assert tally.values.tolist() == [["all", 4, 1, 1, 1], ["all", 9, 0, 2, 0]]


def test_sums_are_whole_numbers_and_an_empty_table_sums_to_zero():
    assert sums_by_cell(pl.DataFrame({"minutes": [90, None]}), [], ["minutes"]).values.tolist() == [[90, 2]]
    empty = pl.DataFrame({"minutes": []}, schema={"minutes": pl.Int64})
    assert sums_by_cell(empty, [], ["minutes"]).values.tolist() == [[0, 0]]


def test_fractions_are_refused():
    with pytest.raises(InputError, match="minutes instead of hours"):
        sums_by_cell({"hours": [1.5]}, [], ["hours"])


def test_a_missing_column_is_named_with_a_suggestion():
    with pytest.raises(ColumnError, match="Did you mean 'digit'"):
        counts_by_cell({"digit": ["ring"]}, "digitt")


def test_a_column_that_has_the_tallys_own_name_is_refused():
    with pytest.raises(InputError, match="'n' cannot make cells"):
        counts_by_cell({"n": ["ring"]}, "n")
