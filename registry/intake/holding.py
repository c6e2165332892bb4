"""Looking at what is held: row by row with reasons, never a cell that may not be shown."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.intake.report import findings_frame
from registry.store.connection import connect
from registry.store.schema import check

if TYPE_CHECKING:
    import pandas as pd


def held_rows(registry: str | Path, *, site: str | None = None) -> pd.DataFrame:
    """List the open held rows of a registry.

    Parameters
    ----------
    registry
        The registry file.
    site
        Only this site's rows; all when None.

    Returns
    -------
    pandas frame: held_id, site, file, row (as in the file), table, column, code, severity, message; one row a reason.
    """
    connection = connect(Path(registry), write=False)
    try:
        check(connection)
        rows = (
            "SELECT h.held_id, h.site, h.file, h.line, h.table_name, r.column_name, r.code, "
            "CASE WHEN r.column_name IS NOT NULL THEN json_extract_string(h.cells, '$.' || r.column_name) END AS cell "
            "FROM held h JOIN held_reasons r USING (held_id) WHERE h.standing = 'open'"
        )
        order = "ORDER BY site, file, line, column_name, code"
        connection.execute(f"CREATE TEMP TABLE open_held AS {rows}")
        if site is not None:
            connection.execute("DELETE FROM open_held WHERE site <> ?", [site])
        frame = findings_frame(
            connection, f"SELECT file, line, table_name, column_name, code, cell FROM open_held {order}"
        )
        places = connection.execute(f"SELECT held_id, site FROM open_held {order}").fetchall()
        frame.insert(0, "site", [place[1] for place in places])
        frame.insert(0, "held_id", [place[0] for place in places])
        return frame
    finally:
        connection.close()
