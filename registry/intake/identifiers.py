"""Direct identifiers at the door: a file that holds one is refused whole, and nothing of it is kept but its hash.

Columns are judged by their names, cells by their shape: ``registry.privacy.direct_identifiers`` lists what is looked
for and where the list comes from. Only cells that could hold something are looked at: a code of the list, a date, a
number, a plain case number pass in one sweep of the engine.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from registry.dictionary import Field
from registry.door import quoted
from registry.intake.checks import listed, stripped, text_literal
from registry.intake.reading import TextTable
from registry.privacy.column_names import announced
from registry.privacy.shapes import Place, identifier_in
from registry.privacy.vocabulary import words_in
from registry.store.connection import first_row

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

SHOWN_ROWS = 5
LONGEST_PROBE = 24
NAME_OF_A_PROBE = "quendelhofer"

SENTENCES = ("controller", "legal_basis")
"""Two fields of a site's row that may be sentences."""
PLACES: dict[str, Place] = {
    "text": "text", "code": "code", "codes": "code", "findings": "code", "integer": "number", "number": "number",
    "date": "date", "year": "year", "key": "key",
}  # fmt: skip
STRICTEST: tuple[Place, ...] = ("birth_year", "year", "key", "text", "age", "code", "number", "date", "sentence")
"""A column that feeds several fields is judged by the strictest of them."""

DAY = (
    r"([0-9]{4}[-./ ][0-9]{1,2}[-./ ][0-9]{1,2}|[0-9]{1,2}[-./ ][0-9]{1,2}[-./ ]([0-9]{2}){1,2})"
    r"([ T][0-9]{1,2}:[0-9]{2}(:[0-9]{2})?)?"
)
NUMBER = r"[+-]?[0-9]{1,9}([.,][0-9]{1,9})?( ?[a-z%]{1,8})?"
ONE_WORD = r"[A-Za-z_-]*[0-9]{0,5}[A-Za-z_-]*"
PLAIN: dict[Place, str] = {
    "date": rf"{DAY}|{ONE_WORD}",
    "number": rf"{NUMBER}|{ONE_WORD}",
    "age": r"[0-9]{1,3}([.,][0-9]{1,2})?",
    "year": "[0-9]{4}",
    "birth_year": "[0-9]{4}",
    "code": rf"{NUMBER}|{ONE_WORD}",
    "key": r"[0-9]{1,8}|[A-Za-z]{1,8}[-_/.#]?[0-9]{1,9}([-_/.#][0-9]{1,6})?|(19|20)[0-9]{2}[-_/.][0-9]{1,6}"
    r"|[A-Z]{1,4}[0-9]{1,12}-[0-9]{8}-[a-z]+-[a-z]+|[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}",
    "dropped": rf"{DAY}|{NUMBER}|{ONE_WORD}",
}
"""Cells of these shapes hold nothing that is looked for, and need no look."""


@dataclass(frozen=True)
class Refusal:
    """Why a file was refused whole; columns and rows only."""

    file: str
    sha256: str
    sentence: str
    found: str = ""
    """What was found in which columns and rows, without the consequence."""


@dataclass(frozen=True)
class _Look:
    """One column to be looked at: which cells, and what to ask of each of them."""

    column: str
    suspicious: str
    place: Place | None = None
    """None: every suspicious cell is at fault, for the reason in ``fault``."""
    fault: str = ""
    words: frozenset[str] = frozenset()


def identifying_columns(header: Iterable[str]) -> list[str]:
    """Return the columns whose name announces a direct identifier or free text."""
    return [column for column in header if announced(column)]


def refusal_by_columns(name: str, sha256: str, header: Iterable[str]) -> Refusal | None:
    """Refuse a file in our own columns by the names of its columns."""
    columns = identifying_columns(header)
    if not columns:
        return None
    named = ", ".join(f"'{column}'" for column in columns)
    return Refusal(
        name,
        sha256,
        f"{name}, row 1: column {named} may hold a direct identifier or free text. The whole file was "
        "refused and nothing of it was kept; remove the column and deliver the file again.",
    )


def content_refusal(
    connection: DuckDBPyConnection,
    text: TextTable,
    *,
    feeds: Mapping[str, tuple[Field, ...]],
    dropped: Collection[str] = (),
    pattern: str,
    words: Mapping[str, Collection[str]] | None = None,
) -> Refusal | None:
    """Refuse a file by what its cells hold.

    Parameters
    ----------
    connection
        The engine; nothing is written.
    text
        n rows as they were read. Rows that could not be laid under the header are not judged: nothing of them is kept.
    feeds
        Column -> the dictionary's fields that it feeds. Columns that stand in neither ``feeds`` nor ``dropped`` are
        not looked at.
    dropped
        Columns that the site's map drops.
    pattern
        The site's pattern of pseudonyms, a regular expression.
    words
        Column -> words that the site's map knows there.

    Returns
    -------
    The refusal, which names columns and rows and never a cell; None when nothing was found.
    """
    known = {column: words_in(" ".join(several)) for column, several in (words or {}).items()}
    looks = [
        look
        for column in text.header
        for look in _looks(column, feeds.get(column, ()), column in dropped, pattern, known.get(column, frozenset()))
    ]
    if not looks or not text.cells.num_rows:
        return None
    connection.register("looked_at", text.cells)
    try:
        counts = first_row(
            connection,
            f"SELECT {', '.join(f'count(*) FILTER (WHERE {look.suspicious})' for look in looks)} FROM looked_at",
        )
        found = [_found(connection, look) for look, n in zip(looks, counts, strict=True) if n]
    finally:
        connection.unregister("looked_at")
    return _worded(text, [one for one in found if one is not None])


def pattern_fault(pattern: str) -> str | None:
    """Return the reason code when the pattern is no pattern, or lets names, mail addresses or dates through.

    Examples
    --------
    >>> pattern_fault("[A-Z]{2}[0-9]{5}"), pattern_fault("[A-Za-z]+"), pattern_fault("[A-Z")
    (None, 'pattern_too_wide', 'bad_pattern')
    """
    try:
        # Alone first: ")(" must not become sound by the brackets that are put around it.
        pc.match_substring_regex(pa.array([""]), pattern)
        through = pc.match_substring_regex(pa.array(_probes()), rf"\A(?:{pattern})\z")
    except (pa.ArrowInvalid, UnicodeError):
        return "bad_pattern"
    return "pattern_too_wide" if pc.any(through).as_py() else None


def pattern_of_nobody(connection: DuckDBPyConnection, *, site: str, pattern: str) -> bool:
    """Tell a pattern that none of the climbers matches whom the registry has of the site (and it has some)."""
    row = first_row(
        connection,
        "SELECT count(*), count(*) FILTER (WHERE regexp_full_match(athlete, ?)) FROM current_athletes WHERE site = ?",
        [pattern, site],
    )
    return bool(row[0]) and not row[1]


@lru_cache(maxsize=1)
def _probes() -> list[str]:
    """Invented names of every length, in every way of writing, and what else a pseudonym must not be."""
    names = [(NAME_OF_A_PROBE * 2)[:length] for length in range(3, LONGEST_PROBE + 1)]
    written = [form for name in names for form in (name, name.title(), name.upper())]
    doubled = [f"{first}{between}{last}" for first in ("Anna", "Jo") for last in ("Berg", "Li") for between in " .-_,"]
    return [
        *written, *doubled, *(word.lower() for word in doubled), *(word.upper() for word in doubled), "Berg, Anna",
        "anna.berg@post.example", "a.berg@post.example", "1994-05-12", "12.05.1994", "12/05/1994",
        "+41 79 555 01 17", "079 555 01 17", "756.1234.5678.97", "123-45-6789",
    ]  # fmt: skip


def _looks(
    column: str, fields: tuple[Field, ...], is_dropped: bool, pattern: str, words: frozenset[str]
) -> list[_Look]:
    raw, cell = quoted(column), stripped(quoted(column))
    name = announced(column)
    if any(field.kind == "pseudonym" for field in fields):
        passing = [f"regexp_full_match({text}, {text_literal(pattern)})" for text in (raw, cell)]
        return [_Look(column, _none_of(cell, passing), fault="does not match the site's pattern of pseudonyms")]
    if not fields and not is_dropped:
        return []
    if name and not _content_decides(name, fields):
        return [_Look(column, _none_of(cell, []), fault=f"has the name of one that holds {name}, and is filled")]
    place: Place = "dropped" if is_dropped else _place(fields)
    passing = []
    codes = sorted({word for field in fields for word in field.accepted_words} if place == "code" else set())
    if codes:
        passing.append(f"{raw} IN ({listed(codes)})")
    if place in PLAIN:
        passing += [f"regexp_full_match({text}, {text_literal(PLAIN[place])})" for text in (raw, cell)]
    return [_Look(column, _none_of(cell, passing), place=place, words=words)]


def _none_of(cell: str, passing: list[str]) -> str:
    """Return the condition of a filled cell that passes none of the tests; CASE stops at the first that it passes."""
    tests = "".join(f"WHEN {test} THEN false " for test in [*passing[:-1], f"coalesce({cell}, '') = ''", *passing[-1:]])
    return f"(CASE {tests}ELSE true END)"


def _content_decides(name: str, fields: tuple[Field, ...]) -> bool:
    """Tell whether a column of such a name may be taken when its cells are clean.

    A birth date that feeds a year and holds years only is a year; a diagnosis that feeds a list of codes is no free
    text, and the "name of the hold" no person's. A date or a key under such a name is never taken.
    """
    kinds = {field.kind for field in fields}
    if name == "a birth date":
        return bool(fields) and all(field.kind == "year" or field.name == "age_at_onset" for field in fields)
    coded = kinds <= {"code", "codes", "findings"}
    return bool(fields) and (coded or (name == "free text" and "key" not in kinds))


def _place(fields: tuple[Field, ...]) -> Place:
    places = {_place_of(field) for field in fields}
    return next(place for place in STRICTEST if place in places)


def _place_of(field: Field) -> Place:
    if field.name in SENTENCES:
        return "sentence"
    if field.name == "pseudonym_pattern":
        return "sentence"
    if field.name == "birth_year":
        return "birth_year"
    return "age" if field.name == "age_at_onset" else PLACES[field.kind]


def _found(connection: DuckDBPyConnection, look: _Look) -> tuple[str, str, list[int], int] | None:
    """Return (column, what it is, first rows, how many), or None when the look found nothing."""
    cell = stripped(quoted(look.column))
    if look.place is None:
        n, rows = first_row(
            connection, f"SELECT count(*), min(line, {SHOWN_ROWS}) FROM looked_at WHERE {look.suspicious}"
        )
        return look.column, look.fault, list(rows), int(n)
    cells = connection.execute(
        f"SELECT {cell} AS cell, count(*), min(line, {SHOWN_ROWS}) FROM looked_at WHERE {look.suspicious} GROUP BY cell"
    ).fetchall()
    faults = [
        (fault, n, rows)
        for said, n, rows in cells
        if (fault := identifier_in(said, place=look.place, words=look.words)) is not None
    ]
    if not faults:
        return None
    what = " or ".join(sorted({fault for fault, _, _ in faults}))
    if look.place == "code":
        what = what.replace("a name", "a name (or words that the map should know)")
    rows = sorted(row for _, _, several in faults for row in several)[:SHOWN_ROWS]
    return look.column, f"holds {what}", rows, sum(n for _, n, _ in faults)


def _worded(text: TextTable, found: list[tuple[str, str, list[int], int]]) -> Refusal | None:
    if not found:
        return None
    parts = []
    for column, what, rows, n in found:
        shown = ", ".join(str(row) for row in rows) + (", ..." if n > len(rows) else "")
        parts.append(f"column '{column}' {what} in {n} row{'s' if n != 1 else ''} (row {shown})")
    what = "; ".join(parts)
    return Refusal(
        text.name,
        text.sha256,
        f"{text.name}: {what}. The whole file was refused and nothing of it was kept; mend those cells and deliver the "
        "file again. (annulary deidentify makes a delivery of an identified export.)",
        what,
    )
