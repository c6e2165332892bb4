"""The uninjured side: sessions and moves that were sampled to compare the cases with."""

from __future__ import annotations

from random import Random

import numpy as np

from registry.dictionary import TABLES
from synthetic_data.calendar import Calendar
from synthetic_data.care import Seen
from synthetic_data.chance import happens, pick
from synthetic_data.climbing import Kinds
from synthetic_data.life import Life
from synthetic_data.records import Row
from synthetic_data.truth import Truth

NOTHING: Row = {name: "" for name in TABLES["referents"].names if name != "referent"}
WINDOW_DAYS = (7, 28)
"""How long before the injury the same climber's earlier session may lie."""


def sampled_sessions(life: Life, truth: Truth, calendar: Calendar, kinds: Kinds, chance: Random) -> list[Row]:
    """Return unmatched sessions from a climber's diary, each with the same small probability."""
    rows: list[Row] = []
    for day in np.flatnonzero(life.days.minutes[: life.climber.leaves + 1]).tolist():
        if day >= life.climber.joins and happens(truth.records.sessions_sampled, chance):
            rows.append(_session(life, day, calendar, kinds) | {"sampling": "unmatched"})
    return rows


def earlier_session(seen: Seen, match_set: str, calendar: Calendar, kinds: Kinds, chance: Random) -> Row | None:
    """Return a session of the injured climber from the weeks before a sudden injury, if there was one."""
    life, day = seen.life, seen.event.day
    nearest, farthest = WINDOW_DAYS
    window = np.arange(max(life.climber.joins, day - farthest), day - nearest + 1)
    climbed = window[life.days.minutes[window] > 0].tolist()
    if not climbed:
        return None
    return _session(life, chance.choice(climbed), calendar, kinds) | {
        "sampling": "own_earlier",
        "match_set": match_set,
    }


def _session(life: Life, day: int, calendar: Calendar, kinds: Kinds) -> Row:
    discipline, setting, context = kinds.names[int(life.days.kind[day])]
    return {
        **NOTHING,
        "athlete": life.climber.athlete,
        "unit": "session",
        "happened_on": calendar.iso(day),
        "observed_how": "diary",
        "discipline": discipline,
        "setting": setting,
        "context": context,
    }


def observed_move(truth: Truth, day: int, calendar: Calendar, chance: Random) -> Row:
    """Return a move of an uninjured climber, as a coach noted it: grips and events as often as they are used."""
    return {
        **NOTHING,
        "unit": "move",
        "sampling": "unmatched",
        "happened_on": calendar.iso(day),
        "observed_how": "coach",
        "grip": pick(truth.grips.share, chance),
        "mechanism": pick(truth.moves.share, chance),
        "activity": pick(truth.activities.share, chance),
    }
