"""What happened after the injury: pictures taken, treatment, readings, and every contact."""

from __future__ import annotations

from registry.dictionary.exposure import context, discipline, setting
from registry.dictionary.injury import ACTIVITY, GRIP, MECHANISM
from registry.dictionary.model import Field, Table, codes

STATUS = codes(
    """
    off_climbing: not climbing at all
    not_yet_full: not climbing without restriction; nothing better is known
    modified_climbing: climbing with restrictions
    full_climbing: climbing without restriction
    previous_level: climbing at the grade of before the injury
    stopped_climbing: has given up climbing
    """
)

CASE = Field(name="case", kind="key", label="Case", required=True, refers_to="cases")

IMAGING = Table(
    name="imaging",
    one_row_is="an imaging examination",
    key=("case", "kind", "done_on"),
    fields=(
        CASE,
        Field(
            name="kind",
            kind="code",
            label="Kind of imaging",
            required=True,
            showable=True,
            codes=codes("ultrasound mri radiograph ct"),
        ),
        Field(name="done_on", kind="date", label="Done on", required=True, showable=True),
    ),
)

MANAGEMENT = Table(
    name="management",
    one_row_is="a treatment",
    key=("case", "kind", "starts_on"),
    ordered=(("starts_on", "ends_on"),),
    fields=(
        CASE,
        Field(
            name="kind",
            kind="code",
            label="Kind of treatment",
            required=True,
            showable=True,
            codes=codes("rest tape ring_splint cast injection surgery exercise_therapy"),
        ),
        Field(name="starts_on", kind="date", label="From", showable=True),
        Field(name="ends_on", kind="date", label="To", showable=True, may_be_future=True),
    ),
)

READINGS = Table(
    name="readings",
    one_row_is="one reader's grade of a case",
    key=("case", "reader", "read_on"),
    fields=(
        CASE,
        Field(
            name="reader",
            kind="key",
            label="Reader",
            required=True,
            description="A code for the reader, never a name.",
        ),
        Field(name="read_on", kind="date", label="Read on", showable=True),
        Field(
            name="grade",
            kind="code",
            label="Grade",
            required=True,
            showable=True,
            codes=codes(
                """
            0: no lesion
            1: pulley grade I
            2: pulley grade II
            3: pulley grade III
            4: pulley grade IV
            not_gradable: cannot be graded
            """
            ),
        ),
    ),
)

FOLLOW_UPS = Table(
    name="follow_ups",
    one_row_is="a contact with the climber after the injury",
    key=("case", "seen"),
    ordered=(("since", "seen"),),
    fields=(
        CASE,
        Field(name="seen", kind="date", label="Day of the contact", required=True, showable=True),
        Field(name="status", kind="code", label="Status", required=True, codes=STATUS, showable=True),
        Field(
            name="since",
            kind="date",
            label="Status holds since",
            showable=True,
            description="Only if the day is known exactly.",
        ),
        Field(
            name="contact_kind",
            kind="code",
            label="Contact by",
            codes=codes("visit phone message"),
            showable=True,
        ),
        Field(
            name="stopped_because",
            kind="code",
            label="Stopped climbing because of",
            showable=True,
            codes=codes("this_injury other_injury other"),
        ),
        Field(
            name="end_reason",
            kind="code",
            label="Why contacts ended",
            showable=True,
            codes=codes("discharged lost declined withdrawn"),
        ),
        Field(name="pain_rest", kind="integer", label="Pain at rest", low=0, high=10, showable=True),
        Field(name="pain_load", kind="integer", label="Pain under load", low=0, high=10, showable=True),
        Field(name="function_score", kind="number", label="Function score", low=0, high=100, showable=True),
        Field(name="function_scale", kind="text", label="Scale of that score", showable=True),
        Field(
            name="extension_deficit_deg",
            kind="number",
            label="Extension deficit",
            unit="degrees",
            low=0,
            high=90,
            showable=True,
        ),
        Field(name="still_taping", kind="code", label="Still taping", codes=codes("yes no"), showable=True),
        Field(
            name="strength_percent",
            kind="number",
            label="Strength of the other side",
            unit="percent",
            low=0,
            high=200,
            showable=True,
        ),
        Field(
            name="strength_grip",
            kind="code",
            label="Grip in which strength was tested",
            codes=GRIP,
            showable=True,
        ),
        Field(
            name="complications",
            kind="codes",
            label="Complications",
            showable=True,
            description="Several are separated by a semicolon.",
            codes=codes(
                "stiffness fixed_flexion bowstringing joint_incongruity non_union infection nerve crps rerupture other"
            ),
        ),
    ),
)

REFERENTS = Table(
    name="referents",
    one_row_is="an uninjured climber, session or move to compare the cases with",
    key=("referent",),
    fields=(
        Field(name="referent", kind="key", label="Referent", required=True),
        Field(name="match_set", kind="key", label="Matched set"),
        Field(name="athlete", kind="pseudonym", label="Climber", refers_to="athletes"),
        Field(
            name="unit",
            kind="code",
            label="What was sampled",
            required=True,
            showable=True,
            codes=codes("climber session move"),
        ),
        Field(
            name="sampling",
            kind="code",
            label="How it was sampled",
            required=True,
            showable=True,
            codes=codes("unmatched matched density own_earlier"),
        ),
        Field(name="happened_on", kind="date", label="Day", showable=True),
        Field(
            name="observed_how",
            kind="code",
            label="How it was observed",
            showable=True,
            codes=codes("recording diary interview coach"),
        ),
        Field(name="grip", kind="code", label="Grip", codes=GRIP, showable=True),
        Field(name="mechanism", kind="code", label="Mechanism", codes=MECHANISM, showable=True),
        Field(name="activity", kind="code", label="Activity", codes=ACTIVITY, showable=True),
        discipline(),
        setting(),
        context(),
    ),
)
