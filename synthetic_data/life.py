"""One climber's years, day by day: climbing, the hazard that strikes, rest, the way back, and climbing again."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

import numpy as np

from synthetic_data.chance import happens
from synthetic_data.climbing import Climbs, Days, Floats
from synthetic_data.course import FULL, LEVEL, OFF, STOPPED, Course, draw_course, postpone
from synthetic_data.injuries import Injury, draw_again, draw_injury, draw_neighbour
from synthetic_data.people import Climber

APART_DAYS = 50
"""The same finger is not hurt anew within so many days: two records of it within two weeks, one of them dated only
to its month, would look like one injury written down twice."""


@dataclass
class Event:
    """An occurrence: one moment, one or more fingers."""

    day: int
    kind: int
    """Number of the kind of climbing."""
    fingers: list[tuple[Injury, Course]]


@dataclass
class Life:
    """What truly happened to a climber."""

    climber: Climber
    days: Days
    events: list[Event]
    expected: Floats
    """Integrated hazard by kind of climbing: the occurrences that were to be expected on the way that was lived."""


def live(climber: Climber, climbs: Climbs, *, chance: Random, numbers: np.random.Generator) -> Life:
    """Simulate a climber from the first day to the last.

    The hazard strikes when the integrated hazard reaches an exponential draw, so that a session ends at the moment of
    the injury; the days after it are changed by its course before the next moment is sought.
    """
    days = climbs.days_of(climber, numbers)
    kept = numbers.random(climbs.calendar.days) < climbs.truth.climbing.rehabilitation_sessions
    life = Life(climber, days, [], np.zeros(len(climbs.kinds.names)))
    first, multiplier = 0, 1.0
    while first < climbs.calendar.days:
        reached = np.cumsum(days.hazard[first:])
        wanted = chance.expovariate(1.0) / multiplier
        struck = int(np.searchsorted(reached, wanted))
        day = first + struck
        if struck < len(reached):
            done = 1 - (float(reached[struck]) - wanted) / float(days.hazard[day])
            days.minutes[day] = max(1, round(int(days.minutes[day]) * done))
            days.hazard[day] *= done
        part = slice(first, day + 1)
        life.expected += multiplier * np.bincount(
            days.kind[part], weights=days.hazard[part], minlength=len(life.expected)
        )
        if struck == len(reached):
            break
        event = _strike(life, climbs, day, chance)
        _slow_down(life, climbs, event, kept)
        first, multiplier = day + 1, climbs.truth.hazard.previous_injury
    return life


def _strike(life: Life, climbs: Climbs, day: int, chance: Random) -> Event:
    truth, climber = climbs.truth, life.climber
    age = climber.age_on(day, climbs.calendar)
    injuries = [_draw(life, climbs, day, age, chance)]
    if injuries[0].sudden and happens(truth.course.several_fingers, chance):
        second = draw_neighbour(truth, injuries[0], chance=chance)
        if second.place not in _sore(life, day):
            injuries.append(second)
    fingers = [(injury, draw_course(truth, injury, onset=day, age=age, chance=chance)) for injury in injuries]
    event = Event(day, int(life.days.kind[day]), fingers)
    life.events.append(event)
    return event


def _sore(life: Life, day: int) -> set[tuple[str, str]]:
    return {injury.place for event in life.events if day - event.day < APART_DAYS for injury, _ in event.fingers}


def _draw(life: Life, climbs: Climbs, day: int, age: int, chance: Random) -> Injury:
    sore = _sore(life, day)
    earlier = [injury for event in life.events for injury, _ in event.fingers if injury.place not in sore]
    if earlier and happens(climbs.truth.course.same_place_again, chance):
        same = chance.choice(earlier)
        if same.diagnosis != "growth_plate" or age <= 17:
            return draw_again(climbs.truth, same, chance=chance)
    while True:
        injury = draw_injury(climbs.truth, age=age, dominant_hand=life.climber.dominant_hand, chance=chance)
        if injury.place not in sore:
            return injury


def _slow_down(life: Life, climbs: Climbs, event: Event, kept: np.typing.NDArray[np.bool_]) -> None:
    """Change the days after an event, and let injuries that were still healing wait for it."""
    last = climbs.calendar.days - 1
    full = max((course.full or 0 for _, course in event.fingers), default=0)
    for earlier in life.events[:-1]:
        for _, course in earlier.fingers:
            postpone(course, day=event.day, full=full)
    for _, course in event.fingers:
        for begins, end, status in course.spans(last):
            begin = max(begins, event.day + 1)
            if begin >= end or status in (FULL, LEVEL):
                continue
            if status in (OFF, STOPPED):
                climbs.rest(life.days, life.climber, begin, end)
            else:
                climbs.restrict(life.days, life.climber, (begin, end), kept)
