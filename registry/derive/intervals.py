"""Intervals of days, both ends inclusive: made disjoint, merged, intersected, and split at season edges."""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.steps import quotient

FIRST_YEAR = 1900
_BITS = 8
"""2 ** 8 calendar years from FIRST_YEAR on: the range that the dictionary allows for a year."""


def disjoint(spans: nw.LazyFrame[Any], *, by: list[str]) -> nw.LazyFrame[Any]:
    """Cut overlaps so that no day of a group is counted twice; the span that starts first keeps the day.

    Parameters
    ----------
    spans
        ``by``, starts_day, ends_day and any other columns, which stay.
    """
    ordered = ["starts_day", "ends_day"]
    reached = (
        spans.filter(nw.col("ends_day") >= nw.col("starts_day"))
        .with_columns(reach=nw.col("ends_day").cum_max().over(*by, order_by=ordered))
        .with_columns(reach_before=nw.col("reach").shift(1).over(*by, order_by=ordered))
    )
    cut = reached.with_columns(
        starts_day=nw.max_horizontal("starts_day", nw.coalesce(nw.col("reach_before") + 1, "starts_day"))
    )
    return cut.filter(nw.col("ends_day") >= nw.col("starts_day")).drop("reach", "reach_before")


def islands(spans: nw.LazyFrame[Any], *, by: list[str]) -> nw.LazyFrame[Any]:
    """Merge overlapping and adjacent spans; returns ``by``, starts_day, ends_day."""
    ordered = ["starts_day", "ends_day"]
    broken = (
        spans.filter(nw.col("ends_day") >= nw.col("starts_day"))
        .select(*by, "starts_day", "ends_day")
        .with_columns(reach=nw.col("ends_day").cum_max().over(*by, order_by=ordered))
        .with_columns(reach_before=nw.col("reach").shift(1).over(*by, order_by=ordered))
        .with_columns(
            breaks=nw.when(nw.col("starts_day") <= nw.col("reach_before") + 1).then(nw.lit(0)).otherwise(nw.lit(1))
        )
        .with_columns(island=nw.col("breaks").cum_sum().over(*by, order_by=[*ordered, "reach"]))
    )
    merged = broken.group_by(*by, "island").agg(nw.col("starts_day").min(), nw.col("ends_day").max())
    return merged.drop("island")


def intersection(spans: nw.LazyFrame[Any], watched: nw.LazyFrame[Any], *, by: list[str]) -> nw.LazyFrame[Any]:
    """Intersect each span with each watched interval of its group.

    Parameters
    ----------
    spans
        ``by``, starts_day, ends_day and any other columns.
    watched
        ``by``, watched_from, watched_to (disjoint inside a group) and any other columns.

    Returns
    -------
    The columns of both, with part_from and part_to: the common days.
    """
    joined = spans.join(watched, on=by, how="inner")
    parts = joined.with_columns(
        part_from=nw.max_horizontal("starts_day", "watched_from"),
        part_to=nw.min_horizontal("ends_day", "watched_to"),
    )
    return parts.filter(nw.col("part_from") <= nw.col("part_to"))


def split_by_season(parts: nw.LazyFrame[Any], years: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Split part_from..part_to at the turn of each calendar year (:func:`seasons`) and add ``year``."""
    split = parts.join(years, how="cross").filter(
        (nw.col("year_from") <= nw.col("part_to")) & (nw.col("year_to") >= nw.col("part_from"))
    )
    return split.with_columns(
        part_from=nw.max_horizontal("part_from", "year_from"), part_to=nw.min_horizontal("part_to", "year_to")
    ).drop("year_from", "year_to")


def new_year(year: nw.Expr) -> nw.Expr:
    """Return the day number (days since 1970-01-01) of the first of January of a year, Gregorian calendar."""
    before = year - 1
    leap_days = quotient(before, 4) - quotient(before, 100) + quotient(before, 400)
    return 365 * (before - 1969) + leap_days - _LEAP_DAYS_BEFORE_1970


_LEAP_DAYS_BEFORE_1970 = 1969 // 4 - 1969 // 100 + 1969 // 400


def seasons(one_row: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Return year, year_from, year_to (day numbers) for 256 calendar years from ``FIRST_YEAR`` on.

    The list is made by the engine of ``one_row`` (any frame of exactly one row), so that it can be joined there.
    """
    years = one_row.select(year=nw.lit(FIRST_YEAR, dtype=nw.Int64))
    for bit in range(_BITS):
        step = nw.concat([one_row.select(add=nw.lit(add, dtype=nw.Int64)) for add in (0, 2**bit)])
        years = years.join(step, how="cross").select(year=(nw.col("year") + nw.col("add")).cast(nw.Int64))
    return years.with_columns(
        year_from=new_year(nw.col("year")).cast(nw.Int64),
        year_to=(new_year(nw.col("year") + 1) - 1).cast(nw.Int64),
    )


def share(amount: str) -> nw.Expr:
    """Return the share of a whole number that falls on part_from..part_to of starts_day..ends_day.

    Cumulative rounding: the parts of a span add up to its amount exactly, and are whole numbers.
    """
    days = nw.col("ends_day") - nw.col("starts_day") + 1
    before = quotient(nw.col(amount) * (nw.col("part_from") - nw.col("starts_day")), days)
    through = quotient(nw.col(amount) * (nw.col("part_to") - nw.col("starts_day") + 1), days)
    return through - before
