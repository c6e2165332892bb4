"""The data dictionary: every table and field, said once."""

from registry.dictionary.course import FOLLOW_UPS, IMAGING, MANAGEMENT, READINGS, REFERENTS
from registry.dictionary.exposure import EXPOSURE
from registry.dictionary.injury import CASES, FINDINGS
from registry.dictionary.model import MISSING_WORDS, NOT_APPLICABLE, UNKNOWN, Code, Field, Table
from registry.dictionary.people import ATHLETES, OBSERVATION, SITES
from registry.dictionary.sheet import SHEET

__all__ = [
    "DICTIONARY_VERSION",
    "MISSING_WORDS",
    "NOT_APPLICABLE",
    "SHEET",
    "TABLES",
    "UNKNOWN",
    "Code",
    "Field",
    "Table",
]

DICTIONARY_VERSION = 2
"""Raise it with every change of a table, field or code."""

TABLES: dict[str, Table] = {
    table.name: table
    for table in (
        SITES,
        ATHLETES,
        OBSERVATION,
        EXPOSURE,
        CASES,
        FINDINGS,
        IMAGING,
        MANAGEMENT,
        READINGS,
        FOLLOW_UPS,
        REFERENTS,
    )
}
"""Parents before children."""
