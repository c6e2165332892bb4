"""Committing: good rows become rows or revisions, the others are held; nothing is overwritten, nothing is lost."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pyarrow as pa

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.intake.checks import listed, text_literal
from registry.intake.mapped import hold_mapped
from registry.intake.recognising import ALL_TABLES, MENDED, RecognisedFile
from registry.intake.screening import HELD, WARNING_CODES, good
from registry.intake.staging import Stage
from registry.store.connection import first_row, number
from registry.store.schema import content_hash, own_columns

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
    # Only keys are judged: a wide copy of a million rows is what the memory cannot hold twice.
    connection.execute(f"CREATE OR REPLACE TEMP VIEW once AS {_each_once(stage, table)}")
    key = ", ".join(f"o.{quoted(name)}" for name in table.key)
    source = "once" if table.name == "athletes" else f"typed_{table.name}"
    same = " AND ".join(f"a.{quoted(name)} IS NOT DISTINCT FROM o.{quoted(name)}" for name in table.key)
    current = f"a.superseded_by IS NULL AND a.site = {text_literal(stage.site)}"
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE judged AS SELECT o.row_id, o.origin, o.fed_by, o.content, "
        f"{key}, a.row_id AS earlier, a.content AS earlier_content "
        f"FROM once o LEFT JOIN accepted.{table.name} a ON {current} AND {same}"
    )
    changed = "earlier IS NULL OR earlier_content <> content"
    own = ", ".join(own_columns(table))
    connection.execute(
        f"INSERT INTO accepted.{table.name} (row_id, delivery, superseded_by, fed_by, content, file, line, site, "
        f"{own}) SELECT row_id, {delivery}, NULL, fed_by, content, file, line, site, {own} FROM {source} "
        f"WHERE row_id IN (SELECT row_id FROM judged WHERE {changed}) ORDER BY row_id"
    )
    connection.execute(
        f"UPDATE accepted.{table.name} AS a SET superseded_by = j.row_id FROM judged j "
        "WHERE a.row_id = j.earlier AND j.earlier_content <> j.content"
    )
    if "case" in table.key and table.name != "cases":
        _close_corrected(stage, table, same, delivery=delivery)
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE seen_{table.name} AS SELECT CASE WHEN {changed} THEN row_id ELSE earlier END "
        "AS row_id FROM judged"
    )
    names = ", ".join(quoted(name) for name in table.names)
    connection.execute(
        f"INSERT INTO received.{table.name} SELECT row_id, {names} FROM staged_{table.name} "
        f"WHERE row_id IN (SELECT row_id FROM judged WHERE {changed}) ORDER BY row_id"
    )
    counts = first_row(
        connection,
        "SELECT count(*) FILTER (earlier IS NULL), count(*) FILTER (earlier_content <> content), "
        f"count(*) FILTER (earlier_content = content), (SELECT count(*) FROM {good(table.name, held=HELD)}) - count(*) "
        "FROM judged",
    )
    return TableCount(table.name, *(int(count) for count in counts))


def _each_once(stage: Stage, table: Table) -> str:
    """Return the SELECT of a table's good rows, each key once.

    What several rows of a site's own export say of one climber is put together: an empty cell in one of them, or
    "unknown", says nothing against what another one, or the registry, holds.
    """
    key = ", ".join(quoted(name) for name in table.key)
    rows = good(table.name, held=HELD)
    first = f"SELECT * FROM {rows} WHERE row_id IN (SELECT min(row_id) FROM {rows} GROUP BY {key})"
    fed = f"SELECT count(*) FROM typed_{table.name} WHERE fed_by IN ('map', 'map_whole')"
    if table.name != "athletes" or not number(stage.connection, fed):
        return first
    others = [column for column in own_columns(table) if column != key]
    coded = {quoted(field.name) for field in table.fields if field.kind == "code"}

    def known(column: str, alias: str) -> str:
        return f"nullif({alias}.{column}, 'unknown')" if column in coded else f"{alias}.{column}"

    said = ", ".join(
        f"first({known(column, 'g')} ORDER BY row_id) FILTER ({known(column, 'g')} IS NOT NULL) AS {column}"
        for column in others
    )
    put_together = ", ".join(
        f"CASE WHEN o.fed_by IS NULL THEN o.{column} "
        f"ELSE coalesce(s.{column}, {known(column, 'a')}, o.{column}, a.{column}) END AS {column}"
        for column in others
    )
    merged = (
        f"SELECT o.* REPLACE ({put_together}) FROM ({first}) o JOIN (SELECT {key}, {said} FROM {rows} g "
        f"GROUP BY {key}) s USING ({key}) LEFT JOIN current_athletes a ON a.site = o.site AND a.{key} = o.{key}"
    )
    return f"SELECT * REPLACE ({content_hash(own_columns(table))} AS content) FROM ({merged})"


def _close_corrected(stage: Stage, table: Table, same: str, *, delivery: int) -> None:
    """Supersede what an earlier row fed for a case and its newer row no longer names.

    A flat sheet says all structures of a finger in one cell, and a wide row says all contacts side by side; what is
    corrected there replaces what stood there. A row that says one contact only adds to those of earlier deliveries.
    """
    whole = "j.fed_by = 'map_whole'" if table.name != "findings" else "j.fed_by IN ('sheet', 'map_whole')"
    connection = stage.connection
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE corrected AS SELECT a.row_id, j.origin FROM accepted.{table.name} a "
        f'JOIN (SELECT "case", max(origin) AS origin FROM judged j WHERE {whole} GROUP BY "case") j '
        f'ON a."case" = j."case" WHERE a.superseded_by IS NULL AND a.site = {text_literal(stage.site)} '
        f"AND a.fed_by IN ('sheet', 'map_whole') AND NOT EXISTS (SELECT 1 FROM judged o WHERE {same})"
    )
    connection.execute(
        f"UPDATE accepted.{table.name} AS a SET superseded_by = c.origin FROM corrected c WHERE a.row_id = c.row_id"
    )
    connection.execute(f"INSERT INTO retractions SELECT {delivery}, '{table.name}', row_id, NULL FROM corrected")


def hold(stage: Stage, files: list[RecognisedFile], *, delivery: int) -> int:
    """Write the held rows with their reasons, close those that are released or replaced; return the releases."""
    connection = stage.connection
    _close_and_release(connection, stage, delivery)
    for table in ALL_TABLES.values():
        pairs = ", ".join(f"{text_literal(name)}, {quoted(name)}" for name in table.names)
        connection.execute(
            f"INSERT INTO held SELECT row_id, {delivery}, {text_literal(stage.site)}, {text_literal(table.name)}, "
            f"file, line, CAST(json_merge_patch('{{}}', json_object({pairs})) AS VARCHAR), 'open', NULL, NULL, '' "
            f"FROM staged_{table.name} WHERE origin = row_id AND row_id >= {stage.first_new_row} "
            f"AND row_id IN ({HELD}) ORDER BY row_id"
        )
    mapped = [file for file in files if file.column_map]
    hold_mapped(stage, mapped, held_origins=HELD, delivery=delivery)
    connection.execute(
        "INSERT INTO held_reasons SELECT DISTINCT origin, shown_column, code, table_name, column_name FROM said "
        f"WHERE origin IN ({HELD}) AND code NOT IN ({listed(WARNING_CODES)}) "
        "AND (origin, code) NOT IN (SELECT held_id, code FROM exempt)"
    )
    _hold_unreadable(stage, files, delivery=delivery)
    return number(
        connection, "SELECT count(*) FROM held WHERE standing IN ('released', 'accepted') AND closed_by = ?", [delivery]
    )


def _hold_unreadable(stage: Stage, files: list[RecognisedFile], *, delivery: int) -> None:
    """Hold rows that cannot be laid under the header by their number only.

    Nobody can say which of their cells stands under which column, so that an identifier could not be told from a code;
    their text stays with the site.
    """
    for file in files:
        rows = file.text.unreadable
        if not rows or file.table_name == MENDED:
            continue
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
            "INSERT INTO held SELECT held_id, ?, ?, ?, ?, line, NULL, 'open', NULL, NULL, ? FROM unreadable_rows",
            [delivery, stage.site, file.table_name, file.text.name, file.map_hash],
        )
        stage.connection.execute(
            "INSERT INTO held_reasons SELECT held_id, NULL, code, ?, NULL FROM unreadable_rows", [file.table_name]
        )
        stage.connection.unregister("unreadable_rows")


def _close_and_release(connection: DuckDBPyConnection, stage: Stage, delivery: int) -> None:
    restaged = " UNION ALL ".join(
        f"SELECT row_id FROM staged_{name} WHERE origin = row_id AND row_id < {stage.first_new_row}"
        for name in (*ALL_TABLES, "source")
    )
    connection.execute(
        "UPDATE held SET standing = CASE WHEN held_id IN (SELECT held_id FROM exempt) THEN 'accepted' ELSE 'released' "
        f"END, closed_by = {delivery} WHERE held_id IN ({restaged}) AND held_id NOT IN ({HELD})"
    )
    connection.execute(
        f"UPDATE held SET standing = 'replaced', closed_by = {delivery} WHERE held_id IN (FROM replaced)"
    )
    connection.execute(f"DELETE FROM held_reasons WHERE held_id IN ({restaged}) AND held_id IN ({HELD})")


def keep_warnings(stage: Stage, *, delivery: int) -> None:
    """Write the warnings of rows that this delivery brought; a row that is in the registry already warns no more."""
    brought = " UNION ALL ".join(f"SELECT row_id FROM accepted.{name} WHERE delivery = {delivery}" for name in TABLES)
    stage.connection.execute(
        f"INSERT INTO warnings SELECT {delivery}, {text_literal(stage.site)}, row_id, table_name, file, line, "
        f"shown_column, code FROM said WHERE code IN ({listed(WARNING_CODES)}) AND origin NOT IN ({HELD}) "
        f"AND row_id IN ({brought})"
    )


def commit_all(stage: Stage, *, delivery: int) -> list[TableCount]:
    """Commit every table, parents first."""
    counts = [commit_table(stage, table, delivery=delivery) for table in TABLES.values()]
    return [count for count in counts if any((count.new, count.revised, count.unchanged, count.repeated))]
