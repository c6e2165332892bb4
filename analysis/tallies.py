"""Small additive tables on which the estimates stand: counts by cell, by climber and by day.

Tallies of two sites add up to the tally of the pool, so that sites can be computed apart. Sums are integer
sums and every tally ends in a total order: the same rows give the same table whatever their order and the
number of threads (sums of doubles would differ in their last digits). A missing value is a level of its own,
last in order.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.thresholds import SAME_TIME
from registry.door import enter, require
from registry.errors import InputError

ALL: str = "all"
"""The one group of a tally that is asked for no groups."""


def counts_by_cell(frame: Any, by: str | Sequence[str]) -> pd.DataFrame:
    """Count the rows in each cell.

    Parameters
    ----------
    frame
        n rows by any columns.
    by
        Columns that make the cells; an empty list gives one row.

    Returns
    -------
    DataFrame with the columns of ``by`` and n (int64, rows); sorted by ``by``, missing last.

    Raises
    ------
    ColumnError
        When the frame lacks a column.

    Examples
    --------
    >>> counts_by_cell({"digit": ["ring", "ring", None]}, "digit")["n"].tolist()
    [2, 1]
    """
    return sums_by_cell(frame, by, [])


def counts_by_climber(frame: Any, by: str | Sequence[str], climber: str = "climber") -> pd.DataFrame:
    """Count the rows of each climber in each cell, for intervals that respect repeaters.

    Parameters
    ----------
    frame
        n rows by any columns.
    by
        One or more columns that make the cells.
    climber
        Column that names the climber.

    Returns
    -------
    DataFrame with the columns of ``by``, ``climber`` and n (int64, rows); sorted by ``by``, then climber.

    Raises
    ------
    ColumnError
        When the frame lacks a column.

    Examples
    --------
    >>> counts_by_climber({"digit": ["ring", "ring"], "climber": ["a", "a"]}, "digit")["n"].tolist()
    [2]
    """
    keys = _keys(by, reserved=("n",))
    return counts_by_cell(_entered(frame, [climber], "the climber"), [*keys, climber])


def sums_by_cell(frame: Any, by: str | Sequence[str], sums: Sequence[str]) -> pd.DataFrame:
    """Add whole-number columns in each cell.

    Parameters
    ----------
    frame
        n rows by any columns.
    by
        Columns that make the cells; an empty list gives one row.
    sums
        Whole-number or true/false columns to add (minutes, sessions, days); a missing value adds nothing.

    Returns
    -------
    DataFrame with the columns of ``by``, those of ``sums`` (int64, in their own unit) and n (int64, rows);
    sorted by ``by``, missing last.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When a column to add holds fractions: their sum would depend on the order of the rows.

    Examples
    --------
    >>> sums_by_cell({"site": ["x", "x"], "minutes": [60, 30]}, "site", ["minutes"])["minutes"].tolist()
    [90]
    """
    keys = _keys(by, reserved=("n", *sums))
    data = _entered(frame, keys, "a cell")
    require(data, [(name, "a sum") for name in sums])
    schema = data.collect_schema()
    for name in sums:
        if not (schema[name].is_integer() or schema[name] == nw.Boolean):
            raise InputError(
                f"column '{name}' (given as a sum) holds {kind_of(schema[name])}; a tally adds whole "
                f"numbers. Give the quantity in a smaller unit (minutes instead of hours)."
            )
    # SUM over no rows is NULL in SQL; here it is a count of nothing.
    totals = {name: nw.col(name).cast(nw.Int64).sum().fill_null(0).cast(nw.Int64) for name in sums}
    if not keys:
        one = data.with_columns(nw.lit(ALL).alias("__all")).group_by("__all")
        table = one.agg(**totals, n=nw.len().cast(nw.Int64)).collect().to_pandas().drop(columns="__all")
        return table if len(table) else pd.DataFrame({name: [0] for name in [*sums, "n"]})
    return _collect(data.group_by(keys).agg(**totals, n=nw.len().cast(nw.Int64)), keys)


def day_tally(frame: Any, duration: str, event: str, by: str | None = None, entry: str | None = None) -> pd.DataFrame:
    """Count who enters late, has the event and is censored, for each group and day.

    Parameters
    ----------
    frame
        n rows, one for each spell. Rows are taken as they are: ``survival_curves`` checks them first.
    duration
        Column with the day (or other time) at which the spell ends; a row without it is not counted.
    event
        True/false column: does the spell end with the event? A missing value counts as censored.
    by
        Column that makes the groups; None puts all rows in the group 'all'.
    entry
        Column with the day from which the spell is under observation. Missing, zero and negative mean from
        the start: such a row is not a late entry.

    Returns
    -------
    DataFrame with group, day (int64 when the columns are whole numbers, else float64), entered (late entries
    whose entry is this day), events, censored (int64); sorted by group and day, missing group last. Those at
    risk from the start are sum(events + censored) - sum(entered).

    Raises
    ------
    ColumnError
        When the frame lacks a column.

    Examples
    --------
    >>> day_tally({"day": [3, 5], "back": [True, False]}, "day", "back")["events"].tolist()
    [1, 0]
    """
    data = enter(frame)
    roles = [(duration, "the duration"), (event, "the event"), (by, "the group"), (entry, "the entry")]
    require(data, [(column, role) for column, role in roles if column is not None])
    schema = data.collect_schema()
    whole = all(schema[name].is_integer() for name in (duration, entry) if name is not None)
    day_type = nw.Int64 if whole else nw.Float64
    group = nw.lit(ALL) if by is None else nw.col(by)

    exits = (
        data.select(group=group, day=nw.col(duration).cast(day_type), one=nw.col(event).cast(nw.Int64).fill_null(0))
        .filter(~nw.col("day").is_null())
        .group_by("group", "day")
        .agg(events=nw.col("one").sum().cast(nw.Int64), n=nw.len().cast(nw.Int64))
        .select("group", "day", nw.lit(0).cast(nw.Int64).alias("entered"), "events", "n")
    )
    tally = exits
    if entry is not None:
        late = (
            data.filter(~nw.col(duration).is_null(), nw.col(entry) > 0)
            .select(group=group, day=nw.col(entry).cast(day_type))
            .group_by("group", "day")
            .agg(entered=nw.len().cast(nw.Int64))
        )
        nothing = [nw.lit(0).cast(nw.Int64).alias(name) for name in ("events", "n")]
        tally = nw.concat([exits, late.select("group", "day", "entered", *nothing)], how="vertical")
    names = ["entered", "events", "n"]
    added = tally.group_by("group", "day").agg(*[nw.col(name).sum().cast(nw.Int64) for name in names])
    table = _collect(added, ["group", "day"])
    table["censored"] = table.pop("n") - table["events"]
    return table


def with_ties(tally: pd.DataFrame) -> pd.DataFrame:
    """Make one time of times that differ only in their last digits.

    0.1 + 0.2 is not 0.3 to a computer, but both are one day to whoever noted them.

    Parameters
    ----------
    tally
        As ``day_tally`` returns it. Whole days are left as they are.

    Returns
    -------
    The same columns. Times of all groups, entries and exits alike, are sorted together; each that lies nearer to
    the one before than ``SAME_TIME`` times their mean takes its value (as R's survival does, timefix).

    Examples
    --------
    >>> with_ties(day_tally({"t": [0.3, 0.1 + 0.2], "back": [True, True]}, "t", "back"))["events"].tolist()
    [2]
    """
    if tally["day"].dtype.kind != "f" or not len(tally):
        return tally
    times = np.unique(tally["day"].to_numpy())
    tied = np.concatenate(([False], np.diff(times) <= SAME_TIME * float(np.abs(times).mean())))
    if not tied.any():
        return tally
    first = times[~tied][np.cumsum(~tied) - 1]
    merged = tally.assign(day=first[np.searchsorted(times, tally["day"].to_numpy())])
    return merged.groupby(["group", "day"], dropna=False, sort=False, as_index=False).sum()


def kind_of(dtype: Any) -> str:
    """Say in words what kind of values a column holds."""
    if dtype == nw.Boolean:
        return "true/false values"
    if dtype.is_integer():
        return "whole numbers"
    if dtype.is_numeric():
        return "numbers with fractions"
    if dtype == nw.String:
        return "text"
    return "dates" if dtype.is_temporal() else f"values of the type {dtype}"


def _keys(by: str | Sequence[str], reserved: Iterable[str]) -> list[str]:
    keys = [by] if isinstance(by, str) else list(dict.fromkeys(by))
    clash = sorted(set(keys) & set(reserved))
    if clash:
        raise InputError(f"column '{clash[0]}' cannot make cells: the tally's own column has that name. Rename it.")
    return keys


def _entered(frame: Any, columns: Iterable[str], role: str) -> nw.LazyFrame[Any]:
    data = enter(frame)
    require(data, [(column, role) for column in columns])
    return data


def _collect(data: nw.LazyFrame[Any], keys: Sequence[str]) -> pd.DataFrame:
    table: pd.DataFrame = data.sort(*keys, nulls_last=True).collect().to_pandas()
    return table
