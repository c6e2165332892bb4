"""Looking at what is held: row by row with reasons, never a cell that may not be shown."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.errors import InputError
from registry.intake.report import findings_frame
from registry.store.connection import connect, number, transaction
from registry.store.schema import check

if TYPE_CHECKING:
    import pandas as pd

LONGEST_REASON = 120


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


def dismiss(registry: str | Path, *, held_id: int, because: str) -> None:
    """Close a held row that nobody can mend; the row and the reason stay on the books.

    Parameters
    ----------
    registry
        The registry file.
    held_id
        The row's number, as ``held_rows`` lists it.
    because
        Why it is dismissed, in a few words without anything that identifies a person.

    Raises
    ------
    InputError
        No open held row of that number, or no reason.
    """
    if not because.strip() or len(because) > LONGEST_REASON:
        raise InputError(f"say why the row is dismissed, in {LONGEST_REASON} characters at most.")
    connection = connect(Path(registry), write=True)
    try:
        check(connection)
        with transaction(connection):
            waiting = "standing = 'open' AND held_id = ?"
            if not number(connection, f"SELECT count(*) FROM held WHERE {waiting}", [held_id]):
                raise InputError(f"no open held row {held_id}; annulary held lists them.")
            connection.execute(
                f"UPDATE held SET standing = 'dismissed', because = ? WHERE {waiting}", [because.strip(), held_id]
            )
    finally:
        connection.close()
