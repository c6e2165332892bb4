"""A climber's days: when, what and how long they would climb if nothing hurt, and the hazard of each day."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from synthetic_data.calendar import Calendar, Ints
from synthetic_data.people import Climber
from synthetic_data.truth import Truth

Floats = npt.NDArray[np.float64]

REHABILITATION = "rehabilitation"


@dataclass(frozen=True)
class Kinds:
    """The kinds of climbing time (discipline, setting, context) that the truth knows, numbered."""

    names: tuple[tuple[str, str, str], ...]
    restricted: Ints
    """For each kind, the number of the same climbing done as rehabilitation."""
    hazard_per_minute: Floats
    minutes_median: Floats


@dataclass
class Days:
    """One climber's days in the order of the calendar; injuries change them from the day on which they happen."""

    kind: Ints
    """Number of the kind of climbing of the day's session."""
    minutes: Ints
    """0 on days without a session."""
    hazard: Floats
    """Expected occurrences of the day, before the effect of earlier injuries."""


def kinds_of(truth: Truth) -> Kinds:
    """Number the kinds of climbing time and look up their hazard and usual length."""
    names = sorted({tuple(name.split("/")) for style in truth.styles.values() for name in style})
    names += sorted({(name[0], name[1], REHABILITATION) for name in names})
    known = tuple((name[0], name[1], name[2]) for name in names)
    minutes = [
        truth.climbing.minutes_median[context]
        * (truth.climbing.outdoor_minutes_factor if setting == "outdoor" else 1.0)
        for _, setting, context in known
    ]
    hazard = [
        truth.hazard.per_1000_h[f"{setting}/{context}"] * truth.hazard.discipline[discipline] / 60_000
        for discipline, setting, context in known
    ]
    restricted = [known.index((name[0], name[1], REHABILITATION)) for name in known]
    return Kinds(known, np.array(restricted), np.array(hazard), np.array(minutes))


class Climbs:
    """Draws the days of one climber after another under one truth and calendar."""

    def __init__(self, truth: Truth, calendar: Calendar) -> None:
        self.truth = truth
        self.calendar = calendar
        self.kinds = kinds_of(truth)
        self._season = np.array([truth.hazard.season.get(str(year), 1.0) for year in calendar.season_of.tolist()])
        self._mixture = lru_cache(maxsize=None)(self._mixture_of)

    def _mixture_of(self, style: str) -> Floats:
        """Return the cumulated shares of the kinds of climbing in a style."""
        shares = np.array([self.truth.styles[style].get("/".join(name), 0.0) for name in self.kinds.names])
        cumulated: Floats = np.cumsum(shares / shares.sum())
        cumulated[-1] = 1.0
        return cumulated

    def days_of(self, climber: Climber, numbers: np.random.Generator) -> Days:
        """Draw every day of a climber, as if nothing ever hurt.

        Returns
        -------
        Days
            One entry a climbed day of the calendar; minutes are whole, the hazard is in occurrences a day.
        """
        n = self.calendar.days
        usual = climber.sessions_a_day * np.where(self.calendar.weekend, 1.4, 0.84)
        climbs = numbers.random(n) < usual
        drawn = np.searchsorted(self._mixture(climber.style), numbers.random(n), side="right")
        kind = np.minimum(drawn, len(self.kinds.names) - 1).astype(np.int64)
        spread = np.exp(self.truth.climbing.minutes_sigma * numbers.standard_normal(n))
        lasts = np.round(self.kinds.minutes_median[kind] * climber.minutes_factor * spread / 5) * 5
        minutes = np.where(climbs, np.clip(lasts, 20, 480), 0).astype(np.int64)
        days = Days(kind, minutes, np.zeros(n))
        self.refresh(days, climber, 0, n)
        return days

    def refresh(self, days: Days, climber: Climber, first: int, end: int) -> None:
        """Compute the hazard of the days first..end-1 anew from their kind and minutes."""
        part = slice(first, end)
        own = climber.frailty * self.truth.hazard.level[climber.level]
        days.hazard[part] = (
            days.minutes[part] * self.kinds.hazard_per_minute[days.kind[part]] * self._season[part] * own
        )

    def rest(self, days: Days, climber: Climber, first: int, end: int) -> None:
        """Make first..end-1 days without climbing."""
        days.minutes[max(first, 0) : max(end, 0)] = 0
        self.refresh(days, climber, max(first, 0), max(end, 0))

    def restrict(self, days: Days, climber: Climber, span: tuple[int, int], kept: npt.NDArray[np.bool_]) -> None:
        """Make the days of a span rehabilitation: fewer, shorter and easier sessions.

        Parameters
        ----------
        kept
            One entry a day of the calendar: is a session of that day kept?
        """
        part = slice(*span)
        kind = self.kinds.restricted[days.kind[part]]
        usual = self.kinds.minutes_median[days.kind[part]]
        shorter = np.round(days.minutes[part] * np.minimum(1.0, self.kinds.minutes_median[kind] / usual))
        days.minutes[part] = np.where(kept[part], shorter, 0).astype(np.int64)
        days.kind[part] = kind
        self.refresh(days, climber, *span)
