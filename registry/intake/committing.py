"""Committing: good rows become rows or revisions, the others are held; nothing is overwritten, nothing is lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.intake.checks import listed, text_literal
from registry.intake.reading import UnreadableRow
from registry.intake.recognising import ALL_TABLES
from registry.intake.screening import HELD_ORIGINS, WARNING_CODES, good
from registry.intake.staging import Stage
from registry.store.connection import first_row, number
from registry.store.schema import own_columns

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection


@dataclass(frozen=True)
class TableCount:
    """What became of the good rows of one table."""

    table: str
    new: int
    revised: int
    unchanged: int
    repeated: int


def commit_table(stage: Stage, table: Table, *, delivery: int) -> TableCount:
    """Insert the table's good rows as new rows or revisions.

    Returns
    -------
    TableCount
        ``repeated`` rows stood in the delivery more than once with the same content and are counted once;
        ``unchanged`` ones are in the registry already.
    """
    connection = stage.connection
    key = ", ".join(quoted(name) for name in table.key)
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE once AS SELECT * FROM {good(table.name)} "
        f"QUALIFY row_number() OVER (PARTITION BY {key} ORDER BY row_id) = 1"
    )
    same = " AND ".join(f"a.{quoted(name)} IS NOT DISTINCT FROM o.{quoted(name)}" for name in table.key)
    current = f"a.superseded_by IS NULL AND a.site = {text_literal(stage.site)}"
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE judged AS SELECT o.*, a.row_id AS earlier, a.content AS earlier_content "
        f"FROM once o LEFT JOIN accepted.{table.name} a ON {current} AND {same}"
    )
    changed = "earlier IS NULL OR earlier_content <> content"
    own = ", ".join(own_columns(table))
    connection.execute(
        f"INSERT INTO accepted.{table.name} (row_id, delivery, superseded_by, fed_by, content, file, line, site, "
        f"{own}) SELECT row_id, {delivery}, NULL, CASE WHEN origin <> row_id THEN 'sheet' END, content, file, line, "
        f"site, {own} FROM judged WHERE {changed} "
        "ORDER BY row_id"
    )
    connection.execute(
        f"UPDATE accepted.{table.name} AS a SET superseded_by = j.row_id FROM judged j "
        "WHERE a.row_id = j.earlier AND j.earlier_content <> j.content"
    )
    if table.name == "findings":
        _close_corrected_findings(stage, same)
    names = ", ".join(quoted(name) for name in table.names)
    connection.execute(
        f"INSERT INTO received.{table.name} SELECT row_id, {names} FROM staged_{table.name} "
        f"WHERE row_id IN (SELECT row_id FROM judged WHERE {changed}) ORDER BY row_id"
    )
    counts = first_row(
        connection,
        "SELECT count(*) FILTER (earlier IS NULL), count(*) FILTER (earlier_content <> content), "
        f"count(*) FILTER (earlier_content = content), (SELECT count(*) FROM {good(table.name)}) - count(*) "
        "FROM judged",
    )
    return TableCount(table.name, *(int(count) for count in counts))


def _close_corrected_findings(stage: Stage, same: str) -> None:
    """Supersede the findings that a flat sheet fed for a case and that its newer row no longer names.

    The sheet says all structures of a finger in one cell; a corrected cell replaces what stood there.
    """
    stage.connection.execute(
        'UPDATE accepted.findings AS a SET superseded_by = j.origin FROM (SELECT DISTINCT "case", origin FROM judged '
        f"WHERE origin <> row_id) j WHERE a.superseded_by IS NULL AND a.site = {text_literal(stage.site)} "
        f'AND a.fed_by = \'sheet\' AND a."case" = j."case" AND NOT EXISTS (SELECT 1 FROM judged o WHERE {same})'
    )


def hold(stage: Stage, *, delivery: int, unreadable: dict[str, tuple[str, list[UnreadableRow]]]) -> int:
    """Write the held rows with their reasons, close those that are released or replaced; return the releases.

    Parameters
    ----------
    unreadable
        File name -> (table name, rows that could not be laid under the header).
    """
    connection = stage.connection
    _close_and_release(connection, stage, delivery)
    for table in ALL_TABLES.values():
        pairs = ", ".join(f"{text_literal(name)}, {quoted(name)}" for name in table.names)
        connection.execute(
            f"INSERT INTO held SELECT row_id, {delivery}, {text_literal(stage.site)}, {text_literal(table.name)}, "
            f"file, line, CAST(json_merge_patch('{{}}', json_object({pairs})) AS VARCHAR), 'open', NULL, NULL "
            f"FROM staged_{table.name} WHERE origin = row_id AND row_id >= {stage.first_new_row} "
            f"AND row_id IN ({HELD_ORIGINS}) ORDER BY row_id"
        )
    connection.execute(
        "INSERT INTO held_reasons SELECT DISTINCT origin, column_name, code FROM said "
        f"WHERE origin IN ({HELD_ORIGINS}) AND code NOT IN ({listed(WARNING_CODES)})"
    )
    _hold_unreadable(stage, unreadable, delivery=delivery)
    return number(connection, "SELECT count(*) FROM held WHERE standing = 'released' AND closed_by = ?", [delivery])


def _hold_unreadable(stage: Stage, unreadable: dict[str, tuple[str, list[UnreadableRow]]], *, delivery: int) -> None:
    """Hold rows that cannot be laid under the header by their number only.

    Nobody can say which of their cells stands under which column, so that an identifier could not be told from a code;
    their text stays with the site.
    """
    import pyarrow as pa

    for file, (table_name, rows) in unreadable.items():
        first = stage.new_rows(len(rows))
        held = pa.table(
            {
                "held_id": pa.array(range(first, first + len(rows)), pa.int64()),
                "line": pa.array([row.line for row in rows], pa.int64()),
                "code": pa.array([row.code for row in rows], pa.string()),
            }
        )
        stage.connection.register("unreadable_rows", held)
        stage.connection.execute(
            "INSERT INTO held SELECT held_id, ?, ?, ?, ?, line, NULL, 'open', NULL, NULL FROM unreadable_rows",
            [delivery, stage.site, table_name, file],
        )
        stage.connection.execute("INSERT INTO held_reasons SELECT held_id, NULL, code FROM unreadable_rows")
        stage.connection.unregister("unreadable_rows")


def _close_and_release(connection: DuckDBPyConnection, stage: Stage, delivery: int) -> None:
    restaged = " UNION ALL ".join(
        f"SELECT row_id FROM staged_{name} WHERE origin = row_id AND row_id < {stage.first_new_row}"
        for name in ALL_TABLES
    )
    connection.execute(
        f"UPDATE held SET standing = 'released', closed_by = {delivery} "
        f"WHERE held_id IN ({restaged}) AND held_id NOT IN ({HELD_ORIGINS})"
    )
    connection.execute(
        f"UPDATE held SET standing = 'replaced', closed_by = {delivery} WHERE held_id IN (FROM replaced)"
    )
    connection.execute(f"DELETE FROM held_reasons WHERE held_id IN ({restaged}) AND held_id IN ({HELD_ORIGINS})")


def keep_warnings(stage: Stage, *, delivery: int) -> None:
    """Write the warnings of rows that were taken in."""
    stage.connection.execute(
        f"INSERT INTO warnings SELECT {delivery}, {text_literal(stage.site)}, row_id, table_name, file, line, "
        f"column_name, code FROM said WHERE code IN ({listed(WARNING_CODES)}) AND origin NOT IN ({HELD_ORIGINS})"
    )


def commit_all(stage: Stage, *, delivery: int) -> list[TableCount]:
    """Commit every table, parents first."""
    counts = [commit_table(stage, table, delivery=delivery) for table in TABLES.values()]
    return [count for count in counts if any((count.new, count.revised, count.unchanged, count.repeated))]
