"""The desk of a site, where lives become rows, and the ledger of what truly happened."""

from __future__ import annotations

from dataclasses import dataclass, field
from random import Random
from typing import ClassVar

import numpy as np

from synthetic_data.calendar import Calendar
from synthetic_data.care import Eyes, Seen
from synthetic_data.chance import happens
from synthetic_data.climbing import Climbs, Kinds
from synthetic_data.comparisons import earlier_session, observed_move, sampled_sessions
from synthetic_data.flat import sheet_row
from synthetic_data.life import Life
from synthetic_data.people import pseudonym_pattern
from synthetic_data.records import Pen
from synthetic_data.shelf import Shelf
from synthetic_data.timesheets import Squad, own_time
from synthetic_data.truth import Site


@dataclass
class Ledger:
    """What truly happened, by site and kind of climbing; and the true course of every delivered case."""

    COLUMNS: ClassVar = ("site", "discipline", "setting", "context", "minutes", "expected", "happened")
    COURSE_COLUMNS: ClassVar = (
        "site",
        "case",
        "severity",
        "onset",
        "off_from",
        "modified",
        "full",
        "previous_level",
        "stopped",
    )

    kinds: Kinds
    sums: dict[str, list[np.typing.NDArray[np.float64]]] = field(default_factory=dict)
    courses: list[tuple[str, ...]] = field(default_factory=list)

    def add(self, site: str, life: Life) -> None:
        """Add a climber's minutes, expected occurrences and occurrences, the unwatched ones included."""
        n = len(self.kinds.names)
        sums = self.sums.setdefault(site, [np.zeros(n), np.zeros(n), np.zeros(n)])
        sums[0] += np.bincount(life.days.kind, weights=life.days.minutes, minlength=n)
        sums[1] += life.expected
        sums[2] += np.bincount([event.kind for event in life.events], minlength=n) if life.events else 0

    def rows(self) -> list[tuple[str, ...]]:
        """Return one row a site and kind of climbing."""
        return [
            (site, *name, f"{minutes:.0f}", f"{expected:.6f}", f"{happened:.0f}")
            for site, sums in self.sums.items()
            for name, minutes, expected, happened in zip(self.kinds.names, *sums, strict=True)
            if minutes > 0
        ]


class Desk:
    """Takes one life after another and writes what the site knows of it."""

    def __init__(self, site: Site, climbs: Climbs, shelf: Shelf, chance: Random) -> None:
        self.site = site
        self.climbs = climbs
        self.shelf = shelf
        self.eyes = Eyes(site, climbs.truth, climbs.calendar)
        self._chance = chance
        self._squads: dict[str, Squad] = {}
        self._cases = 0
        self._occurrences = 0
        self._referents = 0

    @property
    def _calendar(self) -> Calendar:
        return self.climbs.calendar

    def introduce(self, people: int) -> None:
        """Write the row of the site itself."""
        calendar = self._calendar
        self.shelf.add(
            "sites",
            [
                {
                    "site": self.site.code,
                    "kind": self.site.kind,
                    "case_definition": self.site.case_definition,
                    "consecutive": self.site.consecutive,
                    "exposure_method": self.site.exposure_method,
                    "contact_cadence_days": self.site.contact_cadence_days,
                    "covers_from": calendar.iso(calendar.burn_in_days),
                    "covers_to": calendar.iso(calendar.season_ends),
                    "pseudonym_pattern": pseudonym_pattern(people),
                    "controller": f"{self.site.name} (invented)",
                    "legal_basis": "consent (invented)",
                    "retention_until": f"{calendar.last_season + 10}-12-31",
                }
            ],
        )

    def write(self, life: Life, chance: Random) -> list[tuple[str, ...]]:
        """Write everything that the site knows of a climber; return the true courses of the delivered cases."""
        pen = Pen(self.site, self.climbs.truth, self._calendar, self.climbs.kinds, chance)
        seen = self.eyes.see(life, chance)
        if self.site.delivers == "sheet":
            return [self._on_the_sheet(case) for case in seen]
        if life.climber.observed or seen:
            self.shelf.add("athletes", [pen.athlete(life.climber)])
        if life.climber.observed:
            self._write_time(life, pen, chance)
        return self._write_cases(seen, pen, chance)

    def close(self) -> None:
        """Write what is known only when everyone has been seen: the squads as a whole."""
        for name, squad in self._squads.items():
            self.shelf.add("observation", squad.watching(name, self._calendar))
            self.shelf.add("exposure", squad.exposure(name, self._calendar, self.climbs.kinds, self._chance))

    def _write_time(self, life: Life, pen: Pen, chance: Random) -> None:
        calendar, kinds, truth = self._calendar, self.climbs.kinds, self.climbs.truth
        if self.site.watches == "squads":
            self._squads.setdefault(life.climber.squad, Squad()).add(life, calendar, kinds)
            return
        self.shelf.add("observation", pen.watching(life.climber))
        self.shelf.add("exposure", own_time(life, self.site, truth, calendar, kinds, chance))
        if self.site.exposure_method == "logged":
            for session in sampled_sessions(life, truth, calendar, kinds, chance):
                self.shelf.add("referents", [{"referent": self._next_referent(), **session}])

    def _write_cases(self, seen: list[Seen], pen: Pen, chance: Random) -> list[tuple[str, ...]]:
        courses = []
        earlier: list[tuple[Seen, str]] = []
        occurrence, of_event = "", None
        for case in seen:
            if case.event is not of_event:
                self._occurrences += 1
                occurrence, of_event = f"E{self._occurrences:06d}", case.event
            key = self._next_case()
            match_set = self._compare(case, key, chance)
            row = pen.case(case, key, occurrence, history_of(case, earlier))
            self.shelf.add("cases", [row | {"match_set": match_set}])
            self.shelf.add("findings", pen.findings(case, key))
            self.shelf.add("imaging", pen.imaging(case, key))
            self.shelf.add("management", pen.management(case, key))
            if self.site.kind == "clinic":
                self.shelf.add("readings", pen.readings(case, key))
            self.shelf.add("follow_ups", pen.contacts(case, key))
            earlier.append((case, key))
            courses.append(self._course(case, key))
        return courses

    def _compare(self, case: Seen, key: str, chance: Random) -> str:
        """Write the referents that belong to a case; return the key of its matched set."""
        truth, calendar = self.climbs.truth, self._calendar
        if self.site.kind == "clinic" and self.site.consecutive == "yes":
            for _ in range(int(truth.records.moves_per_case + chance.random())):
                move = observed_move(truth, case.first_seen, calendar, chance)
                self.shelf.add("referents", [{"referent": self._next_referent(), **move}])
            return ""
        if self.site.exposure_method != "logged" or not case.injury.sudden or not case.life.climber.observed:
            return ""
        session = earlier_session(case, f"M{key}", calendar, self.climbs.kinds, chance)
        if session is None or not happens(0.9, chance):
            return ""
        self.shelf.add("referents", [{"referent": self._next_referent(), **session}])
        return f"M{key}"

    def _on_the_sheet(self, case: Seen) -> tuple[str, ...]:
        key = self._next_case()
        self.shelf.add("sheet", [sheet_row(case, key, self._calendar, self.climbs.kinds)])
        return self._course(case, key)

    def _course(self, case: Seen, key: str) -> tuple[str, ...]:
        course, iso = case.course, self._calendar.iso
        days = (case.event.day, course.off_from, course.modified, course.full, course.level, course.stopped)
        return (self.site.code, key, case.injury.severity, *(iso(day) for day in days))

    def _next_case(self) -> str:
        self._cases += 1
        return f"C{self._cases:06d}"

    def _next_referent(self) -> str:
        self._referents += 1
        return f"R{self._referents:06d}"


def history_of(case: Seen, earlier: list[tuple[Seen, str]]) -> tuple[str, str]:
    """Return the code of a case's history and the key of its index case, as far as the site can know."""
    if not earlier:
        return "index", ""
    structures = {lesion.structure for lesion in case.injury.lesions}
    for before, key in reversed(earlier):
        if before.event is case.event or before.injury.place != case.injury.place:
            continue
        if not structures & {lesion.structure for lesion in before.injury.lesions}:
            return "local", ""
        healed = before.course.full is not None and before.course.full <= case.event.day
        return ("reinjury" if healed else "exacerbation"), key
    return "new", ""
