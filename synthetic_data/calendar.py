"""The days of the simulation, counted from its first day, and how they are written."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property

import numpy as np
import numpy.typing as npt

Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Calendar:
    """Burn-in, the watched seasons (calendar years), and the half year in which late records still arrive.

    Day numbers count from the first day of the burn-in.
    """

    first_season: int
    last_season: int
    burn_in_days: int

    @cached_property
    def first_day(self) -> date:
        """The date of day 0."""
        return date(self.first_season, 1, 1) - timedelta(days=self.burn_in_days)

    @cached_property
    def season_ends(self) -> int:
        """The last watched day."""
        return self.number(date(self.last_season, 12, 31))

    @cached_property
    def cut_off(self) -> int:
        """The day of the delivery: nothing is known after it."""
        return self.number(date(self.last_season + 1, 6, 30))

    @property
    def days(self) -> int:
        """How many days are climbed."""
        return self.season_ends + 1

    @property
    def seasons(self) -> range:
        """The watched calendar years."""
        return range(self.first_season, self.last_season + 1)

    def number(self, day: date) -> int:
        """Return the day number of a date."""
        return (day - self.first_day).days

    def date(self, number: int) -> date:
        """Return the date of a day number."""
        return self.first_day + timedelta(days=number)

    @cached_property
    def _written(self) -> list[str]:
        return [self.date(number).isoformat() for number in range(self.cut_off + 1)]

    def iso(self, number: int | None) -> str:
        """Write a day number as an ISO date, None as an empty cell."""
        if number is None:
            return ""
        return self._written[number] if 0 <= number <= self.cut_off else self.date(number).isoformat()

    @cached_property
    def season_of(self) -> Ints:
        """The calendar year of every climbed day."""
        return np.array([self.date(number).year for number in range(self.days)])

    @cached_property
    def weekend(self) -> npt.NDArray[np.bool_]:
        """Whether the climbed day is a Saturday or a Sunday."""
        return np.array([self.date(number).weekday() >= 5 for number in range(self.days)])

    def period_starts(self, period: str) -> Ints:
        """Return, for every climbed day, the first day of its week (Monday) or month; may be below 0."""
        if period == "week":
            return np.array([number - self.date(number).weekday() for number in range(self.days)])
        return np.array([number - self.date(number).day + 1 for number in range(self.days)])

    def period_end(self, start: int, period: str) -> int:
        """Return the last day of the week or month that starts on this day."""
        if period == "week":
            return start + 6
        next_month = (self.date(start).replace(day=28) + timedelta(days=4)).replace(day=1)
        return self.number(next_month) - 1
