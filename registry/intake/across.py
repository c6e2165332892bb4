"""Checks across rows and tables, as SQL over the typed staging tables.

``pool_athletes`` and ``pool_cases`` are the rows that may be referred to: those of this delivery that are good so far
and the registry's current ones.
"""

from __future__ import annotations

from registry.derive.people import ADULT_FROM
from registry.dictionary import Table
from registry.dictionary.anatomy import impossible, impossible_joint
from registry.dictionary.injury import DIGIT, JOINT, STRUCTURES
from registry.door import quoted
from registry.intake.across_injury import LIKELY_DUPLICATE, STATUS_BACKWARDS, climber_differs, lost_zeros
from registry.intake.across_time import (
    DIARY_OF_A_SQUAD_MEMBER,
    OVERLAPPING_EXPOSURE,
    SQUAD_OF_A_DIARIST,
    TOO_MANY_HOURS_TOGETHER,
)
from registry.intake.checks import text_literal

GROWTH_PLATE_AGE = 20
"""An open growth plate above this age is not possible: finger bones finish growing around 17 (BMC guide on climbing
injuries in adolescents, as read in our standards); three years of margin are common practice, no source."""

AGE = "coalesce(c.age_at_onset, year(c.onset) - a.birth_year)"

IMPOSSIBLE_STRUCTURES = ", ".join(
    f"('{digit.word}', '{structure}')"
    for digit in DIGIT
    for structure in STRUCTURES
    if impossible(digit.word, structure)
)
IMPOSSIBLE_JOINTS = ", ".join(
    f"('{digit.word}', '{joint.word}')"
    for digit in DIGIT
    for joint in JOINT
    if impossible_joint(digit.word, joint.word)
)


def _against_current(table: str, contradiction: str) -> str:
    """Compare a case with its rows in the registry, unless this delivery brings rows of that table for it anyway."""
    return (
        f'FROM good t JOIN current_{table} child ON child.site = t.site AND child."case" = t."case" '
        f'WHERE ({contradiction}) AND t."case" NOT IN '
        f'(SELECT trim("case") FROM staged_{table} WHERE "case" IS NOT NULL)'
    )


def _own_zeros(table: str, key: str) -> tuple[str, str, str]:
    """Compare a table's key with the registry's and with the other delivered ones."""
    column = quoted(key)
    known = f"(SELECT {column} AS key FROM current_{table} WHERE site IN (SELECT site FROM good))"
    longer = f"(SELECT {column} AS key FROM good UNION FROM {known})"
    return key, "lost_zeros", f"FROM good t WHERE {lost_zeros(column, known=known, longer=longer)}"


ACROSS: dict[str, list[tuple[str, str, str]]] = {
    "observation": [
        # A difference of exactly ADULT_FROM years is 17 before the birthday and 18 after it: which, is not known, and
        # a row is held only for what is known to be wrong. The derivation, which may err, takes it for a minor.
        (
            "guardian_consent",
            "guardian_consent",
            "FROM good t JOIN pool_athletes a USING (athlete) "
            f"WHERE year(t.starts_on) - a.birth_year < {ADULT_FROM} AND t.guardian_consent IS DISTINCT FROM 'yes'",
        ),
    ],
    "athletes": [
        *((column, "climber_differs", climber_differs(column)) for column in ("sex", "birth_year")),
        _own_zeros("athletes", "athlete"),
    ],
    "exposure": [
        # Twice: a row that is held leaves the registry's own row of its key standing, which others may overlap.
        ("starts_on", "overlapping_exposure", OVERLAPPING_EXPOSURE),
        ("starts_on", "overlapping_exposure", OVERLAPPING_EXPOSURE),
        ("athlete", "diary_and_squad", DIARY_OF_A_SQUAD_MEMBER),
        ("squad", "diary_and_squad", SQUAD_OF_A_DIARIST),
        ("minutes_total", "too_many_hours_together", TOO_MANY_HOURS_TOGETHER),
    ],
    "cases": [
        _own_zeros("cases", "case"),
        (
            "onset",
            "children_contradict",
            _against_current("follow_ups", "child.seen < t.onset OR child.since < t.onset"),
        ),
        (
            "digit",
            "children_contradict",
            _against_current(
                "findings",
                f"(t.digit, child.structure) IN ({IMPOSSIBLE_STRUCTURES}) "
                f"OR (t.digit, child.joint) IN ({IMPOSSIBLE_JOINTS})",
            ),
        ),
        ("onset", "likely_duplicate", LIKELY_DUPLICATE),
    ],
    "findings": [
        (
            "structure",
            "impossible_structure",
            f'FROM good t JOIN pool_cases c USING ("case") WHERE (c.digit, t.structure) IN ({IMPOSSIBLE_STRUCTURES})',
        ),
        (
            "joint",
            "impossible_joint",
            f'FROM good t JOIN pool_cases c USING ("case") WHERE (c.digit, t.joint) IN ({IMPOSSIBLE_JOINTS})',
        ),
        (
            "structure",
            "growth_plate_age",
            'FROM good t JOIN pool_cases c USING ("case") LEFT JOIN pool_athletes a ON a.athlete = c.athlete WHERE '
            f"t.structure = 'growth_plate' AND {AGE} > {GROWTH_PLATE_AGE}",
        ),
    ],
    "management": [
        (
            "starts_on",
            "surgery_without_date",
            "FROM good t WHERE t.kind = 'surgery' AND t.starts_on IS NULL",
        ),
    ],
    "referents": [_own_zeros("referents", "referent")],
    "follow_ups": [
        (
            "seen",
            "contact_before_onset",
            'FROM good t JOIN pool_cases c USING ("case") WHERE t.seen < c.onset',
        ),
        (
            "since",
            "status_before_onset",
            'FROM good t JOIN pool_cases c USING ("case") WHERE t.since < c.onset',
        ),
        ("status", "status_backwards", STATUS_BACKWARDS),
    ],
}
"""Table -> (column, reason code, FROM ... WHERE ...); ``good`` are the table's rows without a finding so far."""


def across_findings(table: Table, good: str) -> list[str]:
    """Return the SELECTs of findings that need other tables."""
    return [
        f"WITH good AS (SELECT * FROM {good}) SELECT t.row_id, t.origin, {text_literal(table.name)}, "
        f"{text_literal(column)}, {text_literal(code)}, NULL {condition}"
        for column, code, condition in ACROSS.get(table.name, [])
    ]


def key_conflicts(table: Table, good: str) -> str:
    """Return the SELECT of rows that share a key but not their content."""
    key = ", ".join(quoted(name) for name in table.key)
    # Rows of cases that say something of their climber in passing are compared by what they say: climber_differs.
    told = f"(SELECT * FROM {good} WHERE origin = row_id)" if table.name == "athletes" else good
    return (
        f"SELECT row_id, origin, {text_literal(table.name)}, {text_literal(table.key[0])}, 'key_conflict', NULL "
        f"FROM (SELECT row_id, origin, min(content) OVER keys AS least, max(content) OVER keys AS most FROM {told} "
        f"WINDOW keys AS (PARTITION BY {key})) WHERE least <> most"
    )


def missing_parents(table: Table, good: str) -> list[str]:
    """Return the SELECTs of rows whose parent is not there, or is held itself."""
    selects = []
    for field in table.fields:
        if not field.refers_to:
            continue
        column, parent = quoted(field.name), field.refers_to
        parent_key = quoted("athlete" if parent == "athletes" else "case")
        known = f"(SELECT {parent_key} AS key FROM pool_{parent})"
        selects.append(
            f"SELECT t.row_id, t.origin, {text_literal(table.name)}, {text_literal(field.name)}, 'lost_zeros', NULL "
            f"FROM {good} t WHERE {lost_zeros(column, known=known, longer=known)}"
        )
        held = f"EXISTS (SELECT 1 FROM typed_{parent} p WHERE p.{parent_key} = t.{column})"
        selects.append(
            f"SELECT t.row_id, t.origin, {text_literal(table.name)}, {text_literal(field.name)}, "
            f"CASE WHEN {held} THEN 'parent_held' ELSE 'unknown_parent' END, NULL FROM {good} t "
            f"WHERE t.{column} IS NOT NULL AND NOT EXISTS "
            f"(SELECT 1 FROM pool_{parent} p WHERE p.{parent_key} = t.{column})"
        )
    return selects
