"""The registry file's tables, derived from the dictionary.

Three schemas beside the book-keeping in ``main``: ``accepted`` (typed rows, every revision), ``received`` (the same
rows as text, as they came) and ``derived``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.dictionary import DICTIONARY_VERSION, TABLES, Field, Table
from registry.door import quoted
from registry.errors import NotARegistryError
from registry.store.connection import first_row, number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

SCHEMA_VERSION = 2

SQL_TYPES = {
    "text": "VARCHAR",
    "code": "VARCHAR",
    "codes": "VARCHAR",
    "findings": "VARCHAR",
    "key": "VARCHAR",
    "pseudonym": "VARCHAR",
    "integer": "BIGINT",
    "year": "BIGINT",
    "number": "DOUBLE",
    "date": "DATE",
}

BOOKS = """
CREATE TABLE meta (name VARCHAR, value VARCHAR);
CREATE TABLE deliveries (delivery BIGINT, site VARCHAR, received_at TIMESTAMP, dictionary_version BIGINT,
    kind VARCHAR, period_from DATE, period_to DATE, taken_by VARCHAR);
CREATE TABLE files (delivery BIGINT, site VARCHAR, sha256 VARCHAR, standing VARCHAR, file VARCHAR,
    table_name VARCHAR, n_rows BIGINT, dictionary_version BIGINT, map VARCHAR);
CREATE TABLE maps (sha256 VARCHAR, site VARCHAR, name VARCHAR, text VARCHAR);
CREATE TABLE held (held_id BIGINT, delivery BIGINT, site VARCHAR, table_name VARCHAR, file VARCHAR, line BIGINT,
    cells VARCHAR, standing VARCHAR, closed_by BIGINT, because VARCHAR, map VARCHAR);
CREATE TABLE held_reasons (held_id BIGINT, column_name VARCHAR, code VARCHAR, our_table VARCHAR,
    field VARCHAR);
CREATE TABLE held_edits (held_id BIGINT, delivery BIGINT, cells VARCHAR);
CREATE TABLE exempt (held_id BIGINT, code VARCHAR, delivery BIGINT, because VARCHAR);
CREATE TABLE warnings (delivery BIGINT, site VARCHAR, row_id BIGINT, table_name VARCHAR, file VARCHAR, line BIGINT,
    column_name VARCHAR, code VARCHAR);
CREATE TABLE retractions (delivery BIGINT, table_name VARCHAR, row_id BIGINT, because VARCHAR);
CREATE TABLE vanished (delivery BIGINT, site VARCHAR, table_name VARCHAR, row_id BIGINT);
CREATE TABLE withdrawals (delivery BIGINT, site VARCHAR, athlete_hash VARCHAR, rows_removed BIGINT);
CREATE TABLE withdrawn_cases (delivery BIGINT, site VARCHAR, case_hash VARCHAR);
CREATE TABLE checksums (delivery BIGINT, table_name VARCHAR, part VARCHAR, n_rows BIGINT, sha256 VARCHAR);
CREATE TABLE freezes (name VARCHAR, content_hash VARCHAR, frozen_at TIMESTAMP, derivation_version BIGINT,
    folder VARCHAR, superseded_by VARCHAR);
CREATE SCHEMA accepted;
CREATE SCHEMA received;
CREATE SCHEMA derived;
"""
"""The books. ``held.table_name`` is 'mapped' for rows in a site's own columns, which the column map of that hash reads;
a reason stands under the file's own ``column_name`` and is worded for our ``field``; a retracted row is superseded by
itself, and ``because`` stands with the row that was named, not with those that went along; ``part`` of a checksum is
accepted or received."""


ROW_LEAD = {
    "row_id": "BIGINT",
    "delivery": "BIGINT",
    "superseded_by": "BIGINT",
    "fed_by": "VARCHAR",
    "content": "VARCHAR",
    "file": "VARCHAR",
    "line": "BIGINT",
    "site": "VARCHAR",
}
"""What stands before the fields of an accepted row."""


def sql_type(field: Field) -> str:
    """Return the DuckDB type of a field."""
    return SQL_TYPES[field.kind]


def own_columns(table: Table) -> list[str]:
    """Return the quoted field names of a table, without the site column that every table gets."""
    return [quoted(field.name) for field in table.fields if field.name != "site"]


def content_hash(columns: list[str]) -> str:
    """Return the SQL that hashes a row's own columns; equal hashes are equal rows."""
    cells = " || chr(31) || ".join(f"coalesce(CAST({column} AS VARCHAR), chr(0))" for column in columns)
    return f"sha256({cells})"


def row_layout(table: Table) -> dict[str, str]:
    """Return column -> type of a table's accepted rows, in order."""
    own = {field.name: sql_type(field) for field in table.fields if field.name != "site"}
    return {**ROW_LEAD, **own}


def key_columns(table: Table) -> list[str]:
    """Return the quoted natural key, the site first."""
    return ['"site"', *(quoted(name) for name in table.key if name != "site")]


def prepare(connection: DuckDBPyConnection) -> None:
    """Make the tables in a new file; in an old one check that this release can read it.

    Raises
    ------
    NotARegistryError
        When the file is a DuckDB database of something else, or of a newer release.
    """
    if is_new(connection):
        connection.execute(BOOKS)
        for table in TABLES.values():
            typed = ", ".join(
                f"{quoted(field.name)} {sql_type(field)}" for field in table.fields if field.name != "site"
            )
            text = ", ".join(f"{quoted(field.name)} VARCHAR" for field in table.fields)
            connection.execute(
                f"CREATE TABLE accepted.{table.name} (row_id BIGINT, delivery BIGINT, superseded_by BIGINT, "
                "fed_by VARCHAR, "
                f"content VARCHAR, file VARCHAR, line BIGINT, site VARCHAR, {typed})"
            )
            connection.execute(f"CREATE TABLE received.{table.name} (row_id BIGINT, {text})")
        set_meta(connection, "product", "annulary")
        set_meta(connection, "schema_version", str(SCHEMA_VERSION))
        set_meta(connection, "dictionary_version", str(DICTIONARY_VERSION))
    check(connection)


def check(connection: DuckDBPyConnection) -> None:
    """Raise NotARegistryError unless the open file is a registry that this release can read."""
    columns = connection.execute(
        "SELECT column_name FROM duckdb_columns() WHERE table_name = 'meta' ORDER BY column_name"
    ).fetchall()
    if columns != [("name",), ("value",)] or get_meta(connection, "product") != "annulary":
        raise NotARegistryError(
            "the file is a database, but not a registry. Nothing was changed; name the file that annulary intake made."
        )
    version = int(get_meta(connection, "schema_version") or 0)
    if version > SCHEMA_VERSION:
        raise NotARegistryError(
            f"the registry was made by a newer release (schema {version}; this one reads up to "
            f"{SCHEMA_VERSION}). Update annulary."
        )


def get_meta(connection: DuckDBPyConnection, name: str) -> str | None:
    """Return a book-keeping value, or None."""
    row = first_row(connection, "SELECT value FROM meta WHERE name = ?", [name])
    return str(row[0]) if row else None


def set_meta(connection: DuckDBPyConnection, name: str, value: str) -> None:
    """Write a book-keeping value."""
    connection.execute("DELETE FROM meta WHERE name = ?", [name])
    connection.execute("INSERT INTO meta VALUES (?, ?)", [name, value])


def is_new(connection: DuckDBPyConnection) -> bool:
    """Whether the file holds no table that was committed."""
    return number(connection, "SELECT count(*) FROM duckdb_tables() WHERE NOT temporary") == 0
