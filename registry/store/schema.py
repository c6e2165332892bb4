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

SCHEMA_VERSION = 1

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
CREATE TABLE deliveries (delivery BIGINT, site VARCHAR, received_at TIMESTAMP, dictionary_version BIGINT);
CREATE TABLE files (delivery BIGINT, site VARCHAR, sha256 VARCHAR, standing VARCHAR, file VARCHAR,
    table_name VARCHAR, n_rows BIGINT, dictionary_version BIGINT);
CREATE TABLE held (held_id BIGINT, delivery BIGINT, site VARCHAR, table_name VARCHAR, file VARCHAR, line BIGINT,
    cells VARCHAR, standing VARCHAR, closed_by BIGINT, because VARCHAR);
CREATE TABLE held_reasons (held_id BIGINT, column_name VARCHAR, code VARCHAR);
CREATE TABLE warnings (delivery BIGINT, site VARCHAR, row_id BIGINT, table_name VARCHAR, file VARCHAR, line BIGINT,
    column_name VARCHAR, code VARCHAR);
CREATE TABLE freezes (name VARCHAR, content_hash VARCHAR, frozen_at TIMESTAMP, derivation_version BIGINT);
CREATE SCHEMA accepted;
CREATE SCHEMA received;
CREATE SCHEMA derived;
"""


def sql_type(field: Field) -> str:
    """Return the DuckDB type of a field."""
    return SQL_TYPES[field.kind]


def own_columns(table: Table) -> list[str]:
    """Return the quoted field names of a table, without the site column that every table gets."""
    return [quoted(field.name) for field in table.fields if field.name != "site"]


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
