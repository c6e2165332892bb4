"""The registry's book of deliveries: what came when from whom, by hash, so that nothing is taken in twice."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from registry.dictionary import DICTIONARY_VERSION
from registry.intake.identifiers import Refusal
from registry.intake.recognising import RecognisedFile
from registry.intake.report import FileCount
from registry.intake.screening import HELD_ORIGINS
from registry.store.connection import number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


def taken_before(connection: DuckDBPyConnection, file: RecognisedFile, *, site: str) -> bool:
    """Whether the site has delivered these very bytes before, under the same dictionary."""
    same = "site = ? AND sha256 = ? AND dictionary_version = ? AND standing = 'taken'"
    values: list[object] = [site, file.text.sha256, DICTIONARY_VERSION]
    return number(connection, f"SELECT count(*) FROM files WHERE {same}", values) > 0


def still_held(connection: DuckDBPyConnection, file: RecognisedFile, *, site: str) -> int:
    """Count the rows of a file that was taken in before which still wait for a mend."""
    return number(
        connection,
        "SELECT count(*) FROM held JOIN files USING (delivery, site, file) WHERE held.standing = 'open' "
        "AND site = ? AND sha256 = ?",
        [site, file.text.sha256],
    )


def new_refusals(connection: DuckDBPyConnection, refusals: list[Refusal], *, site: str) -> list[Refusal]:
    """Return the refusals of files that have not been refused before."""
    rows = connection.execute("SELECT sha256 FROM files WHERE site = ? AND standing = 'refused'", [site]).fetchall()
    known = {row[0] for row in rows}
    return [refusal for refusal in refusals if refusal.sha256 not in known]


def open_delivery(connection: DuckDBPyConnection, *, site: str, received_at: datetime, refusals: list[Refusal]) -> int:
    """Enter a delivery and the hashes of its refused files; return its number."""
    delivery = number(connection, "SELECT coalesce(max(delivery), 0) + 1 FROM deliveries")
    connection.execute("INSERT INTO deliveries VALUES (?, ?, ?, ?)", [delivery, site, received_at, DICTIONARY_VERSION])
    for refusal in new_refusals(connection, refusals, site=site):
        connection.execute(
            "INSERT INTO files VALUES (?, ?, ?, 'refused', NULL, NULL, NULL, ?)",
            [delivery, site, refusal.sha256, DICTIONARY_VERSION],
        )
    return delivery


def enter_files(
    connection: DuckDBPyConnection, files: list[RecognisedFile], *, site: str, delivery: int
) -> list[FileCount]:
    """Enter the files that were taken in; return their counts."""
    counts = []
    for file in files:
        name, table, n_rows = file.text.name, file.table.name, file.text.n_rows
        held = number(
            connection,
            f"SELECT count(*) FROM staged_{table} WHERE file = ? AND origin = row_id AND origin IN ({HELD_ORIGINS}) "
            "AND row_id IN (SELECT held_id FROM held WHERE delivery = ?)",
            [name, delivery],
        )
        counts.append(FileCount(name, table, n_rows, held + len(file.text.unreadable)))
        connection.execute(
            "INSERT INTO files VALUES (?, ?, ?, 'taken', ?, ?, ?, ?)",
            [delivery, site, file.text.sha256, name, table, n_rows, DICTIONARY_VERSION],
        )
    return counts
