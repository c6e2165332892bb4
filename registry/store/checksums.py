"""Checksums of what a delivery brought: one for each table, over the typed rows and over the rows as received.

They are plain SHA-256 sums without a key. They show damage, and changes made by another program; they do not show what
somebody changed who also wrote a new checksum. Against that, note a freeze's content hash outside the registry.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import TYPE_CHECKING

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.store.schema import ROW_LEAD, own_columns

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

PARTS = ("accepted", "received")
BLOCK_ROWS = 1000
UNSTEADY = ("row_id", "superseded_by", "content", "delivery")
"""Not among the texts that are hashed: the number leads, revisions come later, ``content`` is checked row by row."""

Sum = tuple[int, str, str]
"""(delivery, table name, part)."""


def write_checksums(connection: DuckDBPyConnection, delivery: int) -> None:
    """Enter the checksums of the rows that a delivery brought; call it once, in the delivery's own transaction."""
    for table in TABLES.values():
        for part in PARTS:
            connection.execute(f"INSERT INTO checksums {checksum_select(table, part, delivery=delivery)}")


def write_all_checksums(connection: DuckDBPyConnection, *, site: str | None = None, but: Collection[Sum] = ()) -> None:
    """Enter the checksums of all rows anew.

    Parameters
    ----------
    site
        Only for this site's deliveries; all when None.
    but
        Checksums that stay as they are, because they did not match before.
    """
    ours = "SELECT delivery FROM deliveries" + (" WHERE site = ?" if site is not None else "")
    connection.execute("CREATE OR REPLACE TEMP TABLE standing_sums (delivery BIGINT, table_name VARCHAR, part VARCHAR)")
    if but:
        connection.executemany("INSERT INTO standing_sums VALUES (?, ?, ?)", [list(key) for key in sorted(but)])
    stands = "(delivery, table_name, part) IN (FROM standing_sums)"
    values = [site] if site is not None else []
    connection.execute(f"DELETE FROM checksums WHERE delivery IN ({ours}) AND NOT {stands}", values)
    for table in TABLES.values():
        for part in PARTS:
            connection.execute(
                f"INSERT INTO checksums SELECT * FROM ({checksum_select(table, part)}) WHERE delivery IN ({ours}) "
                f"AND NOT {stands}",
                values,
            )
    connection.execute("DROP TABLE standing_sums")


def mismatches(connection: DuckDBPyConnection, table: Table, part: str) -> list[tuple[int, int, int]]:
    """Return (delivery, rows noted, rows found) where a table's checksum does not match; -1 for none noted."""
    rows = connection.execute(
        f"WITH found AS ({checksum_select(table, part)}), noted AS (SELECT * FROM checksums WHERE table_name = ? "
        "AND part = ?) SELECT coalesce(f.delivery, n.delivery), coalesce(n.n_rows, -1), coalesce(f.n_rows, 0) "
        "FROM found f FULL JOIN noted n ON f.delivery = n.delivery "
        "WHERE f.n_rows IS DISTINCT FROM n.n_rows OR f.sha256 IS DISTINCT FROM n.sha256 ORDER BY 1",
        [table.name, part],
    ).fetchall()
    return [(int(delivery), int(noted), int(found)) for delivery, noted, found in rows]


def checksum_select(table: Table, part: str, *, delivery: int | None = None) -> str:
    """Return the SELECT of delivery, table_name, part, n_rows, sha256 over a table's rows.

    Empty cells leave no trace in the sum, so that a column that the dictionary gains later does not change it.
    """
    lead = {name: kind for name, kind in ROW_LEAD.items() if name not in UNSTEADY}
    if part == "accepted":
        columns = [*lead, *own_columns(table)]
        source = f"accepted.{table.name}"
    else:
        columns = [quoted(name) for name in table.names]
        source = f"(SELECT r.*, a.delivery FROM received.{table.name} r JOIN accepted.{table.name} a USING (row_id))"
    where = "" if delivery is None else f"WHERE delivery = {delivery}"
    texts = ", ".join(f"'{column.strip(chr(34))}' || chr(30) || CAST({column} AS VARCHAR)" for column in columns)
    return (
        f"SELECT delivery, '{table.name}' AS table_name, '{part}' AS part, CAST(sum(n) AS BIGINT) AS n_rows, "
        "sha256(string_agg(sum, '' ORDER BY block)) AS sha256 FROM (SELECT delivery, row_id "
        f"// {BLOCK_ROWS} AS block, count(*) AS n, sha256(string_agg(sha256(concat_ws(chr(31), row_id, {texts})), '' "
        f"ORDER BY row_id)) AS sum FROM {source} {where} GROUP BY ALL) GROUP BY delivery"
    )
