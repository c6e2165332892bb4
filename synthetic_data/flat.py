"""The flat sheet of a practice that types ten fields a case and no more."""

from __future__ import annotations

from synthetic_data.calendar import Calendar
from synthetic_data.care import Seen
from synthetic_data.climbing import Kinds
from synthetic_data.injuries import Lesion
from synthetic_data.records import Row


def sheet_row(seen: Seen, key: str, calendar: Calendar, kinds: Kinds) -> Row:
    """Return the sheet's row of a case with its last known status."""
    injury, climber, last = seen.injury, seen.life.climber, seen.contacts[-1]
    discipline, setting, _ = kinds.names[seen.event.kind]
    return {
        "athlete": climber.athlete,
        "age_at_onset": climber.age_on(seen.event.day, calendar),
        "sex": climber.sex,
        "side": injury.side,
        "digit": injury.digit,
        "onset": calendar.iso(seen.onset),
        "first_seen": calendar.iso(seen.first_seen),
        "structures": "; ".join(_cell(lesion) for lesion in injury.lesions),
        "onset_mode": injury.onset_mode,
        "status": last.status,
        "status_on": calendar.iso(last.day),
        "case": key,
        "status_since": calendar.iso(last.since),
        "end_reason": last.end_reason,
        "grip": injury.grip,
        "mechanism": injury.mechanism,
        "discipline": discipline,
        "setting": setting,
    }


def _cell(lesion: Lesion) -> str:
    joint = f"({lesion.joint})" if lesion.joint else ""
    return f"{lesion.structure}{joint}:{lesion.extent}"
