"""A registry or freeze narrowed to a span of days: the injuries that began in it, and the time climbed in it."""

from __future__ import annotations

from datetime import date
from typing import Any, Protocol

import narwhals.stable.v2 as nw

from registry.errors import OptionError

EPOCH = date(1970, 1, 1)


class Source(Protocol):
    """What an opened registry and an opened freeze have in common."""

    label: str
    identity: dict[str, Any]

    def table(self, name: str) -> nw.LazyFrame[Any]:
        """Return a derived table."""

    def base(self, name: str) -> nw.LazyFrame[Any]:
        """Return the current rows of a dictionary table."""

    def held(self) -> Any:
        """Return the open held rows, counted."""


class Period:
    """A view that holds only what falls into the days from ``starts_on`` to ``ends_on``, both included.

    Attributes
    ----------
    starts_on, ends_on
        First and last day.
    label, identity
        Those of the view it was made from.
    """

    def __init__(self, view: Source, starts_on: date, ends_on: date) -> None:
        self._view = view
        self.starts_on, self.ends_on = starts_on, ends_on
        self.label, self.identity = view.label, view.identity
        self._first, self._last = day_number(starts_on), day_number(ends_on)

    def table(self, name: str) -> nw.LazyFrame[Any]:
        """Return a derived table: cases, findings and occurrences by their onset, risk_time cut to the days."""
        rows = self._view.table(name)
        if name == "risk_time":
            return clipped(rows, self._first, self._last)
        if name == "findings":
            cases = self.table("cases").select("site", "case")
            return rows.join(cases, on=["site", "case"], how="semi")
        return rows.filter(nw.col("onset_day").is_between(self._first, self._last))

    def base(self, name: str) -> nw.LazyFrame[Any]:
        """Return the current rows of a dictionary table, whole: a follow-up after the period still counts."""
        return self._view.base(name)

    def held(self) -> Any:
        """Return the open held rows of the whole registry; a held row may have no day that could be trusted."""
        return self._view.held()


def period(view: Source, *, starts_on: date, ends_on: date) -> Period:
    """Narrow an opened registry or freeze to a span of days.

    Parameters
    ----------
    view
        An opened registry or freeze.
    starts_on, ends_on
        First and last day, both included.

    Returns
    -------
    Period, which every analysis takes in the place of a view.

    Raises
    ------
    OptionError
        When the last day comes before the first.
    """
    if ends_on < starts_on:
        raise OptionError(
            f"the period ends on {ends_on.isoformat()}, before it starts on {starts_on.isoformat()}; swap the two days."
        )
    return Period(view, starts_on, ends_on)


def day_number(day: date) -> int:
    """Return the days since 1970-01-01.

    Examples
    --------
    >>> day_number(date(1970, 1, 31))
    30
    """
    return (day - EPOCH).days


def clipped(risk_time: nw.LazyFrame[Any], first: int, last: int) -> nw.LazyFrame[Any]:
    """Cut rows of observed time to the days first..last, and share out what was counted over the whole row.

    Parameters
    ----------
    risk_time
        Rows with starts_day, ends_day (both included), days and the whole numbers minutes, sessions, starts.
    first, last
        Day numbers, both included.

    Returns
    -------
    The rows that touch the days, with starts_day, ends_day and days cut. Minutes, sessions and starts are shared out
    evenly over the row's days and rounded so that the parts of adjoining periods add up to the whole.

    Examples
    --------
    >>> from registry.door import enter
    >>> row = {"starts_day": [0], "ends_day": [9], "days": [10], "minutes": [101], "sessions": [None], "starts": [3]}
    >>> [int(clipped(enter(row), *ends).collect()["minutes"][0]) for ends in ((0, 3), (4, 9))]
    [40, 61]
    """
    start, end = nw.col("starts_day"), nw.col("ends_day")
    touching = risk_time.filter((start <= last) & (end >= first))
    cut = touching.with_columns(
        _from=nw.max_horizontal(start, nw.lit(first)).cast(nw.Int64),
        _to=nw.min_horizontal(end, nw.lit(last)).cast(nw.Int64),
        _length=(end - start + 1).cast(nw.Int64),
    )
    before, upto = nw.col("_from") - start, nw.col("_to") - start + 1
    shared = cut.with_columns(
        [
            (_whole(name) * upto // nw.col("_length") - _whole(name) * before // nw.col("_length"))
            .cast(nw.Int64)
            .alias(name)
            for name in ("minutes", "sessions", "starts")
        ]
    )
    return shared.with_columns(
        starts_day=nw.col("_from"), ends_day=nw.col("_to"), days=nw.col("_to") - nw.col("_from") + 1
    ).drop("_from", "_to", "_length")


def _whole(name: str) -> nw.Expr:
    # A column without any value arrives as text.
    return nw.col(name).cast(nw.Int64)
