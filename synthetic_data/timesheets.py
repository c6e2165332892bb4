"""Climbing time written down: a climber's own weeks or months, or a squad's months as a whole."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random

import numpy as np

from synthetic_data.calendar import Calendar
from synthetic_data.chance import happens
from synthetic_data.climbing import Kinds
from synthetic_data.life import Life
from synthetic_data.records import Row, seasons_within
from synthetic_data.truth import Site, Truth


def own_time(life: Life, site: Site, truth: Truth, calendar: Calendar, kinds: Kinds, chance: Random) -> list[Row]:
    """Return a climber's exposure rows: one a week or month and kind of climbing.

    Periods that were not handed in have no row; a period is cut where the watching begins or ends.
    """
    climber = life.climber
    watched = np.arange(climber.joins, climber.leaves + 1)
    climbed = watched[life.days.minutes[watched] > 0]
    starts = calendar.period_starts(site.period)[climbed]
    groups, where = np.unique(starts * len(kinds.names) + life.days.kind[climbed], return_inverse=True)
    minutes = np.bincount(where, weights=life.days.minutes[climbed], minlength=len(groups)).astype(np.int64)
    sessions = np.bincount(where, minlength=len(groups))
    missed: dict[int, bool] = {}
    rows: list[Row] = []
    for group, total, count in zip(groups.tolist(), minutes.tolist(), sessions.tolist(), strict=True):
        start, kind = divmod(group, len(kinds.names))
        if missed.setdefault(start, happens(truth.records.misses_a_period, chance)):
            continue
        discipline, setting, context = kinds.names[kind]
        rows.append(
            {
                "athlete": climber.athlete,
                "starts_on": calendar.iso(max(start, climber.joins)),
                "ends_on": calendar.iso(min(calendar.period_end(start, site.period), climber.leaves)),
                "discipline": discipline,
                "setting": setting,
                "context": context,
                "minutes_total": total if site.exposure_method == "logged" else _guessed(total, chance),
                "sessions_total": count,
                "starts": count if context == "competition" else "",
                "method": site.exposure_method,
            }
        )
    return rows


def _guessed(minutes: int, chance: Random) -> int:
    """Return minutes as somebody remembers them: off by a tenth or so, and in half hours."""
    return max(30, round(minutes * (1 + chance.gauss(0, 0.1)) / 30) * 30)


@dataclass
class Squad:
    """What a trainer notes about a squad as a whole."""

    climbers: int = 0
    women: int = 0
    birth_years: list[int] = field(default_factory=list)
    time: dict[tuple[int, int], list[int]] = field(default_factory=lambda: defaultdict(lambda: [0, 0]))
    """(first day of the month, kind of climbing) -> minutes, sessions."""

    def add(self, life: Life, calendar: Calendar, kinds: Kinds) -> None:
        """Add a member and their climbing."""
        self.climbers += 1
        self.women += life.climber.sex == "female"
        self.birth_years.append(life.climber.birth_year)
        climbed = np.flatnonzero(life.days.minutes)
        climbed = climbed[climbed >= calendar.burn_in_days]
        groups = calendar.period_starts("month")[climbed] * len(kinds.names) + life.days.kind[climbed]
        for group, minutes in zip(groups.tolist(), life.days.minutes[climbed].tolist(), strict=True):
            noted = self.time[divmod(group, len(kinds.names))]
            noted[0] += minutes
            noted[1] += 1

    def exposure(self, name: str, calendar: Calendar, kinds: Kinds, chance: Random) -> Iterator[Row]:
        """Yield one row a month and kind of climbing, estimated in whole hours of everyone together."""
        for (start, kind), (minutes, sessions) in sorted(self.time.items()):
            discipline, setting, context = kinds.names[kind]
            expected = 4 * self.climbers
            yield {
                "squad": name,
                "starts_on": calendar.iso(start),
                "ends_on": calendar.iso(calendar.period_end(start, "month")),
                "discipline": discipline,
                "setting": setting,
                "context": context,
                "minutes_total": max(60, round(minutes * (1 + chance.gauss(0, 0.05)) / 60) * 60),
                "sessions_total": sessions,
                "starts": sessions if context == "competition" else "",
                "climbers": self.climbers,
                "method": "estimated",
                "reports_expected": expected,
                "reports_received": expected - chance.randint(0, self.climbers),
            }

    def watching(self, name: str, calendar: Calendar) -> Iterator[Row]:
        """Yield one observation row a season."""
        for season, first, last in seasons_within(calendar, calendar.burn_in_days, calendar.season_ends):
            yield {
                "squad": name,
                "starts_on": calendar.iso(first),
                "ends_on": calendar.iso(last),
                "end_reason": "season_end",
                "consent_scope": "registry_and_pooling",
                "climbers": self.climbers,
                "women": self.women,
                "minors": sum(season - year < 18 for year in self.birth_years),
            }
