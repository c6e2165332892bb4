"""What a site sees of an injury: whether and when it comes to its eyes, the contacts, pictures and treatments."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random

from synthetic_data.calendar import Calendar
from synthetic_data.chance import days_around, happens, pick
from synthetic_data.course import FULL, LEVEL, MODIFIED, OFF, STOPPED, Course
from synthetic_data.injuries import Injury
from synthetic_data.life import Event, Life
from synthetic_data.truth import Site, Truth

MOST_CONTACTS = 40
BONES_AND_JOINTS = ("fracture", "growth_plate", "capsulitis", "joint_wear")


@dataclass(frozen=True)
class Contact:
    """One contact with a climber after an injury."""

    day: int
    status: str
    since: int | None
    """Given only where the climber knew the day."""
    how: str
    end_reason: str
    stopped_because: str


@dataclass
class Seen:
    """One injured finger as a site has it on file."""

    life: Life
    event: Event
    injury: Injury
    course: Course
    onset: int
    """As recorded: the first day of the week or month where the day was not remembered."""
    precision: str
    first_seen: int
    contacts: list[Contact] = field(default_factory=list)
    imaging: tuple[str, int] | None = None
    treatments: list[tuple[str, int, int | None]] = field(default_factory=list)


@dataclass(frozen=True)
class Eyes:
    """A site that looks at the lives of its climbers under one truth and calendar."""

    site: Site
    truth: Truth
    calendar: Calendar

    def see(self, life: Life, chance: Random) -> list[Seen]:
        """Return the cases that come to the site's eyes, in the order of their onset."""
        seen = []
        for event in life.events:
            first_seen = self._first_seen(life, event, chance)
            if first_seen is None:
                continue
            precision = pick(self.truth.onset_precision, chance)
            for injury, course in event.fingers:
                case = Seen(life, event, injury, course, self._dated(event.day, precision), precision, first_seen)
                if self._meets_definition(course):
                    self._follow(case, chance)
                    self._look_inside(case, chance)
                    self._treat(case, chance)
                    seen.append(case)
        return seen

    def _meets_definition(self, course: Course) -> bool:
        if self.site.case_definition != "time_loss":
            return True
        return course.full is None or course.full - course.onset > 1

    def _dated(self, day: int, precision: str) -> int:
        return day if precision == "day" else int(self.calendar.period_starts(precision)[day])

    def _first_seen(self, life: Life, event: Event, chance: Random) -> int | None:
        injury, course = event.fingers[0]
        median = self.site.delay_sudden_days if injury.sudden else self.site.delay_gradual_days
        day = course.off_from + days_around(median, 0.8, chance)
        reported = self.site.reports
        if self.site.watches == "nobody":
            ends = [end for end in (course.full, course.stopped) if end is not None]
            too_late = bool(ends) and day >= min(ends)
            reported *= 0.0 if too_late else self.truth.seeks_care[injury.severity]
        else:
            if happens(self.site.recorded_afterwards, chance) and course.full is not None:
                day = course.full + chance.randint(5, 90)
            day, reported = self._while_watched(life, event, day, reported)
        if not happens(reported, chance) or not self.calendar.burn_in_days <= day <= self.calendar.cut_off:
            return None
        return day

    def _while_watched(self, life: Life, event: Event, day: int, reported: float) -> tuple[int, float]:
        """Injuries from before the watching are seen at its start if they still last, later ones seldom."""
        climber, full = life.climber, event.fingers[0][1].full
        if climber.observed and event.day < climber.joins:
            lasts = full is None or full > climber.joins
            return max(day, climber.joins), reported if lasts else 0.0
        if climber.observed and event.day > climber.leaves:
            return day, reported * 0.2
        return day, reported

    def _follow(self, case: Seen, chance: Random) -> None:
        records, day = self.truth.records, case.first_seen
        while day <= self.calendar.cut_off and len(case.contacts) < MOST_CONTACTS:
            status, since = case.course.on(day)
            end = self._ends(status, chance)
            because = case.course.stopped_because if status == STOPPED else ""
            exact = happens(self.site.exact_dates, chance) and case.precision == "day"
            how = "visit" if self.site.kind == "clinic" and not case.contacts else self._how(chance)
            if status in (OFF, MODIFIED) and how == "message" and happens(0.15, chance):
                status, exact = "not_yet_full", False
            case.contacts.append(Contact(day, status, since if exact else None, how, end, because))
            if end:
                return
            day += days_around(self.site.contact_cadence_days, records.contact_noise, chance, least=1)

    def _how(self, chance: Random) -> str:
        if self.site.kind == "clinic":
            return pick({"visit": 0.5, "phone": 0.4, "message": 0.1}, chance)
        return pick({"visit": 0.1, "phone": 0.2, "message": 0.7}, chance)

    def _ends(self, status: str, chance: Random) -> str:
        records = self.truth.records
        if status == STOPPED or happens({LEVEL: 0.85, FULL: 0.25}.get(status, 0.0), chance):
            return "discharged"
        return pick(
            {
                "lost": records.lost_per_contact,
                "declined": records.declined_per_contact,
                "withdrawn": records.withdrawn_per_contact,
                "": 1 - records.lost_per_contact - records.declined_per_contact - records.withdrawn_per_contact,
            },
            chance,
        )

    def _look_inside(self, case: Seen, chance: Random) -> None:
        if not happens(self.site.imaging, chance):
            return
        if case.injury.diagnosis in BONES_AND_JOINTS:
            kind = pick({"radiograph": 0.75, "mri": 0.15, "ct": 0.10}, chance)
        else:
            kind = pick({"ultrasound": 0.86, "mri": 0.14}, chance)
        day = case.first_seen + (0 if happens(0.5, chance) else days_around(9, 0.7, chance))
        if day <= self.calendar.cut_off:
            case.imaging = (kind, day)

    def _treat(self, case: Seen, chance: Random) -> None:
        start, course = case.first_seen, case.course
        back = course.full or course.stopped or start
        plan: list[tuple[str, int, int]] = []
        if back > start:
            plan.append(("rest", start, (course.modified or back)))
        if case.injury.diagnosis.startswith("pulley"):
            worse = case.injury.severity in ("pulley_III", "pulley_IV")
            plan.append(("ring_splint" if worse and happens(0.7, chance) else "tape", start, start + 60))
        if case.injury.diagnosis == "fracture":
            plan.append(("cast", start, start + 28))
        if case.injury.diagnosis in ("capsulitis", "tenosynovitis") and happens(0.15, chance):
            plan.append(("injection", start + chance.randint(0, 30), 0))
        if course.surgery and (course.full is None or course.full > start + 5):
            plan.append(("surgery", start + chance.randint(1, 4), 0))
        if happens(0.4, chance):
            plan.append(("exercise_therapy", start + 7, start + 7 + 42))
        for kind, begins, ends in plan:
            if begins <= self.calendar.cut_off and happens(0.85, chance):
                over = ends if begins <= ends <= self.calendar.cut_off else None
                case.treatments.append((kind, begins, over))
