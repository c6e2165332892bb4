"""Opening a registry in its current form: an older one is brought up to date, after a copy of it was kept.

The copy stands beside the registry as ``<name>.schema-<version>.duckdb``. It holds health data as the registry does; a
withdrawn consent removes it.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from registry.dictionary import DICTIONARY_VERSION, TABLES, Table
from registry.door import quoted
from registry.errors import NotARegistryError, NotWritableError
from registry.store.checksums import write_all_checksums
from registry.store.connection import UNWRITABLE, WAIT_SECONDS, connect, owner_only, transaction
from registry.store.schema import (
    BOOKS,
    ROW_LEAD,
    SCHEMA_VERSION,
    check,
    content_hash,
    get_meta,
    is_new,
    row_layout,
    set_meta,
)

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

NEW_CELLS = {
    ("deliveries", "kind"): "'increment'",
    ("files", "map"): "''",
    ("held", "map"): "''",
    ("held_reasons", "our_table"): "(SELECT h.table_name FROM held h WHERE h.held_id = old.held_id)",
    ("held_reasons", "field"): "old.column_name",
}
"""What a column of the books that schema 1 lacked says of its rows; NULL where nothing is named here."""

BOOK_NAMES = tuple(re.findall(r"CREATE TABLE (\w+)", BOOKS))


def open_current(
    path: str | Path, *, write: bool, create: bool = False, wait_seconds: float = WAIT_SECONDS
) -> DuckDBPyConnection:
    """Open a registry; one of an earlier release is brought up to date first.

    Parameters
    ----------
    path
        The registry file.
    write
        Open it for writing, alone.
    create
        Give an empty database when there is no file; its tables are made by ``schema.prepare``.
    wait_seconds
        How long to wait for another program to let go of the file.

    Raises
    ------
    RegistryFileError
        No such file, not a registry, from a newer release, held by another program, or an old one that cannot be
        written.
    """
    place = Path(path)
    connection = connect(place, write=write, create=create, wait_seconds=wait_seconds)
    try:
        if create and is_new(connection):
            return connection
        check(connection)
        _check_dictionary(connection)
        if not _is_behind(connection):
            return connection
        if write:
            with owner_only():
                _migrate(connection, place)
            return connection
    except BaseException as error:
        connection.close()
        if isinstance(error, duckdb.Error):
            raise NotARegistryError(
                f"{place} is damaged: a part of it that every command needs cannot be read. Nothing was changed; take "
                "the latest copy or freeze."
            ) from None
        raise
    connection.close()
    _writable(place, wait_seconds).close()
    return connect(place, write=write, wait_seconds=wait_seconds)


def kept_copies(path: Path) -> list[Path]:
    """Return the copies that were kept beside a registry when it was brought up to date."""
    start = f"{path.stem}.schema-"
    with suppress(OSError):
        return sorted(
            other for other in path.parent.iterdir() if other.name.startswith(start) and other.suffix == _suffix(path)
        )
    return []


def _writable(path: Path, wait_seconds: float) -> DuckDBPyConnection:
    try:
        return open_current(path, write=True, wait_seconds=wait_seconds)
    except NotWritableError as error:
        raise NotWritableError(
            f"{path} was made by an earlier release and has to be brought up to date, which writes to it and keeps a "
            f"copy beside it; that failed: {error}"
        ) from None


def _check_dictionary(connection: DuckDBPyConnection) -> None:
    version = int(get_meta(connection, "dictionary_version") or 0)
    if version > DICTIONARY_VERSION:
        raise NotARegistryError(
            f"the registry was made with a newer dictionary (version {version}; this release knows up to "
            f"{DICTIONARY_VERSION}). Update annulary."
        )


def _is_behind(connection: DuckDBPyConnection) -> bool:
    if _version(connection) < SCHEMA_VERSION:
        return True
    present = _columns(connection)
    if any(("main", name) not in present for name in BOOK_NAMES):
        return True
    return any(
        set(layout) - set(present.get((room, table.name), ()))
        for table in TABLES.values()
        for room, layout in (("accepted", row_layout(table)), ("received", _received_layout(table)))
    )


def _version(connection: DuckDBPyConnection) -> int:
    return int(get_meta(connection, "schema_version") or 0)


def _columns(connection: DuckDBPyConnection) -> dict[tuple[str, str], list[str]]:
    """Return (schema, table) -> the columns that the file has, in order."""
    found: dict[tuple[str, str], list[str]] = {}
    for room, table, column in connection.execute(
        "SELECT schema_name, table_name, column_name FROM duckdb_columns() WHERE database_name = current_database() "
        "ORDER BY schema_name, table_name, column_index"
    ).fetchall():
        found.setdefault((room, table), []).append(column)
    return found


def _received_layout(table: Table) -> dict[str, str]:
    return {"row_id": "BIGINT", **dict.fromkeys(table.names, "VARCHAR")}


def _migrate(connection: DuckDBPyConnection, path: Path) -> None:
    version = _version(connection)
    _keep_copy(connection, path, version)
    with transaction(connection):
        present = _columns(connection)
        _bring_books(connection, present)
        gained = [_bring_table(connection, table, present) for table in TABLES.values()]
        if version < SCHEMA_VERSION:
            write_all_checksums(connection)
        set_meta(connection, "schema_version", str(SCHEMA_VERSION))
        set_meta(connection, "dictionary_version", str(DICTIONARY_VERSION))
        if any(gained):
            # Derived tables may miss what the new columns say; whoever reads them next derives them anew.
            set_meta(connection, "derivation_version", "0")


def _keep_copy(connection: DuckDBPyConnection, path: Path, version: int) -> None:
    """Copy the whole registry beside it, by the engine: another open and close of the file would drop our lock."""
    partial = path.with_name(f".{path.name}.copy.partial")
    _drop(partial)
    try:
        connection.execute(f"ATTACH '{_quoted_path(partial)}' AS kept_copy")
        try:
            name = database_name(connection)
            connection.execute(f"COPY FROM DATABASE {name} TO kept_copy")
        finally:
            connection.execute("DETACH kept_copy")
        os.replace(partial, _free_name(path, version))
    except (OSError, *UNWRITABLE):
        _drop(partial)
        raise NotWritableError(
            f"{path} has to be brought up to date, but no copy of it can be kept in {path.parent} (the disk may be "
            "full, or the folder read-only). The registry is as it was; make room and call again."
        ) from None


def _drop(partial: Path) -> None:
    for left in (partial, partial.with_name(f"{partial.name}.wal")):
        left.unlink(missing_ok=True)


def database_name(connection: DuckDBPyConnection) -> str:
    """Return the quoted name under which the engine knows the open registry."""
    return quoted(str(connection.execute("SELECT current_database()").fetchall()[0][0]))


def _free_name(path: Path, version: int) -> Path:
    place = path.with_name(f"{path.stem}.schema-{version}{_suffix(path)}")
    n = 2
    while place.exists():
        place = path.with_name(f"{path.stem}.schema-{version}.{n}{_suffix(path)}")
        n += 1
    return place


def _suffix(path: Path) -> str:
    return path.suffix or ".duckdb"


def _quoted_path(path: Path) -> str:
    return str(path).replace("'", "''")


def _bring_books(connection: DuckDBPyConnection, present: dict[tuple[str, str], list[str]]) -> None:
    """Give the books the tables and columns of this release; the rows stay."""
    for statement in BOOKS.split(";"):
        words = statement.split()
        if words[:2] != ["CREATE", "TABLE"]:
            continue
        name = words[2].split("(")[0]
        columns = present.get(("main", name))
        if columns is None:
            connection.execute(statement)
            continue
        connection.execute(f"CREATE TEMP TABLE pattern_{statement.split('TABLE', 1)[1].strip()}")
        layout = connection.execute(
            f"SELECT column_name, data_type FROM duckdb_columns() WHERE table_name = 'pattern_{name}' "
            "ORDER BY column_index"
        ).fetchall()
        connection.execute(f"DROP TABLE pattern_{name}")
        if set(columns) != {column for column, _ in layout}:
            cells = ", ".join(
                f"CAST({f'old.{quoted(column)}' if column in columns else NEW_CELLS.get((name, column), 'NULL')} "
                f"AS {kind}) AS {quoted(column)}"
                for column, kind in layout
            )
            connection.execute(f"CREATE OR REPLACE TABLE {name} AS SELECT {cells} FROM {name} AS old")


def _bring_table(connection: DuckDBPyConnection, table: Table, present: dict[tuple[str, str], list[str]]) -> bool:
    """Add the columns that the dictionary has gained; a row's hash is made anew where it was right before."""
    gained = False
    for room, layout in (("accepted", row_layout(table)), ("received", _received_layout(table))):
        columns = present.get((room, table.name), [])
        if not set(layout) - set(columns):
            continue
        gained = True
        if not columns:
            listed = ", ".join(f"{quoted(column)} {kind}" for column, kind in layout.items())
            connection.execute(f"CREATE TABLE {room}.{table.name} ({listed})")
            continue
        cells = [
            quoted(column) if column in columns else f"CAST(NULL AS {kind}) AS {quoted(column)}"
            for column, kind in layout.items()
        ]
        source = f"SELECT {', '.join(cells)} FROM {room}.{table.name}"
        if room == "accepted":
            before = content_hash([quoted(column) for column in columns if column not in ROW_LEAD])
            after = content_hash([quoted(column) for column in layout if column not in ROW_LEAD])
            source = (
                f"SELECT * REPLACE (CASE WHEN content = {before} THEN {after} ELSE content END AS content) "
                f"FROM ({source})"
            )
        connection.execute(f"CREATE OR REPLACE TABLE {room}.{table.name} AS {source}")
    return gained
