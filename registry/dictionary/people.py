"""Who delivers, who climbs, and who was watched from when to when."""

from __future__ import annotations

from registry.dictionary.model import Field, Table, codes

SEX = codes("female male other unknown")
KIND_OF_CASE = codes(
    """
    any_complaint: every complaint, whether or not it was treated or cost time
    medical_attention: complaints that were seen by a health professional
    time_loss: complaints that cost at least one day of unrestricted climbing
    """
)

ATHLETE = Field(
    name="athlete",
    kind="pseudonym",
    label="Climber",
    description="Pseudonym given by the site; never a name, never the patient number itself.",
    refers_to="athletes",
)
SQUAD = Field(
    name="squad",
    kind="pseudonym",
    label="Squad",
    description="Pseudonym of a squad that is watched, or whose hours are noted, as a whole.",
)

SITES = Table(
    name="sites",
    one_row_is="a clinic, squad or event that delivers data",
    key=("site",),
    description="Needed before anything else of the site is taken in; printed in every report.",
    ordered=(("covers_from", "covers_to"),),
    fields=(
        Field(
            name="site",
            kind="key",
            label="Site",
            required=True,
            showable=True,
            description="Short code of the site, the same as given to --site.",
        ),
        Field(
            name="kind",
            kind="code",
            label="Kind of site",
            required=True,
            showable=True,
            codes=codes("clinic squad self_report event"),
        ),
        Field(
            name="case_definition",
            kind="code",
            label="Case definition",
            required=True,
            showable=True,
            codes=KIND_OF_CASE,
            source="Bahr et al. 2020, Br J Sports Med 54:372-389 (three definitions; wording from memory)",
        ),
        Field(
            name="consecutive",
            kind="code",
            label="Consecutive cases",
            showable=True,
            codes=codes("yes no"),
            description="Were all cases of the period delivered, one after the other?",
        ),
        Field(
            name="exposure_method",
            kind="code",
            label="How climbing time was obtained",
            required=True,
            showable=True,
            codes=codes(
                """
                  logged: written down at the time
                  estimated: estimated afterwards or from opening hours
                  none: no climbing time; the site's cases have no rate
                  """
            ),
        ),
        Field(
            name="contact_cadence_days",
            kind="integer",
            label="Days between contacts",
            unit="days",
            low=1,
            high=730,
            showable=True,
        ),
        Field(name="covers_from", kind="date", label="Covers from", showable=True),
        Field(name="covers_to", kind="date", label="Covers to", showable=True, may_be_future=True),
        Field(
            name="pseudonym_pattern",
            kind="text",
            max_length=200,
            label="Pattern of the pseudonyms",
            required=True,
            showable=True,
            description="A regular expression that every pseudonym of the site matches in "
            "full; a file with any other pseudonym is refused.",
        ),
        Field(
            name="controller",
            kind="text",
            max_length=200,
            label="Controller of the data",
            showable=True,
            description="Who answers for these pseudonymised health data.",
        ),
        Field(name="legal_basis", kind="text", max_length=200, label="Legal basis", showable=True),
        Field(name="retention_until", kind="date", label="Kept until", showable=True, may_be_future=True),
    ),
)

ATHLETES = Table(
    name="athletes",
    one_row_is="a climber",
    key=("athlete",),
    fields=(
        Field(name="athlete", kind="pseudonym", label="Climber", required=True, description=ATHLETE.description),
        Field(name="sex", kind="code", label="Sex", required=True, codes=SEX, showable=True),
        Field(
            name="birth_year",
            kind="year",
            label="Year of birth",
            low=1900,
            high=2100,
            description="The year only; a full date of birth is refused.",
        ),
        Field(
            name="squad",
            kind="pseudonym",
            label="Squad",
            description="The squad, if the climber's time is noted in the squad's rows.",
        ),
        Field(
            name="dominant_hand",
            kind="code",
            label="Dominant hand",
            codes=codes("left right both"),
            showable=True,
        ),
        Field(name="climbing_since", kind="year", label="Climbing since", low=1900, high=2100),
        Field(
            name="level",
            kind="code",
            label="Level",
            showable=True,
            codes=codes("recreational competitive_regional competitive_national competitive_international"),
        ),
        Field(name="height_cm", kind="number", label="Height", unit="cm", low=80, high=230),
        Field(name="body_mass_kg", kind="number", label="Body mass", unit="kg", low=15, high=200),
    ),
)

OBSERVATION = Table(
    name="observation",
    one_row_is="a period during which a climber or a squad was watched",
    key=("athlete", "squad", "starts_on"),
    either=(("athlete", "squad"),),
    exclusive=(("athlete", "squad"),),
    ordered=(("starts_on", "ends_on"),),
    description="Needed for incidence, prevalence and recurrence.",
    fields=(
        ATHLETE,
        SQUAD,
        Field(name="starts_on", kind="date", label="Watched from", required=True, showable=True),
        Field(
            name="ends_on",
            kind="date",
            label="Watched to",
            required=True,
            showable=True,
            description="Inclusive.",
        ),
        Field(
            name="end_reason",
            kind="code",
            label="Why watching ended",
            showable=True,
            codes=codes("season_end left stopped_climbing withdrawn unknown"),
        ),
        Field(
            name="consent_scope",
            kind="code",
            label="Consent",
            showable=True,
            codes=codes("registry registry_and_pooling"),
        ),
        Field(name="consented_on", kind="date", label="Consented on"),
        Field(
            name="guardian_consent",
            kind="code",
            label="Guardian's consent",
            codes=codes("yes no"),
            showable=True,
            description="Needed under 18.",
        ),
        Field(name="climbers", kind="integer", label="Climbers in the squad", low=1, high=10000, showable=True),
        Field(name="women", kind="integer", label="Women in the squad", low=0, high=10000, showable=True),
        Field(name="minors", kind="integer", label="Under-18s in the squad", low=0, high=10000, showable=True),
    ),
)
