"""The registry's book of deliveries: what came when from whom, by hash, so that nothing is taken in twice."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import TYPE_CHECKING

from registry.dictionary import DICTIONARY_VERSION
from registry.intake.identifiers import Refusal
from registry.intake.recognising import MENDED, RecognisedFile
from registry.intake.report import FileCount
from registry.maps.loading import read_map
from registry.privacy.remarks import checked_who
from registry.store.connection import number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from registry.maps.model import ColumnMap


def taken_before(connection: DuckDBPyConnection, file: RecognisedFile, *, site: str) -> bool:
    """Whether the site has delivered these very bytes before, under the same column map and dictionary."""
    same = "site = ? AND sha256 = ? AND map = ? AND dictionary_version = ? AND standing = 'taken'"
    values: list[object] = [site, file.text.sha256, file.map_hash, DICTIONARY_VERSION]
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


@dataclass(frozen=True, kw_only=True)
class Opening:
    """What is noted of a delivery when it is opened.

    kind
        increment, snapshot (of its period), decision, retraction, withdrawal.
    period
        First and last day that a snapshot covers; None when it covers all.
    taken_by
        Who took it in, as given; None when nobody said.
    """

    site: str
    received_at: datetime
    kind: str = "increment"
    period: tuple[date, date] | None = None
    taken_by: str | None = None

    def __post_init__(self) -> None:
        """Refuse a word for the person that names the person.

        Raises
        ------
        InputError
        """
        checked_who(self.taken_by)


def open_delivery(connection: DuckDBPyConnection, opening: Opening, *, refusals: Sequence[Refusal] = ()) -> int:
    """Enter a delivery and the hashes of its refused files; return its number."""
    site, (starts, ends) = opening.site, opening.period or (None, None)
    delivery = number(connection, "SELECT coalesce(max(delivery), 0) + 1 FROM deliveries")
    connection.execute(
        "INSERT INTO deliveries VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [delivery, site, opening.received_at, DICTIONARY_VERSION, opening.kind, starts, ends, opening.taken_by],
    )
    for refusal in new_refusals(connection, list(refusals), site=site):
        connection.execute(
            "INSERT INTO files VALUES (?, ?, ?, 'refused', NULL, NULL, NULL, ?, '')",
            [delivery, site, refusal.sha256, DICTIONARY_VERSION],
        )
    return delivery


def enter_files(
    connection: DuckDBPyConnection, files: list[RecognisedFile], *, site: str, delivery: int
) -> list[FileCount]:
    """Enter the files that were taken in; return their counts."""
    counts = []
    for file in files:
        name, table, n_rows = file.text.name, file.table_name, file.text.n_rows
        if table == MENDED:
            still = (
                "SELECT count(*) FROM mended JOIN held USING (held_id) WHERE held.standing = 'open' AND mended.file = ?"
            )
            held = number(connection, still, [name]) + len(file.text.unreadable)
        else:
            held = number(connection, "SELECT count(*) FROM held WHERE delivery = ? AND file = ?", [delivery, name])
        counts.append(FileCount(name, table, n_rows, held))
        connection.execute(
            "INSERT INTO files VALUES (?, ?, ?, 'taken', ?, ?, ?, ?, ?)",
            [delivery, site, file.text.sha256, name, table, n_rows, DICTIONARY_VERSION, file.map_hash],
        )
        if file.column_map is not None:
            _enter_map(connection, file.column_map, site=site)
    return counts


def _enter_map(connection: DuckDBPyConnection, column_map: ColumnMap, *, site: str) -> None:
    if not number(connection, "SELECT count(*) FROM maps WHERE sha256 = ? AND site = ?", [column_map.sha256, site]):
        connection.execute(
            "INSERT INTO maps VALUES (?, ?, ?, ?)", [column_map.sha256, site, column_map.name, column_map.text]
        )


def known_maps(connection: DuckDBPyConnection, *, site: str) -> dict[str, ColumnMap]:
    """Return the column maps that open held rows of the site are read with, by hash."""
    rows = connection.execute(
        "SELECT name, text FROM maps WHERE site = ? AND sha256 IN (SELECT map FROM held WHERE standing = 'open')",
        [site],
    ).fetchall()
    maps = [read_map(text.encode(), name=name) for name, text in rows]
    return {column_map.sha256: column_map for column_map in maps}
