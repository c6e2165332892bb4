"""The injury: which finger, doing what, and which structures were hurt how badly."""

from __future__ import annotations

from registry.dictionary.exposure import context, discipline, setting
from registry.dictionary.model import Code, Field, Table, codes
from registry.dictionary.people import KIND_OF_CASE

SIDE = codes("left right")
DIGIT = codes("thumb index middle ring little")
JOINT = codes("mcp pip dip ip")
ONSET_MODE = codes(
    """
    sudden: acute; felt at once or within seconds
    repetitive_sudden: built up by repetition, then felt suddenly
    repetitive_gradual: built up by repetition and felt gradually
    unknown: asked, and not known
    """
)
ACTIVITY = codes("climbing board hangboard campus_board warm_up other")
MECHANISM = codes(
    """
    foot_slip: a foot came off while the hand was gripping
    dynamic_catch: catching a hold in movement
    slow_pull: a slow, hard pull
    hold_broke: the hold broke or turned
    jam_twist: the finger was jammed and twisted
    fall_on_hand: a fall onto the hand
    rock_strike: struck by rock or against the wall
    entrapment: caught in rope, device, ring or crack
    none: no single event (gradual onset)
    other: another event
    """
)
GRIP = codes(
    """
    full_crimp
    half_crimp
    open_hand
    sloper
    pocket_one: one finger in a pocket
    pocket_two: two fingers in a pocket
    pocket: in a pocket; number of fingers not stated
    pinch
    jam
    undercling_sidepull
    other
    not_applicable: gradual onset
    """
)

PULLEYS = ("a1", "a2", "a3", "a4", "a5")
CROSS_PULLEYS = ("c1", "c2", "c3")
TENDONS = ("fdp_tendon", "fds_tendon", "fpl_tendon", "tendon_sheath")
MUSCLES = ("lumbrical", "interosseous")
LIGAMENTS = ("collateral_radial", "collateral_ulnar", "volar_plate")
JOINT_PARTS = ("capsule", "cartilage")
EXTENSORS = ("extensor_hood", "sagittal_band")
BONES = ("growth_plate", "phalanx")
STRUCTURES = (
    *PULLEYS,
    *CROSS_PULLEYS,
    *TENDONS,
    *MUSCLES,
    *LIGAMENTS,
    *JOINT_PARTS,
    *EXTENSORS,
    *BONES,
    "thumb_oblique_pulley",
    "nerve",
    "skin",
    "other",
)
"""In the order in which tables list them."""

EXTENTS = (
    "strain",
    "partial",
    "complete",
    "inflammation",
    "stress_reaction",
    "fracture_undisplaced",
    "fracture_displaced",
    "fracture",
    "avulsion",
    "subluxation",
    "dislocation",
    "degenerative",
    "other",
)
SEEN_BY = codes("clinical ultrasound mri radiograph ct surgery unknown")

CASES = Table(
    name="cases",
    one_row_is="an injured finger",
    key=("case",),
    ordered=(("onset", "recorded"), ("onset", "first_seen"), ("onset", "off_from")),
    fields=(
        Field(
            name="case",
            kind="key",
            label="Case",
            required=True,
            description="The site's own number of the case; never the patient number.",
        ),
        Field(
            name="occurrence",
            kind="key",
            label="Occurrence",
            description="Several fingers hurt at once share it; empty means the case itself.",
        ),
        Field(name="athlete", kind="pseudonym", label="Climber", required=True, refers_to="athletes"),
        Field(name="age_at_onset", kind="integer", label="Age at onset", unit="years", low=5, high=99),
        Field(name="onset", kind="date", label="Onset", required=True, showable=True, description="Day 0."),
        Field(
            name="onset_precision",
            kind="code",
            label="Onset known to the",
            codes=codes("day week month"),
            showable=True,
        ),
        Field(name="recorded", kind="date", label="Recorded on", showable=True),
        Field(
            name="first_seen",
            kind="date",
            label="First seen",
            showable=True,
            description="The day on which the case came under this site's eyes. Strongly advised: without "
            "it the return curve takes the onset instead and says so.",
        ),
        Field(
            name="off_from",
            kind="date",
            label="Off from",
            showable=True,
            description="First day off, when later than the onset.",
        ),
        Field(name="side", kind="code", label="Hand", required=True, codes=SIDE, showable=True),
        Field(name="digit", kind="code", label="Finger", required=True, codes=DIGIT, showable=True),
        Field(
            name="onset_mode",
            kind="code",
            label="Mode of onset",
            required=True,
            codes=ONSET_MODE,
            showable=True,
            source="Bahr et al. 2020 (three modes; wording from memory)",
        ),
        Field(name="kind", kind="code", label="Case by", codes=KIND_OF_CASE, showable=True),
        context(),
        discipline(),
        setting(),
        Field(name="activity", kind="code", label="Activity", codes=ACTIVITY, showable=True),
        Field(name="mechanism", kind="code", label="Mechanism", codes=MECHANISM, showable=True),
        Field(name="grip", kind="code", label="Grip", codes=GRIP, showable=True),
        Field(name="pop_heard", kind="code", label="Pop heard", codes=codes("yes no"), showable=True),
        Field(
            name="level_before",
            kind="text",
            label="Climbing grade before",
            showable=True,
            description="The grade as written with the name of its scale; no conversion is made.",
        ),
        Field(
            name="history",
            kind="code",
            label="History",
            showable=True,
            codes=codes(
                """
            index: the first injury of a sequence
            new: another place and another tissue
            local: the same place, another tissue
            reinjury: the same place and tissue, after full recovery
            exacerbation: the same place and tissue, before full recovery
            """
            ),
            source="subsequent injury in the IOC family of consensus statements (Para-sport extension, Table 4)",
        ),
        Field(name="index_case", kind="key", label="Index case"),
        Field(
            name="prior_same_site",
            kind="code",
            label="Same place hurt before",
            codes=codes("yes no"),
            showable=True,
        ),
        Field(name="grade_recorded", kind="text", label="Grade as recorded", showable=True),
        Field(name="grade_scheme", kind="text", label="Scheme of that grade", showable=True),
        Field(
            name="uiaa_score",
            kind="integer",
            label="UIAA score",
            low=0,
            high=6,
            showable=True,
            source="Schöffl et al. 2011, Wilderness Environ Med 22:46-51 (grade texts from memory)",
        ),
        Field(name="physis_open", kind="code", label="Growth plate open", codes=codes("yes no"), showable=True),
        Field(
            name="referred_to_surgeon",
            kind="code",
            label="Referred to a surgeon",
            codes=codes("yes no"),
            showable=True,
        ),
        Field(name="match_set", kind="key", label="Matched set"),
        Field(
            name="confirmed_distinct",
            kind="code",
            label="Confirmed as another injury",
            codes=codes("yes"),
            showable=True,
        ),
    ),
)

STRUCTURE = Field(
    name="structure",
    kind="code",
    label="Structure",
    required=True,
    showable=True,
    codes=tuple(Code(word) for word in STRUCTURES),
)
EXTENT = Field(
    name="extent",
    kind="code",
    label="Extent",
    required=True,
    showable=True,
    codes=tuple(Code(word) for word in EXTENTS),
)

FINDINGS = Table(
    name="findings",
    one_row_is="an injured structure, as seen by one kind of examination on one day",
    key=("case", "structure", "joint", "seen_by", "found_on"),
    fields=(
        Field(name="case", kind="key", label="Case", required=True, refers_to="cases"),
        STRUCTURE,
        Field(name="joint", kind="code", label="Joint", codes=JOINT, showable=True),
        EXTENT,
        Field(name="seen_by", kind="code", label="Seen by", codes=SEEN_BY, showable=True),
        Field(name="found_on", kind="date", label="Found on", showable=True),
        Field(
            name="gap_mm",
            kind="number",
            label="Tendon-bone gap",
            unit="mm",
            low=0,
            high=10,
            warn_above=7,
            showable=True,
            source="plausible range after the ultrasound series of Klauser 1999 (up to 5.1 ± "
            "1.5 mm); limits themselves common practice, no source",
        ),
        Field(
            name="gap_position",
            kind="code",
            label="Gap measured in",
            codes=codes("extension forced_flexion"),
            showable=True,
        ),
        Field(name="gap_level", kind="code", label="Gap measured at", codes=codes("a2 a3 a4"), showable=True),
        Field(name="physis_scheme", kind="text", label="Scheme of the growth-plate grade", showable=True),
        Field(name="physis_grade", kind="text", label="Growth-plate grade", showable=True),
    ),
)
