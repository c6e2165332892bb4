"""The book of deliveries as a person reads it: what came when from whom, what of it waits, what a snapshot lacked."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.dictionary import TABLES
from registry.store.opening import opened_registry, own_site

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

TAKEN_BACK = (
    "SELECT CASE d.kind WHEN 'retraction' THEN (SELECT count(*) FROM retractions r WHERE r.delivery = d.delivery) "
    "ELSE (SELECT coalesce(sum(w.rows_removed), 0) FROM withdrawals w WHERE w.delivery = d.delivery) END"
)
VANISHED = "SELECT count(*) FROM vanished v WHERE v.delivery = d.delivery"
LEAD = "d.delivery, d.site, d.received_at, d.kind, d.period_from, d.period_to, d.taken_by"


def delivered_files(registry: str | Path, *, site: str | None = None) -> pd.DataFrame:
    """List the deliveries of a registry with their files, oldest first.

    Parameters
    ----------
    registry
        The registry file.
    site
        Only this site's; all when None.

    Returns
    -------
    pandas frame: delivery, site, received_at, kind (increment, snapshot, decision, retraction, withdrawal),
    period_from, period_to, taken_by, standing (taken, refused), file, table, rows, held_now (its rows that still wait),
    taken_back (rows of a retraction, or removed by a withdrawal), vanished (rows that a snapshot lacked). One row a
    file; a delivery without files has one row. Of a refused file nothing is known but that it was refused. taken_back
    and vanished are said of the whole delivery, in its first row.

    Raises
    ------
    InputError
        A site that has never delivered anything.
    """
    with opened_registry(registry, write=False) as connection:
        where, values = _of_site(connection, site)
        held = (
            "(SELECT count(*) FROM held h WHERE h.standing = 'open' AND h.delivery = f.delivery AND h.file = f.file "
            "AND coalesce(h.map, '') = coalesce(f.map, ''))"
        )
        frame: pd.DataFrame = connection.execute(
            f'SELECT {LEAD}, f.standing, f.file, f.table_name AS "table", f.n_rows AS "rows", '
            f"CASE WHEN f.standing = 'taken' THEN {held} END AS held_now, "
            f"{_once(TAKEN_BACK)} AS taken_back, {_once(VANISHED)} AS vanished "
            f"FROM deliveries d LEFT JOIN files f ON f.delivery = d.delivery {where} "
            "ORDER BY d.delivery, f.standing DESC NULLS LAST, f.file, f.map, f.sha256",
            values,
        ).df()
    whole = {column: "Int64" for column in ("rows", "held_now", "taken_back", "vanished")}
    return frame.astype(whole)


def _once(counted: str) -> str:
    """Say a number of the whole delivery in its first row only, so that the column can be summed."""
    place = "row_number() OVER (PARTITION BY d.delivery ORDER BY f.standing DESC NULLS LAST, f.file, f.map, f.sha256)"
    return f"CASE WHEN {place} = 1 THEN ({counted}) ELSE 0 END"


def vanished_list(registry: str | Path, *, site: str | None = None) -> pd.DataFrame:
    """List the rows that snapshots lacked, where they came from, and what has become of them.

    Parameters
    ----------
    registry
        The registry file.
    site
        Only this site's; all when None.

    Returns
    -------
    pandas frame: delivery (the snapshot), site, table, file, row (from which the registry has it), came_in (delivery),
    key (as much of the row's key as may be shown), now: ``kept``, ``revised`` or ``taken back`` since.

    Raises
    ------
    InputError
        A site that has never delivered anything.
    """
    import pandas as pd

    columns = ["delivery", "site", "table", "file", "row", "came_in", "key", "now"]
    with opened_registry(registry, write=False) as connection:
        where, values = _of_site(connection, site)
        rows: list[tuple[object, ...]] = []
        for table in TABLES.values():
            shown = [name for name in table.key if table[name].showable and name != "site"]
            key = ", ".join(f"'{name}=' || CAST(a.\"{name}\" AS VARCHAR)" for name in shown)
            rows += connection.execute(
                f"SELECT d.delivery, d.site, '{table.name}', a.file, a.line, a.delivery, "
                f"concat_ws(' ', {key or 'NULL'}), "
                "CASE WHEN a.superseded_by IS NULL THEN 'kept' WHEN a.superseded_by = a.row_id THEN 'taken back' "
                "ELSE 'revised' END FROM vanished d "
                f"JOIN accepted.{table.name} a ON d.table_name = '{table.name}' AND a.row_id = d.row_id {where}",
                values,
            ).fetchall()
    order = list(TABLES)
    rows.sort(key=lambda row: (row[0], order.index(str(row[2])), str(row[3]), row[4]))
    return pd.DataFrame(rows, columns=columns)


def _of_site(connection: DuckDBPyConnection, site: str | None) -> tuple[str, list[object]]:
    if site is None:
        return "", []
    return "WHERE d.site = ?", [own_site(connection, site)]
