"""What truly becomes of an injury: days off, restricted climbing, the way back, setbacks, giving up."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from synthetic_data.chance import days_around, happens
from synthetic_data.injuries import Injury
from synthetic_data.truth import Truth

OFF, MODIFIED, FULL, LEVEL, STOPPED = (
    "off_climbing",
    "modified_climbing",
    "full_climbing",
    "previous_level",
    "stopped_climbing",
)


@dataclass
class Course:
    """The true course of one injured finger; day numbers of the calendar."""

    onset: int
    off_from: int
    """First day off; the onset, unless the climber went on for a while."""
    changes: list[tuple[int, str]] = field(default_factory=list)
    """(day, status from that day on), in order."""
    stopped_because: str = ""
    surgery: bool = False

    @property
    def full(self) -> int | None:
        """First day of unrestricted climbing, None if it never comes."""
        return next((day for day, status in self.changes if status in (FULL, LEVEL)), None)

    @property
    def modified(self) -> int | None:
        """First day of at least restricted climbing."""
        return next((day for day, status in self.changes if status in (MODIFIED, FULL, LEVEL)), None)

    @property
    def level(self) -> int | None:
        """First day at the level of before."""
        return next((day for day, status in self.changes if status == LEVEL), None)

    @property
    def stopped(self) -> int | None:
        """The day of giving up."""
        return next((day for day, status in self.changes if status == STOPPED), None)

    def on(self, day: int) -> tuple[str, int]:
        """Return the status on a day, and since when it holds."""
        since, status = self.changes[0]
        for begins, name in self.changes:
            if begins > day:
                break
            since, status = begins, name
        return status, since

    def spans(self, last: int) -> list[tuple[int, int, str]]:
        """Return (first day, day after, status) for every part of the course up to a last day."""
        ends = [day for day, _ in self.changes[1:]] + [last + 1]
        return [
            (day, min(end, last + 1), status)
            for (day, status), end in zip(self.changes, ends, strict=True)
            if day <= last
        ]


def draw_course(truth: Truth, injury: Injury, *, onset: int, age: int, chance: Random) -> Course:
    """Draw the true course of an injury that happens on a day."""
    recovery, common = truth.recovery[injury.severity], truth.course
    course = Course(onset, onset)
    surgery = happens(recovery.surgery, chance)
    if happens(recovery.never_stopped, chance):
        course.changes = [(onset, FULL)]
        _reach_level(course, truth, injury, (onset, 14), chance)
        return course
    if injury.onset_mode == "repetitive_gradual" and happens(common.later_first_day_off, chance):
        course.off_from = onset + days_around(common.later_first_day_off_days, 0.6, chance, least=1)
    course.surgery = surgery
    older = common.over_35_factor if age >= 35 else 1.0
    needed = days_around(recovery.full * older, common.full_sigma, chance, least=3)
    start = course.off_from
    full = start + needed
    modified = start + min(needed - 1, max(1, round(needed * chance.gauss(recovery.modified, 0.10))))
    course.changes = [(start, OFF), (modified, MODIFIED)]
    if happens(recovery.gives_up, chance):
        _stop(course, chance.randint(start + needed // 2, full), "this_injury")
        return course
    if happens(common.gives_up_for_other_reasons, chance):
        because = "other_injury" if happens(0.4, chance) else "other"
        _stop(course, chance.randint(start + needed // 3, full), because)
        return course
    course.changes.append((full, FULL))
    settled = _set_back(course, truth, full, chance)
    _reach_level(course, truth, injury, (settled, full - start), chance)
    return course


def postpone(course: Course, *, day: int, full: int) -> None:
    """Let a course that was not over on a day wait for another injury's return to full climbing."""
    own, level = course.full, course.level
    if course.stopped is not None or own is None or own <= day:
        return
    later = max(0, full - own)
    course.changes = [change for change in course.changes if change[0] < own] + [(own + later, FULL)]
    if level is not None:
        course.changes.append((level + later, LEVEL))


def _stop(course: Course, day: int, because: str) -> None:
    course.changes = [change for change in course.changes if change[0] < day] + [(day, STOPPED)]
    course.stopped_because = because


def _set_back(course: Course, truth: Truth, full: int, chance: Random) -> int:
    if not happens(truth.course.setback, chance):
        return full
    begins = full + chance.randint(4, 60)
    ends = begins + days_around(truth.course.setback_days, 0.5, chance, least=3)
    course.changes += [(begins, MODIFIED if happens(0.6, chance) else OFF), (ends, FULL)]
    return ends


def _reach_level(course: Course, truth: Truth, injury: Injury, way: tuple[int, int], chance: Random) -> None:
    settled, needed = way
    if happens(truth.recovery[injury.severity].never_level, chance):
        return
    more = max(0.0, truth.course.previous_level_factor - 1) * needed
    day = settled + days_around(max(1.0, more), truth.course.previous_level_sigma * 2, chance, least=1)
    course.changes.append((day, LEVEL))
