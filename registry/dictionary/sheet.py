"""The flat sheet: ten fields on one row, the least that a clinic must type. One row feeds four tables."""

from __future__ import annotations

from registry.dictionary import course, exposure, injury, people
from registry.dictionary.model import Field, Table

SHEET = Table(
    name="sheet",
    one_row_is="an injured finger with its climber, its structures and its last known status",
    key=("athlete", "onset", "side", "digit"),
    either=(("age_at_onset", "birth_year"),),
    ordered=(("onset", "first_seen"), ("onset", "status_on")),
    description="A delivery of its own. The columns after the tenth are optional, and any may be left away.",
    fields=(
        Field(
            name="athlete",
            kind="pseudonym",
            label="Climber",
            required=True,
            description=people.ATHLETE.description,
        ),
        injury.CASES["age_at_onset"],
        people.ATHLETES["sex"],
        injury.CASES["side"],
        injury.CASES["digit"],
        injury.CASES["onset"],
        injury.CASES["first_seen"],
        Field(
            name="structures",
            kind="findings",
            label="Structures with extents",
            required=True,
            showable=True,
            codes=injury.STRUCTURE.codes,
            description="For example a2:complete; a3:partial. A joint may follow in brackets: "
            "volar_plate(pip):partial.",
        ),
        injury.CASES["onset_mode"],
        Field(name="status", kind="code", label="Status", required=True, codes=course.STATUS, showable=True),
        Field(name="status_on", kind="date", label="Status known on", required=True, showable=True),
        people.ATHLETES["birth_year"],
        Field(
            name="case",
            kind="key",
            label="Case",
            description="The site's own number; made from climber, onset, hand and finger when left away.",
        ),
        Field(
            name="status_since",
            kind="date",
            label="Status holds since",
            showable=True,
            description="Only if the day is known exactly.",
        ),
        Field(
            name="end_reason",
            kind="code",
            label="Why contacts ended",
            showable=True,
            codes=course.FOLLOW_UPS["end_reason"].codes,
        ),
        injury.CASES["grip"],
        injury.CASES["mechanism"],
        injury.CASES["activity"],
        exposure.discipline(),
        exposure.setting(),
        exposure.context(),
    ),
)
