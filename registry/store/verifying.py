"""Verifying: every checksum of a registry and of its freezes is recomputed, and what does not match is named.

Table, row and delivery are named, never a cell. Not covered are the rows that are held and the books themselves: they
carry no checksums.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import duckdb

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.errors import RegistryFileError
from registry.store.checksums import mismatches
from registry.store.freeze import PACKAGE, SUPERSEDED, read_package, superseded_record, verify_files
from registry.store.migration import open_current
from registry.store.schema import content_hash, get_meta, key_columns, own_columns
from registry.store.view import DERIVED, create_current_views, store_derived

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

FED_TOGETHER = ("sheet", "map_whole")
"""Rows fed by one delivered row: they are superseded by that row's number, which is a row of no table."""


@dataclass(frozen=True)
class Mismatch:
    """One thing that is not as it was: where, and what is wrong; never a cell."""

    where: str
    row: int | None
    delivery: int | None
    what: str


@dataclass
class Verification:
    """What was recomputed, and what did not match.

    checked
        (what, how many) in the order in which it was looked at.
    remarks
        Freezes that were superseded, derived tables of an earlier release: nothing is wrong with them.
    """

    checked: list[tuple[str, int]] = field(default_factory=list)
    mismatches: list[Mismatch] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def verify_registry(registry: str | Path, *, freezes: str | Path | None = None) -> Verification:
    """Recompute every checksum of a registry and of its freezes.

    Parameters
    ----------
    registry
        The registry file.
    freezes
        A folder of freezes to be looked at besides those that the registry knows of.

    Returns
    -------
    Verification

    Raises
    ------
    RegistryFileError
        The registry cannot be opened at all.
    """
    outcome = Verification()
    connection = open_current(registry, write=False)
    try:
        for table in TABLES.values():
            for look in (_contents, _revisions, _received, _sums):
                _guarded(outcome, f"accepted {table.name}", partial(look, connection, table))
            outcome.checked.append((f"rows of {table.name}", _count(connection, f"accepted.{table.name}")))
        _guarded(outcome, "derived tables", lambda: _derived(connection, outcome))
        known = _known_freezes(connection, outcome)
    finally:
        connection.close()
    for folder, content in _all_freezes(known, freezes).items():
        _freeze(folder, content, outcome)
    return outcome


def _guarded(outcome: Verification, where: str, look: Callable[[], Iterable[Mismatch]]) -> None:
    """Look; a part of the file that cannot be read is a mismatch like any other."""
    try:
        outcome.mismatches.extend(look())
    except duckdb.Error:
        outcome.mismatches.append(Mismatch(where, None, None, "cannot be read: this part of the file is damaged"))


def _count(connection: DuckDBPyConnection, table: str) -> int:
    try:
        return int(connection.execute(f"SELECT count(*) FROM {table}").fetchall()[0][0])
    except duckdb.Error:
        return 0


def _contents(connection: DuckDBPyConnection, table: Table) -> list[Mismatch]:
    return _rows(
        connection,
        table,
        f"SELECT row_id, delivery FROM accepted.{table.name} WHERE content IS DISTINCT FROM "
        f"{content_hash(own_columns(table))}",
        "the row is not what was taken in: its cells do not fit its checksum",
    )


def _revisions(connection: DuckDBPyConnection, table: Table) -> list[Mismatch]:
    """Every superseded row leads to a later row of the same key, or to itself when it was taken back."""
    same = " AND ".join(f"n.{column} IS NOT DISTINCT FROM a.{column}" for column in key_columns(table))
    together = ", ".join(f"'{word}'" for word in FED_TOGETHER)
    later = f"EXISTS (SELECT 1 FROM accepted.{table.name} n WHERE n.row_id = a.superseded_by AND {same})"
    taken_back = (
        f"a.superseded_by = a.row_id AND EXISTS (SELECT 1 FROM retractions r WHERE r.table_name = '{table.name}' "
        "AND r.row_id = a.row_id)"
    )
    found = _rows(
        connection,
        table,
        f"SELECT row_id, delivery FROM accepted.{table.name} a WHERE superseded_by IS NOT NULL AND NOT ("
        f"(superseded_by > row_id AND ({later} OR coalesce(fed_by, '') IN ({together}))) OR ({taken_back}))",
        "it is marked as superseded, but there is no later row of its key",
    )
    keys = ", ".join(key_columns(table))
    return found + _rows(
        connection,
        table,
        f"SELECT max(row_id), max_by(delivery, row_id) FROM accepted.{table.name} WHERE superseded_by IS NULL "
        f"GROUP BY {keys} HAVING count(*) > 1",
        "more than one row of its key is current",
    )


def _received(connection: DuckDBPyConnection, table: Table) -> list[Mismatch]:
    lost = _rows(
        connection,
        table,
        f"SELECT row_id, delivery FROM accepted.{table.name} WHERE row_id NOT IN (SELECT row_id FROM "
        f"received.{table.name})",
        "the row as it was received is missing",
    )
    return lost + _rows(
        connection,
        table,
        f"SELECT row_id, NULL FROM received.{table.name} WHERE row_id NOT IN (SELECT row_id FROM "
        f"accepted.{table.name})",
        "it stands among the rows as received, but no such row was taken in",
    )


def _sums(connection: DuckDBPyConnection, table: Table) -> list[Mismatch]:
    found = []
    for part in ("accepted", "received"):
        for delivery, noted, present in mismatches(connection, table, part):
            if noted < 0:
                what = f"{present} rows {_called(part)} have no checksum"
            elif noted != present:
                what = f"{noted} rows {_called(part)} were entered, {present} are there"
            else:
                what = f"the {present} rows {_called(part)} do not fit their checksum"
            found.append(Mismatch(table.name, None, delivery, what))
            if part == "received":
                found += _changed_texts(connection, table, delivery)
    return found


def _called(part: str) -> str:
    return "as received" if part == "received" else "taken in"


def _changed_texts(connection: DuckDBPyConnection, table: Table, delivery: int) -> list[Mismatch]:
    """Name the rows whose received text, read anew, gives another row than the one that was taken in."""
    from registry.intake.checks import typed_select

    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE as_received AS SELECT r.*, r.row_id AS origin, a.file, a.line, a.fed_by "
        f"FROM received.{table.name} r JOIN accepted.{table.name} a USING (row_id) WHERE a.delivery = {delivery}"
    )
    return _rows(
        connection,
        table,
        f"SELECT a.row_id, a.delivery FROM accepted.{table.name} a JOIN ({typed_select(table, 'as_received', site='')})"
        " t USING (row_id) WHERE a.content IS DISTINCT FROM t.content",
        "the row as received says something else than the row that was taken in",
    )


def _rows(connection: DuckDBPyConnection, table: Table, select: str, what: str) -> list[Mismatch]:
    rows = connection.execute(f"SELECT * FROM ({select}) ORDER BY 1").fetchall()
    return [Mismatch(table.name, int(row_id), delivery, what) for row_id, delivery in rows]


def _derived(connection: DuckDBPyConnection, outcome: Verification) -> list[Mismatch]:
    from registry.derive import DERIVATION_VERSION

    if get_meta(connection, "derivation_version") != str(DERIVATION_VERSION):
        outcome.remarks.append(
            "The derived tables are of an earlier release; they are derived anew when they are read."
        )
        return []
    create_current_views(connection)
    places = {name: f"temp.anew_{name}" for name in DERIVED}
    store_derived(connection, places)
    found = []
    for name, place in places.items():
        columns = ", ".join(quoted(row[0]) for row in connection.execute(f"DESCRIBE {place}").fetchall())
        anew, stored = f"SELECT {columns} FROM {place}", f"SELECT {columns} FROM derived.{name}"
        n = int(
            connection.execute(
                f"SELECT count(*) FROM (({anew} EXCEPT ALL {stored}) UNION ALL ({stored} EXCEPT ALL {anew}))"
            ).fetchall()[0][0]
        )
        if n:
            what = f"{n} rows differ between what is stored and what follows from the current rows"
            found.append(Mismatch(f"derived {name}", None, None, what))
        outcome.checked.append((f"derived {name}", _count(connection, f"derived.{name}")))
    return found


def _known_freezes(connection: DuckDBPyConnection, outcome: Verification) -> dict[Path, str]:
    """Return folder -> content hash of the freezes whose folder the registry knows."""
    known: dict[Path, str] = {}
    for name, content, folder in connection.execute(
        "SELECT name, content_hash, folder FROM freezes ORDER BY frozen_at, name"
    ).fetchall():
        if folder is None:
            outcome.remarks.append(
                f"The folder of freeze {name} is not on the books (an earlier release made it); name it with --freezes."
            )
        elif not Path(folder).is_dir():
            outcome.remarks.append(f"Freeze {name} is not at {folder} any more; name its folder with --freezes.")
        else:
            known[Path(folder)] = str(content)
    return known


def _all_freezes(known: dict[Path, str], freezes: str | Path | None) -> dict[Path, str | None]:
    every: dict[Path, str | None] = dict(known)
    if freezes is not None:
        for folder in freeze_folders(freezes):
            every.setdefault(folder, None)
    return every


def freeze_folders(place: str | Path) -> list[Path]:
    """Return the freezes in a folder: those directly inside it, or the folder itself when it is one.

    Raises
    ------
    RegistryFileError
        There is no such folder.
    """
    home = Path(place)
    if not home.is_dir():
        raise RegistryFileError(f"there is no folder {home}; give the folder that holds the freezes.")
    folders = [home, *(path for path in home.iterdir() if path.is_dir() and not path.name.startswith("."))]
    return sorted(path.resolve() for path in folders if (path / PACKAGE).is_file() or (path / SUPERSEDED).is_file())


def _freeze(folder: Path, content: str | None, outcome: Verification) -> None:
    where = f"freeze {folder.name}"
    outcome.checked.append((where, 1))
    try:
        record = superseded_record(folder)
        if record is not None:
            outcome.remarks.append(f"{folder} was superseded by {record['superseded_by']} ({record['because']}).")
            return
        package = read_package(folder)
        verify_files(folder, package)
    except RegistryFileError as error:
        outcome.mismatches.append(Mismatch(where, None, None, str(error)))
        return
    if content is not None and package["content_hash"] != content:
        what = "it is whole, but its content hash is not the one that the registry noted"
        outcome.mismatches.append(Mismatch(where, None, None, what))
