"""What stands in a column: dates, years, numbers, words; and what all columns together say of dates and decimals."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass

from registry.proposing.detecting import Guess

ISO_DATE = re.compile(r"\d{4}-\d{1,2}-\d{1,2}")
DAY_DATE = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2\d{4}")
YEAR_DATE = re.compile(r"\d{4}([./])\d{1,2}\1\d{1,2}")
YEAR = re.compile(r"(19|20)\d\d")
NUMBER = re.compile(r"-?\d+([.,]\d+)?")
EMAIL = re.compile(r"[^@\s]+@[^@\s]+\.[^@\s]+")
KEY = re.compile(r"([A-Za-z]{0,4}[-_]?)(\d{3,})")
DAY_FIRST, MONTH_FIRST, YEAR_FIRST = "day month year", "month day year", "year month day"
MOSTLY = 0.5
"""Share of cells that makes a column one of dates, numbers, ...; damaged cells are fewer in any file worth mapping."""
ONE_SHAPE = 0.9
"""Share of cells of one shape, such as ``P`` and six figures, from which the shape is offered as the site's pattern.
A file with one strange pseudonym in ten is to be looked at by a person first."""


@dataclass(frozen=True)
class Profile:
    """A column's content.

    n_rows
        Cells, the empty ones counted.
    counts
        How often each filled cell's text occurs.
    """

    n_rows: int
    counts: Counter[str]

    @property
    def n_filled(self) -> int:
        """Filled cells."""
        return self.counts.total()

    def share(self, *patterns: re.Pattern[str]) -> float:
        """Return the share of filled cells that one of the patterns matches in full; 0 for an empty column."""
        return self.share_of(text for text in self.counts if any(pattern.fullmatch(text) for pattern in patterns))

    def share_of(self, texts: Iterable[str]) -> float:
        """Return the share of filled cells that hold one of the texts."""
        return sum(self.counts[text] for text in set(texts)) / self.n_filled if self.n_filled else 0.0

    def sample(self, most: int) -> Profile:
        """Return the profile of at most so many distinct texts, taken at even distances."""
        step = -(-len(self.counts) // most) if self.counts else 1
        return self if step == 1 else Profile(self.n_rows, Counter(dict(list(self.counts.items())[::step])))

    @property
    def dates(self) -> float:
        """Share of filled cells that look like a date with a year of four figures."""
        return self.share(ISO_DATE, DAY_DATE, YEAR_DATE)

    @property
    def distinct(self) -> float:
        """Distinct texts for each filled cell, 0 to 1."""
        return len(self.counts) / self.n_filled if self.n_filled else 0.0


def profile(cells: Iterable[str]) -> Profile:
    """Return the profile of a column's cells.

    Examples
    --------
    >>> seen = profile(["2024-01-31", "", "2024-02-01"])
    >>> seen.n_rows, seen.n_filled, seen.dates
    (3, 2, 1.0)
    """
    listed = list(cells)
    return Profile(len(listed), Counter(cell for cell in listed if cell))


def date_order(profiles: Iterable[Profile]) -> Guess | None:
    """Return the order of day, month and year that the data prove, or a doubtful one; None when all dates are ISO.

    A first number above 12 proves the day first, a second one the month first. Both, or neither, prove nothing.

    Examples
    --------
    >>> date_order([profile(["03/04/2024", "25/04/2024"])]).sure
    0.99
    >>> date_order([profile(["03/04/2024", "05/06/2024"])]).others
    ('month day year',)
    """
    day_first = month_first = year_first = both_small = 0
    for column in profiles:
        if column.dates < MOSTLY:
            continue
        for text, n in column.counts.items():
            match = DAY_DATE.fullmatch(text)
            if match is None:
                year_first += n if YEAR_DATE.fullmatch(text) else 0
                continue
            first, second = int(match[1]), int(match[3])
            day_first += n if first > 12 >= second else 0
            month_first += n if second > 12 >= first else 0
            both_small += n if first <= 12 and second <= 12 else 0
    if not (day_first or month_first or both_small):
        return Guess(value=YEAR_FIRST, sure=0.99) if year_first else None
    if year_first or bool(day_first) == bool(month_first):
        return Guess(value=DAY_FIRST, sure=0.5, others=(MONTH_FIRST,))
    return Guess(value=DAY_FIRST if day_first else MONTH_FIRST, sure=0.99)


def decimal_mark(profiles: Iterable[Profile]) -> Guess | None:
    """Return the decimal mark, a doubtful one where the data contradict themselves, or None without decimals.

    Examples
    --------
    >>> decimal_mark([profile(["1,3", "2", "10,25"])]).value
    ','
    >>> decimal_mark([profile(["1,250", "2,500"])]).others
    ('.',)
    """
    marks: Counter[str] = Counter()
    thousands = 0
    for column in profiles:
        if column.share(NUMBER) < MOSTLY:
            continue
        for text, n in column.counts.items():
            match = NUMBER.fullmatch(text)
            if match and match[1]:
                marks[match[1][0]] += n
                thousands += n if re.fullmatch(r"-?[1-9]\d{0,2}[.,]\d{3}", text) else 0
    if not marks:
        return None
    best = marks.most_common(1)[0][0]
    if len(marks) > 1 or thousands == marks.total():  # 1,250 may be one and a quarter or a thousand and more
        return Guess(value=best, sure=0.5, others=tuple(mark for mark in ",." if mark != best))
    return Guess(value=best, sure=0.98)


def key_pattern(column: Profile) -> tuple[str, float]:
    """Return a pattern for keys of one shape, and the share of cells that it matches; ('', 0) without one.

    Examples
    --------
    >>> key_pattern(profile(["P051897", "P760225"]))
    ('P[0-9]{6}', 1.0)
    """
    shapes: Counter[str] = Counter()
    for text, n in column.counts.items():
        match = KEY.fullmatch(text)
        if match:
            shapes[f"{match[1]}[0-9]{{{len(match[2])}}}"] += n
    if not shapes:
        return "", 0.0
    shape, n = shapes.most_common(1)[0]
    return shape, n / column.n_filled


def numbers(column: Profile) -> list[float]:
    """Return the column's numbers, whichever mark they are written with, once for each text."""
    return [float(text.replace(",", ".")) for text in column.counts if NUMBER.fullmatch(text)]
