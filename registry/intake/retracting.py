"""Taking a row back that should never have been sent: it stays on the books, and counts no longer."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from registry.dictionary import TABLES, Field, Table
from registry.door import quoted
from registry.errors import InputError, OptionError, suggestion
from registry.intake.books import Opening, open_delivery
from registry.intake.checks import text_literal
from registry.privacy.remarks import checked_because
from registry.store.connection import first_row, number, transaction
from registry.store.opening import opened_registry, own_site
from registry.store.view import DERIVED, create_current_views, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

ISO_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")
SHOWN_KEYS = 8
Value = str | int | float | date | None


@dataclass(frozen=True, kw_only=True)
class Retraction:
    """What was taken back, or would be.

    delivery
        Its number in the book of deliveries; None when nothing was changed.
    rows
        Table -> rows, the row that was named first; the others depend on it.
    """

    delivery: int | None
    table: str
    rows: dict[str, int]

    @property
    def along(self) -> dict[str, int]:
        """Rows that go along with the one that was named."""
        return {table: n - (table == self.table) for table, n in self.rows.items() if n - (table == self.table)}


def retract(  # noqa: PLR0913 - each is a word of the books
    registry: str | Path,
    *,
    site: str,
    table: str,
    key: Mapping[str, str],
    because: str,
    taken_by: str | None = None,
    dry_run: bool = False,
    expected: Mapping[str, int] | None = None,
    received_at: datetime | None = None,
) -> Retraction:
    """Take a site's row back, and with it the rows that depend on it.

    Parameters
    ----------
    registry
        The registry file.
    site
        The site whose row it is.
    table
        A table of the dictionary; not ``sites``.
    key
        The row's natural key as it would be typed: field -> text. Optional parts that are left away are empty.
    because
        Why, in a few words without anything that identifies a person.
    taken_by
        Who does it, for the books.
    dry_run
        Say what would be taken back; change nothing.
    expected
        Table -> rows that somebody has agreed to; refused when meanwhile others hang on the row.
    received_at
        The clock, for tests; now when None.

    Returns
    -------
    Retraction

    Raises
    ------
    InputError
        No such table, key, site or row, or no usable reason.
    RegistryFileError
        The registry cannot be opened or written.
    """
    known = _table(table)
    values = key_values(known, key)
    text = checked_because(because)
    opening = Opening(
        site=site,
        received_at=received_at or datetime.now(UTC).replace(tzinfo=None),
        kind="retraction",
        taken_by=taken_by,
    )
    with opened_registry(registry, write=not dry_run) as connection:
        own_site(connection, site)
        with transaction(connection):
            row_id = _current_row(connection, known, values, site=site)
            rows = _gather(connection, known, row_id, site=site)
            if expected is not None and dict(expected) != rows:
                raise InputError("meanwhile other rows hang on that row; nothing was changed. Call again.")
            delivery = None if dry_run else _take_back(connection, list(rows), known, row_id, (opening, text))
    return Retraction(delivery=delivery, table=table, rows=rows)


def key_values(table: Table, key: Mapping[str, str]) -> dict[str, Value]:
    """Parse a typed key by the dictionary; optional parts that are left away are None.

    Raises
    ------
    OptionError
        A name that is no part of the key, a part that is missing or cannot be read; the cell is not repeated.

    Examples
    --------
    >>> key_values(TABLES["follow_ups"], {"case": "0001", "seen": "2024-06-10"})
    {'case': '0001', 'seen': datetime.date(2024, 6, 10)}
    """
    names = [name for name in table.key if name != "site"]
    listed = ", ".join(f"{name}=..." for name in names)
    for name in key:
        if name not in names:
            raise OptionError(f"'{name}' is no part of the key of {table.name}; it is {listed}.")
    missing = [name for name in names if table[name].required and not key.get(name, "").strip()]
    if missing:
        raise OptionError(f"a row of {table.name} is named by {listed}; {', '.join(missing)} is missing.")
    values = {name: _value(table[name], key.get(name, "").strip()) for name in names}
    if all(value is None for value in values.values()):
        raise OptionError(f"a row of {table.name} is named by {listed}; nothing was given.")
    return values


def _value(field: Field, cell: str) -> Value:
    if not cell:
        return None
    if field.kind == "date":
        try:
            if ISO_DAY.fullmatch(cell):
                return date.fromisoformat(cell)
        except ValueError:
            pass
        raise OptionError(f"{field.name} is no day of the calendar; write it as YYYY-MM-DD.")
    if field.kind == "code":
        if cell.lower() not in field.accepted_words:
            close = suggestion(cell, field.accepted_words) if field.showable else ""
            raise OptionError(f"{field.name} is none of {', '.join(field.accepted_words)}.{close}")
        return cell.lower()
    return cell


def _table(name: str) -> Table:
    if name == "sites":
        raise OptionError("a site's own row is not taken back; deliver the mended row, it becomes a revision.")
    if name not in TABLES:
        known = [table for table in TABLES if table != "sites"]
        raise OptionError(f"no table '{name}'; there are {', '.join(known)}.{suggestion(name, known)}")
    return TABLES[name]


def _named(table: Table, values: Mapping[str, Value], *, site: str) -> tuple[str, list[object]]:
    """Return the condition, and its values, that names a key."""
    same = [f"{quoted(name)} IS NOT DISTINCT FROM ?" for name in values]
    return f"site = {text_literal(site)} AND {' AND '.join(same)}", list(values.values())


def _current_row(connection: DuckDBPyConnection, table: Table, values: dict[str, Value], *, site: str) -> int:
    where, given = _named(table, values, site=site)
    row = first_row(
        connection, f"SELECT row_id FROM accepted.{table.name} WHERE superseded_by IS NULL AND {where}", given
    )
    if row:
        return int(row[0])
    before = first_row(
        connection,
        "SELECT d.delivery, CAST(d.received_at AS DATE) FROM deliveries d JOIN retractions r USING (delivery) "
        f"WHERE r.table_name = ? AND r.row_id IN (SELECT row_id FROM accepted.{table.name} "
        f"WHERE superseded_by = row_id AND {where}) ORDER BY d.delivery DESC",
        [table.name, *given],
    )
    if before:
        raise InputError(
            f"that row was taken back already, in delivery {before[0]} of {before[1]}. Nothing was changed."
        )
    raise InputError(
        f"no current row of {table.name} of site '{site}' has that key.{_near(connection, table, values, site=site)} "
        "Nothing was changed."
    )


def _near(connection: DuckDBPyConnection, table: Table, values: dict[str, Value], *, site: str) -> str:
    """Say which rows share what may not be shown of the key, by what may."""
    hidden = {name: value for name, value in values.items() if value is not None and not table[name].showable}
    shown = [name for name in values if table[name].showable]
    if not hidden:
        return ""
    named = " and ".join(hidden)
    where, given = _named(table, hidden, site=site)
    source = f"FROM accepted.{table.name} WHERE superseded_by IS NULL AND {where}"
    n = number(connection, f"SELECT count(*) {source}", given)
    if not n:
        zeros = " Leading zeros are part of it." if any(str(value).isdigit() for value in hidden.values()) else ""
        return f" No row there has that {named}; check --site and the spelling.{zeros}"
    if not shown:
        return f" {n} row{'s have' if n != 1 else ' has'} that {named}."
    columns = ", ".join(quoted(name) for name in shown)
    rows = connection.execute(f"SELECT {columns} {source} ORDER BY ALL LIMIT {SHOWN_KEYS}", given).fetchall()
    said = [
        " ".join(f"{name}={cell}" for name, cell in zip(shown, row, strict=True) if cell is not None) for row in rows
    ]
    more = f"; and {n - SHOWN_KEYS} more" if n > SHOWN_KEYS else ""
    return f" With that {named} there {'are' if n != 1 else 'is'} {n}: {'; '.join(word or '-' for word in said)}{more}."


def _gather(connection: DuckDBPyConnection, table: Table, row_id: int, *, site: str) -> dict[str, int]:
    """Fill ``taken_<table>`` with the row and those that refer to it, however far down; return how many of each."""
    counts = {}
    reached = list(TABLES)[list(TABLES).index(table.name) :]
    for name in reached:
        links = [field for field in TABLES[name].fields if field.refers_to in counts]
        parts = [
            f"{quoted(field.name)} IN (SELECT {quoted(TABLES[field.refers_to].key[0])} FROM accepted.{field.refers_to} "
            f"WHERE row_id IN (FROM taken_{field.refers_to}))"
            for field in links
        ]
        which = f"row_id = {row_id}" if name == table.name else " OR ".join(parts)
        if not which:
            continue
        connection.execute(
            f"CREATE OR REPLACE TEMP TABLE taken_{name} AS SELECT row_id FROM accepted.{name} "
            f"WHERE superseded_by IS NULL AND site = {text_literal(site)} AND ({which})"
        )
        counts[name] = number(connection, f"SELECT count(*) FROM taken_{name}")
    return {name: n for name, n in counts.items() if n}


def _take_back(
    connection: DuckDBPyConnection, tables: list[str], table: Table, row_id: int, noted: tuple[Opening, str]
) -> int:
    opening, because = noted
    delivery = open_delivery(connection, opening)
    for name in tables:
        why = f"CASE WHEN row_id = {row_id} THEN ? END" if name == table.name else "CAST(? AS VARCHAR)"
        connection.execute(
            f"INSERT INTO retractions SELECT ?, '{name}', row_id, {why} FROM taken_{name} ORDER BY row_id",
            [delivery, because if name == table.name else None],
        )
        connection.execute(f"UPDATE accepted.{name} SET superseded_by = row_id WHERE row_id IN (FROM taken_{name})")
    create_current_views(connection)
    store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
    return delivery
