"""Climbers and cases written down as rows of the dictionary's tables, with the gaps that real records have."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from synthetic_data.calendar import Calendar
from synthetic_data.care import Seen
from synthetic_data.chance import happens, pick
from synthetic_data.climbing import Kinds
from synthetic_data.course import FULL, LEVEL, OFF
from synthetic_data.injuries import Lesion
from synthetic_data.people import Climber
from synthetic_data.truth import Site, Truth

Row = dict[str, object]

ONE_STEP = {"strain": "partial", "partial": "strain", "complete": "partial"}
GRADES = ("0", "I", "II", "III", "IV")
GAP_MM = {"strain": 1.3, "partial": 2.2, "complete": 3.7}
"""Tendon-bone distance in millimetres under load; invented, in the order of severity."""


@dataclass
class Pen:
    """Writes rows for one site, and leaves out what such a site leaves out."""

    site: Site
    truth: Truth
    calendar: Calendar
    kinds: Kinds
    chance: Random

    def optional(self, value: object) -> object:
        """Write a coded value, leave it empty, or write that it was asked and not known."""
        drawn = self.chance.random()
        if drawn < self.truth.records.empty:
            return ""
        return "unknown" if drawn < self.truth.records.empty + self.truth.records.unknown else value

    def or_empty(self, value: object) -> object:
        """Write a value or leave it empty."""
        return "" if happens(self.truth.records.empty, self.chance) else value

    def athlete(self, climber: Climber) -> Row:
        """Return the row of a climber."""
        measured = happens(0.6, self.chance)
        return {
            "athlete": climber.athlete,
            "sex": "unknown" if happens(0.01, self.chance) else climber.sex,
            "birth_year": "" if happens(0.02, self.chance) else climber.birth_year,
            "squad": climber.squad,
            "dominant_hand": self.optional(climber.dominant_hand),
            "climbing_since": self.or_empty(climber.climbing_since),
            "level": self.optional(climber.level),
            "height_cm": climber.height_cm if measured else "",
            "body_mass_kg": climber.body_mass_kg if measured else "",
        }

    def watching(self, climber: Climber) -> list[Row]:
        """Return one observation row a season of a climber who is watched."""
        rows: list[Row] = []
        consented = self.calendar.iso(max(0, climber.joins - self.chance.randint(0, 20)))
        scope = pick({"registry": 0.3, "registry_and_pooling": 0.7}, self.chance)
        for season, first, last in seasons_within(self.calendar, climber.joins, climber.leaves):
            rows.append(
                {
                    "athlete": climber.athlete,
                    "starts_on": self.calendar.iso(first),
                    "ends_on": self.calendar.iso(last),
                    "end_reason": climber.leaves_because if last == climber.leaves else "season_end",
                    "consent_scope": scope,
                    "consented_on": consented,
                    "guardian_consent": "yes" if season - climber.birth_year <= 18 else "not_applicable",
                }
            )
        return rows

    def case(self, seen: Seen, key: str, occurrence: str, history: tuple[str, str]) -> Row:
        """Return the row of a case.

        Parameters
        ----------
        key, occurrence
            The site's own numbers.
        history
            The code of the history, and the number of the index case if there is one.
        """
        injury, event, climber = seen.injury, seen.event, seen.life.climber
        discipline, setting, context = self.kinds.names[event.kind]
        age = climber.age_on(event.day, self.calendar)
        gradual = injury.onset_mode == "repetitive_gradual"
        pulley = injury.diagnosis == "pulley" and happens(0.5, self.chance)
        imprecise = seen.precision != "day"
        return {
            "case": key,
            "occurrence": occurrence,
            "athlete": climber.athlete,
            "age_at_onset": age,
            "onset": self.calendar.iso(seen.onset),
            "onset_precision": seen.precision if imprecise else self.or_empty("day"),
            "recorded": self.calendar.iso(self.recorded_on(seen)),
            "first_seen": self.or_empty(self.calendar.iso(seen.first_seen)),
            "off_from": self.calendar.iso(seen.course.off_from)
            if seen.course.off_from > event.day and not imprecise
            else "",
            "side": injury.side,
            "digit": injury.digit,
            "onset_mode": "unknown" if happens(0.02, self.chance) else injury.onset_mode,
            "kind": self.or_empty(self.site.case_definition),
            "context": self.optional(context),
            "discipline": self.or_empty(discipline),
            "setting": self.or_empty(setting),
            "activity": self.optional(injury.activity),
            "mechanism": "none" if gradual else self.optional(injury.mechanism),
            "grip": "not_applicable" if gradual else self.optional(injury.grip),
            "pop_heard": "not_applicable" if gradual else self.optional("yes" if injury.pop else "no"),
            "history": self.or_empty(history[0]),
            "index_case": history[1],
            "prior_same_site": self.optional("yes" if history[1] or happens(0.1, self.chance) else "no"),
            "grade_recorded": injury.severity.removeprefix("pulley_") if pulley else "",
            "grade_scheme": "pulley_four_grades" if pulley else "",
            "uiaa_score": self.or_empty(self._uiaa(injury.severity)),
            "physis_open": self.optional("yes" if age < 16 else "no") if age < 18 else "not_applicable",
            "referred_to_surgeon": self.optional("yes" if seen.course.surgery else "no"),
        }

    def recorded_on(self, seen: Seen) -> int:
        """Return the day on which the case was written down: some days after it was first seen."""
        return min(self.calendar.cut_off, seen.first_seen + int(self.chance.expovariate(0.25)))

    def _uiaa(self, severity: str) -> int:
        if severity == "other" or severity.endswith("_strain"):
            return 1
        return 3 if severity in ("pulley_IV", "fracture_displaced") and happens(0.5, self.chance) else 2

    def findings(self, seen: Seen, key: str) -> list[Row]:
        """Return the rows of what was found: by hand first, by a picture where one was taken."""
        rows = []
        if self.site.kind == "self_report" and seen.imaging is None and happens(0.35, self.chance):
            return []
        for lesion in seen.injury.lesions:
            if seen.imaging is None or happens(0.7, self.chance):
                rows.append(self._finding(seen, key, lesion, None))
            if seen.imaging is not None:
                rows.append(self._finding(seen, key, lesion, seen.imaging))
        return rows

    def _finding(self, seen: Seen, key: str, lesion: Lesion, picture: tuple[str, int] | None) -> Row:
        extent = lesion.extent
        if picture is None and happens(self.truth.records.misjudged_by_hand, self.chance):
            extent = ONE_STEP.get(extent, extent)
        by_hand = "unknown" if self.site.kind == "self_report" else "clinical"
        day = seen.first_seen if picture is None else picture[1]
        row: Row = {
            "case": key,
            "structure": lesion.structure,
            "joint": lesion.joint,
            "extent": extent,
            "seen_by": by_hand if picture is None else picture[0],
            "found_on": self.calendar.iso(day),
            "gap_mm": "",
            "gap_position": "",
            "gap_level": "",
        }
        if lesion.structure in ("a2", "a3", "a4") and picture is not None and picture[0] == "ultrasound":
            gap = self.chance.gauss(GAP_MM[lesion.extent], 0.5)
            row |= {
                "gap_mm": f"{min(6.9, max(0.4, gap)):.1f}",
                "gap_position": "forced_flexion",
                "gap_level": lesion.structure,
            }
        return row

    def imaging(self, seen: Seen, key: str) -> list[Row]:
        """Return the row of the picture that was taken, if one was."""
        if seen.imaging is None:
            return []
        kind, day = seen.imaging
        return [{"case": key, "kind": kind, "done_on": self.calendar.iso(day)}]

    def management(self, seen: Seen, key: str) -> list[Row]:
        """Return one row a treatment."""
        return [
            {
                "case": key,
                "kind": kind,
                "starts_on": self.calendar.iso(begins),
                "ends_on": self.calendar.iso(ends),
            }
            for kind, begins, ends in seen.treatments
        ]

    def readings(self, seen: Seen, key: str) -> list[Row]:
        """Return the grades that two readers gave to the ultrasound of a pulley, in a clinic that has two."""
        if seen.imaging is None or seen.imaging[0] != "ultrasound" or not happens(0.5, self.chance):
            return []
        pulley = seen.injury.severity.startswith("pulley_")
        true_grade = GRADES.index(seen.injury.severity.removeprefix("pulley_")) if pulley else 0
        rows: list[Row] = []
        for reader in ("reader_a", "reader_b"):
            grade = true_grade
            if happens(self.truth.records.reader_off_by_one, self.chance):
                grade = min(4, max(0, grade + self.chance.choice((-1, 1))))
            written = "not_gradable" if happens(0.04, self.chance) else str(grade)
            day = min(self.calendar.cut_off, seen.imaging[1] + self.chance.randint(1, 40))
            rows.append({"case": key, "reader": reader, "read_on": self.calendar.iso(day), "grade": written})
        return rows

    def contacts(self, seen: Seen, key: str) -> list[Row]:
        """Return one row a contact."""
        rows = []
        for contact in seen.contacts:
            clinic = self.site.kind == "clinic" and contact.how == "visit"
            back = contact.status in (FULL, LEVEL)
            rest, load = (0.3, 1.2) if back else (2.5, 5.0) if contact.status == OFF else (1.0, 3.2)
            rows.append(
                {
                    "case": key,
                    "seen": self.calendar.iso(contact.day),
                    "status": contact.status,
                    "since": self.calendar.iso(contact.since),
                    "contact_kind": contact.how,
                    "stopped_because": contact.stopped_because,
                    "end_reason": contact.end_reason,
                    "pain_rest": self.or_empty(self._score(rest)),
                    "pain_load": self.or_empty(self._score(load)),
                    "extension_deficit_deg": 5 * self._score(0.4 if back else 1.5) if clinic else "",
                    "still_taping": self.optional("yes" if happens(0.5, self.chance) else "no")
                    if seen.injury.diagnosis.startswith("pulley")
                    else "",
                    "complications": self._complications(seen, back=back) if clinic else "",
                }
            )
        return rows

    def _score(self, about: float) -> int:
        return min(10, max(0, round(self.chance.gauss(about, 1.2))))

    def _complications(self, seen: Seen, *, back: bool) -> str:
        if back or seen.injury.severity not in ("pulley_IV", "fracture_displaced", "ligament_complete"):
            return ""
        return pick({"": 0.75, "stiffness": 0.15, "fixed_flexion; stiffness": 0.06, "rerupture": 0.04}, self.chance)


def seasons_within(calendar: Calendar, first: int, last: int) -> list[tuple[int, int, int]]:
    """Cut a span of days at the ends of the seasons: (season, first day, last day)."""
    parts, begin = [], first
    for season in calendar.seasons:
        end = min(last, calendar.number(calendar.date(0).replace(year=season, month=12, day=31)))
        if begin <= end:
            parts.append((season, begin, end))
            begin = end + 1
    return parts
