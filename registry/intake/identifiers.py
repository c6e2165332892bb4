"""Direct identifiers at the door: a file that holds one is refused whole, and nothing of it is kept but its hash.

The list follows the direct identifiers of 45 CFR 164.514(b)(2) (from memory) as column names that a spreadsheet would
use, in a few languages. Contents are checked where they can be: pseudonyms against the site's pattern, years of birth
that are full dates, and e-mail addresses anywhere.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from registry.door import quoted
from registry.intake.checks import stripped, text_literal
from registry.intake.recognising import RecognisedFile

COLUMN_WORDS = frozenset(
    """
    name names surname lastname firstname forename givenname familyname fullname patient patientname patientid
    email mail telephone phone mobile fax address street postcode zip zipcode city birthdate dateofbirth dob birthday
    ssn socialsecurity nationalnumber insurance insurancenumber passport licence iban account url website ip photo
    comment comments note notes remark remarks freetext description diagnosis
    vorname nachname familienname geburtsdatum geburtstag strasse adresse plz ort telefon handy bemerkung bemerkungen
    versichertennummer kommentar
    nom prenom datedenaissance datenaissance rue codepostal ville courriel commentaire remarque
    nombre apellido apellidos fechanacimiento direccion telefono correo comentario
    cognome nome datanascita indirizzo commento
    """.split()  # noqa: SIM905 - words in lines are read more easily than a hundred quoted ones
)
EMAIL = r"[^@\s]+@[^@\s]+\.[^@\s]+"
FULL_DATE = r".*([0-9]{1,4})[-./ ]([0-9]{1,2})[-./ ]([0-9]{1,4}).*"
SHOWN_ROWS = 5
PROBES = ("Anna Berg", "anna.berg", "a.berg@post.example", "Berg", "anna", "BERG", "Quendelhofer", "QUENDELHOFER")
"""Invented names and an address: a pattern for pseudonyms must let none of them through."""


@dataclass(frozen=True)
class Refusal:
    """Why a file was refused whole; columns and rows only."""

    file: str
    sha256: str
    sentence: str


def identifying_columns(header: Iterable[str]) -> list[str]:
    """Return the columns whose name announces a direct identifier."""
    return [column for column in header if re.sub(r"[^a-z]", "", _plain(column)) in COLUMN_WORDS]


def refusal_by_columns(name: str, sha256: str, header: Iterable[str]) -> Refusal | None:
    """Refuse a file by the names of its columns."""
    columns = identifying_columns(header)
    if not columns:
        return None
    listed = ", ".join(f"'{column}'" for column in columns)
    return Refusal(
        name,
        sha256,
        f"{name}, row 1: column {listed} may hold a direct identifier or free text. The whole file was "
        "refused and nothing of it was kept; remove the column and deliver the file again.",
    )


def content_conditions(file: RecognisedFile, pattern: str | None) -> list[tuple[str, str, str]]:
    """Return (column, SQL condition, what it is) for every column of the file whose content is looked at."""
    conditions = []
    for field in file.table.fields:
        if field.name not in file.text.header:
            continue
        cell = stripped(quoted(field.name))
        if field.kind == "pseudonym" and pattern is not None:
            conditions.append(
                (
                    field.name,
                    f"{cell} <> '' AND NOT regexp_full_match({cell}, {text_literal(pattern)})",
                    "does not match the site's pattern of pseudonyms",
                )
            )
        elif field.kind == "year":
            conditions.append(
                (
                    field.name,
                    f"regexp_full_match({cell}, {text_literal(FULL_DATE)})",
                    "holds a full date where only the year may stand",
                )
            )
        if field.kind != "pseudonym":
            conditions.append((field.name, f"regexp_matches({cell}, {text_literal(EMAIL)})", "holds an e-mail address"))
    return conditions


def refusal_by_content(file: RecognisedFile, found: list[tuple[str, str, list[int], int]]) -> Refusal | None:
    """Word a refusal from (column, what it is, first rows, how many)."""
    if not found:
        return None
    parts = []
    for column, what, rows, n in found:
        shown = ", ".join(str(row) for row in rows[:SHOWN_ROWS]) + (", ..." if n > SHOWN_ROWS else "")
        parts.append(f"column '{column}' {what} in {n} row{'s' if n != 1 else ''} (row {shown})")
    return Refusal(
        file.text.name,
        file.text.sha256,
        f"{file.text.name}: " + "; ".join(parts) + ". The whole file was refused and nothing of it was kept; mend "
        "those cells and deliver the file again.",
    )


def pattern_fault(pattern: str) -> str | None:
    """Return the reason code when the pattern is no pattern, or lets names through."""
    try:
        compiled = re.compile(pattern)
    except re.error:
        return "bad_pattern"
    return "pattern_too_wide" if any(compiled.fullmatch(probe) for probe in PROBES) else None


def _plain(word: str) -> str:
    return word.lower().translate(str.maketrans("äöüéèêàçñóíáúß", "aoueeeacnoiaus"))
