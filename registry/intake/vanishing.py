"""What a snapshot no longer holds: reported, never obeyed.

A snapshot says that it holds every row of its period. An earlier row that it lacks may have been deleted on purpose, or
a filter may have been left on in a spreadsheet; nobody can tell from here, so the row stays and a person is told.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from typing import TYPE_CHECKING

from registry.dictionary import SHEET, TABLES, Table
from registry.door import quoted
from registry.intake.checks import text_literal
from registry.intake.recognising import MAPPED
from registry.intake.screening import HELD
from registry.intake.sheet_rows import FED
from registry.store.connection import number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

FIRST_DAY = {
    "observation": "starts_on",
    "exposure": "starts_on",
    "cases": "onset",
    "findings": "found_on",
    "imaging": "done_on",
    "management": "starts_on",
    "readings": "read_on",
    "follow_ups": "seen",
    "referents": "happened_on",
}
"""The day that puts a row into a snapshot's period; athletes have none."""

MAP_FED = "fed_by IN ('map', 'map_whole')"

WHOLLY_INSIDE = ("observation", "exposure")
"""Rows about a span of time are judged only when the period covers all of it."""


def vanished_rows(
    connection: DuckDBPyConnection,
    *,
    site: str,
    delivery: int,
    tables_delivered: Iterable[str],
    period: tuple[date, date] | None,
) -> dict[str, int]:
    """Note the site's earlier rows that a snapshot lacks, after it was committed.

    Parameters
    ----------
    connection
        Inside the intake's transaction, with the intake's temporary tables: ``seen_<table>`` (row_id of the current
        rows that this delivery made or confirmed), ``typed_<table>``, ``staged_sheet`` and ``bad``.
    site, delivery
        Whose snapshot it is, and its number in the book of deliveries.
    tables_delivered
        Tables that the delivery holds. ``sheet`` and ``mapped`` stand for the rows that flat sheets and column maps
        have fed into the tables that they feed. Other rows are not judged.
    period
        First and last day that the snapshot covers; None when it covers all days. With a period, rows without a day
        are not judged, and climbers are not.

    Returns
    -------
    dict of str to int
        Table -> rows that vanished; tables without any are left out. They are written to ``vanished``.

    Notes
    -----
    A row that the delivery holds but that is held for a reason has not vanished: rows with its key, or with as much of
    it as can be read, are passed over. A row that could not even be laid under its header may be any row; what it was
    is counted as vanished until it is mended.
    """
    names = set(tables_delivered)
    counts = {}
    for table in TABLES.values():
        if table.name == "sites" or (period and table.name not in FIRST_DAY):
            continue
        judged = _judged(connection, table, names, delivery=delivery)
        if not judged:
            continue
        connection.execute(
            f"CREATE OR REPLACE TEMP TABLE absent AS SELECT a.* FROM accepted.{table.name} a "
            f"WHERE superseded_by IS NULL AND site = {text_literal(site)} AND delivery < {delivery} AND ({judged}) "
            f"AND row_id NOT IN (FROM seen_{table.name}){_inside(table, period)}"
        )
        _pass_over_held(connection, table)
        if table.name == "follow_ups":
            _pass_over_earlier_contacts(connection)
        connection.execute(
            f"INSERT INTO vanished SELECT {delivery}, {text_literal(site)}, '{table.name}', row_id FROM absent "
            "ORDER BY row_id"
        )
        counts[table.name] = number(connection, "SELECT count(*) FROM absent")
    connection.execute("DROP TABLE IF EXISTS absent")
    return {name: n for name, n in counts.items() if n}


def _judged(connection: DuckDBPyConnection, table: Table, names: set[str], *, delivery: int) -> str:
    """Return the condition for the rows that the delivered files could have held; '' when none of them could."""
    if table.name in names:
        return "true"
    fed = []
    if SHEET.name in names and table.name in FED:
        fed.append("fed_by = 'sheet'")
    new = f"{MAP_FED} AND origin NOT IN (SELECT held_id FROM held WHERE delivery < {delivery})"
    if MAPPED in names and number(connection, f"SELECT count(*) FROM staged_{table.name} WHERE {new}"):
        fed.append(MAP_FED)
    return " OR ".join(fed)


def _pass_over_earlier_contacts(connection: DuckDBPyConnection) -> None:
    """Pass over contacts that a file with room for only the latest one cannot hold any more.

    A contact later than the one that it holds now is another matter: its day was mistyped, and has been mended.
    """
    connection.execute(
        "DELETE FROM absent x WHERE fed_by IN ('sheet', 'map') AND EXISTS (SELECT 1 FROM accepted.follow_ups s "
        'WHERE s.row_id IN (FROM seen_follow_ups) AND s.site = x.site AND s."case" = x."case" AND s.seen >= x.seen)'
    )


def _inside(table: Table, period: tuple[date, date] | None) -> str:
    if period is None:
        return ""
    first, last = (f"DATE '{day.isoformat()}'" for day in period)
    day = quoted(FIRST_DAY[table.name])
    end = '"ends_on"' if table.name in WHOLLY_INSIDE else day
    if "case" in table.names and table.name != "cases":
        onset = 'SELECT c.onset FROM current_cases c WHERE c.site = a.site AND c."case" = a."case"'
        day = end = f"coalesce({day}, ({onset}))"
    return f" AND {day} >= {first} AND {end} <= {last}"


def _pass_over_held(connection: DuckDBPyConnection, table: Table) -> None:
    """Take the rows out of ``absent`` that the delivery holds after all, though held for a reason."""
    unread = [
        f"CASE WHEN {quoted(name)} IS NULL AND row_id IN (SELECT row_id FROM bad WHERE table_name = '{table.name}' "
        f"AND column_name = '{name}') THEN '{name} ' ELSE '' END"
        for name in table.key
    ]
    keys = ", ".join(quoted(name) for name in table.key)
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE held_keys AS SELECT DISTINCT {' || '.join(unread)} AS unread, {keys} "
        f"FROM typed_{table.name} WHERE origin IN ({HELD})"
    )
    for (unreadable,) in connection.execute("SELECT DISTINCT unread FROM held_keys").fetchall():
        readable = [name for name in table.key if name not in unreadable.split()]
        if readable:
            same = " AND ".join(
                f"{_without_zeros(table, name, 'h')} IS NOT DISTINCT FROM {_without_zeros(table, name, 'x')}"
                for name in readable
            )
            held = f"SELECT 1 FROM held_keys h WHERE h.unread = {text_literal(unreadable)}"
            connection.execute(f"DELETE FROM absent x WHERE EXISTS ({held} AND {same})")
    connection.execute("DROP TABLE held_keys")
    if table.name in FED:
        _pass_over_sheet(connection, table)


def _without_zeros(table: Table, name: str, alias: str) -> str:
    """Return a key column for comparing; rows are also held for the leading zeros that a spreadsheet took."""
    column = f"{alias}.{quoted(name)}"
    return f"ltrim({column}, '0')" if table[name].kind in ("key", "pseudonym") else column


def _pass_over_sheet(connection: DuckDBPyConnection, table: Table) -> None:
    """Pass over what a held row of a flat sheet would have fed: by its case, or by its climber where it has none."""
    held = f"(SELECT * FROM typed_sheet WHERE origin IN ({HELD}))"
    nameless = f'(SELECT athlete FROM {held} WHERE "case" IS NULL AND athlete IS NOT NULL)'
    case = f"""ltrim("case", '0') IN (SELECT ltrim("case", '0') FROM {held})"""
    if table.name == "athletes":
        which = f"athlete IN (SELECT athlete FROM {held})"
    elif table.name == "cases":
        which = f"{case} OR athlete IN {nameless}"
    else:
        theirs = f'(SELECT "case" FROM current_cases WHERE athlete IN {nameless})'
        which = f'{case} OR "case" IN {theirs}'
    connection.execute(f"DELETE FROM absent WHERE {which}")
