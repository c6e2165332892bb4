"""Rewriting a registry without a climber's rows: a new file takes the old one's place in one step."""

from __future__ import annotations

import hashlib
import os
import re
import secrets
import shutil
import time
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from registry.dictionary import DICTIONARY_VERSION, TABLES
from registry.door import ENGINE_SETTINGS, quoted
from registry.errors import NotWritableError
from registry.store.checksums import PARTS, Sum, mismatches, write_all_checksums
from registry.store.connection import UNWRITABLE, number, transaction
from registry.store.reissuing import Reissue
from registry.store.schema import get_meta, set_meta
from registry.store.view import DERIVED, create_current_views, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

SALT = "withdrawal_salt"
GONE = "[withdrawn]"
SETTLE_SECONDS = 0.2
"""The old file's lock outlives the replacement by this: a program that opened it meanwhile must find it held."""


@dataclass(frozen=True)
class Withdrawing:
    """Who withdraws, and what is noted of it."""

    site: str
    athlete: str
    because: str | None
    taken_by: str | None
    clock: datetime


def climber_hash(salt: str, site: str, athlete: str) -> str:
    """Return what the books keep of a climber who has withdrawn.

    It only serves to recognise the climber's rows in a later delivery. Whoever holds the registry can try pseudonyms
    on it, and learns that one of them has withdrawn, nothing else.
    """
    return hashlib.sha256(f"{salt}{site}\x1f{athlete}".encode()).hexdigest()


def case_hash(salt: str, site: str, case: str) -> str:
    """Return what the books keep of the key of a withdrawn climber's case, to recognise what hangs on it."""
    return hashlib.sha256(f"{salt}{site}\x1e{case}".encode()).hexdigest()


def clean_up(path: Path) -> None:
    """Remove what an interrupted call, or the engine, has left beside the registry."""
    partial = _partial(path)
    for left in (partial, partial.with_name(f"{partial.name}.wal")):
        left.unlink(missing_ok=True)
    for folder in (path.with_name(f"{path.name}.tmp"), partial.with_name(f"{partial.name}.tmp")):
        shutil.rmtree(folder, ignore_errors=True)


def _partial(path: Path) -> Path:
    return path.with_name(f".{path.name}.withdrawal.partial")


def rewrite(
    connection: DuckDBPyConnection, path: Path, call: Withdrawing, rows: dict[str, int], done: list[Reissue]
) -> None:
    """Copy the registry without the rows in ``leaving`` (see ``climber_rows``) and let the copy take its place.

    Parameters
    ----------
    connection
        The registry, open for writing and outside any transaction; it is of no use afterwards.
    path
        The file itself, no link to it.
    rows
        Table -> rows that leave.
    done
        Freezes that were re-issued; they are entered into the new file.

    Raises
    ------
    NotWritableError
        No room, or no right to write; the registry is as it was.
    """
    partial = _partial(path)
    try:
        broken = _broken(connection)
        cases = [str(row[0]) for row in connection.execute("FROM leaving_cases ORDER BY key").fetchall()]
        _note_successors(connection)
        # Nothing may be left in the write-ahead log: it would be replayed into the new file, or outlive the old one.
        connection.execute("CHECKPOINT")
        _copy(connection, partial, call)
        _complete(partial, call, rows, done, broken, cases)
        os.replace(partial, path)
        _sync_folder(path.parent)
        time.sleep(SETTLE_SECONDS)
    except (OSError, *UNWRITABLE):
        raise NotWritableError(
            f"{path} could not be rewritten (the disk may be full, or the folder read-only). The registry is as it "
            "was; make room for a second copy of it and call again."
        ) from None
    finally:
        with suppress(OSError):
            clean_up(path)


def _sync_folder(folder: Path) -> None:
    with suppress(OSError):  # some file systems and Windows know no such thing
        place = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(place)
        finally:
            os.close(place)


def _broken(connection: DuckDBPyConnection) -> set[Sum]:
    """Return the checksums that do not match already; rewriting them would hide it."""
    return {
        (delivery, table.name, part)
        for table in TABLES.values()
        for part in PARTS
        for delivery, _, _ in mismatches(connection, table, part)
    }


def _note_successors(connection: DuckDBPyConnection) -> None:
    """Let rows that stay, and were superseded by one that leaves, lead to the one after it."""
    while number(
        connection, "SELECT count(*) FROM leaving WHERE next <> row_id AND next IN (SELECT row_id FROM leaving)"
    ):
        connection.execute(
            "UPDATE leaving SET next = CASE WHEN n.next = n.row_id THEN leaving.row_id ELSE n.next END "
            "FROM leaving n WHERE leaving.next <> leaving.row_id AND n.row_id = leaving.next"
        )


def _copy(connection: DuckDBPyConnection, partial: Path, call: Withdrawing) -> None:
    place = str(partial).replace("'", "''")
    connection.execute(f"ATTACH '{place}' AS rewritten")
    try:
        with transaction(connection):
            for room in ("accepted", "received", "derived"):
                connection.execute(f"CREATE SCHEMA rewritten.{room}")
            for room, name in connection.execute(
                "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = current_database() "
                "AND NOT temporary ORDER BY 1, 2"
            ).fetchall():
                if room != "derived":
                    connection.execute(
                        f"CREATE TABLE rewritten.{room}.{quoted(name)} AS {_staying(connection, room, name, call)}"
                    )
    finally:
        connection.execute("DETACH rewritten")


def _staying(connection: DuckDBPyConnection, room: str, name: str, call: Withdrawing) -> str:
    """Return the SELECT of the rows of a table that stay, and of what stays of them."""
    columns = [str(row[0]) for row in connection.execute(f"DESCRIBE SELECT * FROM {room}.{quoted(name)}").fetchall()]
    conditions = []
    if room != "main":
        conditions.append(f"row_id IN (SELECT row_id FROM leaving WHERE table_name = '{name}')")
    elif "row_id" in columns:
        conditions.append("row_id IN (SELECT row_id FROM leaving UNION ALL FROM leaving_held)")
    if "held_id" in columns:
        conditions.append("held_id IN (FROM leaving_held)")
    if name == "held_edits":
        conditions.append("(held_id, delivery) IN (FROM leaving_edits)")
    if name == "warnings":
        places = " UNION ALL ".join(
            f"SELECT delivery, file, line FROM accepted.{table} WHERE row_id IN (SELECT row_id FROM leaving WHERE "
            f"table_name = '{table}')"
            for table in TABLES
        )
        conditions.append(f"(delivery, file, line) IN ({places})")
    changed = _changed(columns, call)
    instead = f" REPLACE ({', '.join(changed)})" if changed else ""
    where = " AND ".join(f"({condition}) IS NOT TRUE" for condition in conditions) or "true"
    return f"SELECT *{instead} FROM {room}.{quoted(name)} AS stays WHERE {where} ORDER BY rowid"


def _changed(columns: list[str], call: Withdrawing) -> list[str]:
    """Return what is written otherwise: names of files and reasons that say the pseudonym, and lost successors."""
    word = f"(^|[^A-Za-z0-9]){re.escape(call.athlete)}($|[^A-Za-z0-9])".replace("'", "''")
    ours = "site = '" + call.site.replace("'", "''") + "'" if "site" in columns else "true"
    changed = [
        f"CASE WHEN {ours} THEN regexp_replace({name}, '{word}', '\\1{GONE}\\2', 'g') ELSE {name} END AS {name}"
        for name in ("file", "because")
        if name in columns
    ]
    if "superseded_by" in columns and "row_id" in columns:
        changed.append(
            "coalesce((SELECT CASE WHEN l.next = l.row_id THEN stays.row_id ELSE l.next END FROM leaving l "
            "WHERE l.row_id = stays.superseded_by), superseded_by) AS superseded_by"
        )
    return changed


def _complete(
    partial: Path,
    call: Withdrawing,
    rows: dict[str, int],
    done: list[Reissue],
    broken: set[Sum],
    cases: list[str],
) -> None:
    """Enter the withdrawal into the new file's books, and compute what follows from its rows."""
    with duckdb.connect(str(partial), config=ENGINE_SETTINGS) as connection:
        with transaction(connection):
            salt = get_meta(connection, SALT) or secrets.token_hex(16)
            set_meta(connection, SALT, salt)
            delivery = number(connection, "SELECT coalesce(max(delivery), 0) + 1 FROM deliveries")
            connection.execute(
                "INSERT INTO deliveries VALUES (?, ?, ?, ?, 'withdrawal', NULL, NULL, ?)",
                [delivery, call.site, call.clock, DICTIONARY_VERSION, call.taken_by],
            )
            connection.execute(
                "INSERT INTO withdrawals VALUES (?, ?, ?, ?)",
                [delivery, call.site, climber_hash(salt, call.site, call.athlete), sum(rows.values())],
            )
            for case in cases:
                connection.execute(
                    "INSERT INTO withdrawn_cases VALUES (?, ?, ?)",
                    [delivery, call.site, case_hash(salt, call.site, case)],
                )
            if call.because:
                connection.execute(
                    "INSERT INTO retractions VALUES (?, 'withdrawal', NULL, ?)", [delivery, call.because]
                )
            for one in done:
                _enter_reissue(connection, one, call)
            write_all_checksums(connection, site=call.site, but=broken)
            create_current_views(connection)
            store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
        connection.execute("CHECKPOINT")


def _enter_reissue(connection: DuckDBPyConnection, one: Reissue, call: Withdrawing) -> None:
    from registry.derive import DERIVATION_VERSION

    connection.execute(
        "UPDATE freezes SET superseded_by = ? WHERE content_hash = ? AND superseded_by IS NULL AND "
        "(folder IS NULL OR folder = ? OR name = ?)",
        [one.new.name, one.old_hash, str(one.old), one.old.name],
    )
    connection.execute(
        "INSERT INTO freezes VALUES (?, ?, ?, ?, ?, NULL)",
        [one.new.name, one.new_hash, call.clock, DERIVATION_VERSION, str(one.new.resolve())],
    )
