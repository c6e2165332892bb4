"""Which rows of a registry are one climber's: accepted, received and held ones, with all that was noted of them."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.dictionary import SHEET, TABLES, Table
from registry.door import quoted
from registry.errors import AnnularyError

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

CLIMBER, CASE, MAPPED = "athlete", "case", "mapped"

MADE_KEY = "^(.+)-[0-9]{8}-(left|right)-[a-z]+$"
"""A case's key that the intake made of climber, day, side and finger."""


@dataclass(frozen=True)
class HeldRow:
    """A held row: its number and its cells, those of a climber and those of a case apart."""

    held_id: int
    climbers: tuple[str, ...]
    cases: tuple[str, ...]


def gather(connection: DuckDBPyConnection, *, site: str, athlete: str) -> dict[str, int]:
    """Fill the temporary tables ``leaving``, ``leaving_held`` and ``leaving_edits`` with a climber's rows.

    A row is the climber's when it names the climber, or when the latest revision of its key does. Rows of a case go
    with the case.

    Returns
    -------
    dict of str to int
        Table -> rows, every revision counted; ``held`` -> held rows. Tables without any are left out.
    """
    connection.execute("CREATE OR REPLACE TEMP TABLE leaving (table_name VARCHAR, row_id BIGINT, next BIGINT)")
    connection.execute("CREATE OR REPLACE TEMP TABLE leaving_cases (key VARCHAR)")
    connection.execute("CREATE OR REPLACE TEMP TABLE leaving_held (held_id BIGINT)")
    connection.execute("CREATE OR REPLACE TEMP TABLE leaving_edits (held_id BIGINT, delivery BIGINT)")
    connection.execute(
        'INSERT INTO leaving_cases SELECT "case" FROM accepted.cases WHERE site = ? GROUP BY "case" '
        "HAVING max_by(athlete, row_id) = ?",
        [site, athlete],
    )
    _gather_held(connection, site=site, athlete=athlete)
    for table in TABLES.values():
        where = _theirs(table)
        if where:
            connection.execute(
                f"INSERT INTO leaving SELECT '{table.name}', row_id, superseded_by FROM accepted.{table.name} "
                f"WHERE site = $site AND ({where})",
                {"site": site, "athlete": athlete} if "$athlete" in where else {"site": site},
            )
    counts = connection.execute(
        "SELECT table_name, count(*) FROM leaving GROUP BY 1 UNION ALL SELECT 'held', count(*) FROM leaving_held"
    ).fetchall()
    found = {str(name): int(n) for name, n in counts if n}
    return {name: found[name] for name in (*TABLES, "held") if name in found}


def _theirs(table: Table) -> str:
    """Return the condition of a climber's rows; empty where a table has none."""
    parts = []
    if CLIMBER in table.names:
        parts.append("athlete = $athlete")
        keys = ", ".join(quoted(name) for name in table.key)
        if CLIMBER not in table.key:
            parts.append(
                f"({keys}) IN (SELECT {keys} FROM accepted.{table.name} WHERE site = $site GROUP BY ALL "
                "HAVING max_by(athlete, row_id) = $athlete)"
            )
    if CASE in table.names:
        parts.append('"case" IN (FROM leaving_cases)')
    return " OR ".join(parts)


def _gather_held(connection: DuckDBPyConnection, *, site: str, athlete: str) -> None:
    rows = _held_rows(connection, site=site)
    others = {
        str(row[0])
        for row in connection.execute(
            'SELECT "case" FROM accepted.cases WHERE site = ? AND "case" NOT IN (FROM leaving_cases)', [site]
        ).fetchall()
    }
    accepted = {str(row[0]) for row in connection.execute("FROM leaving_cases").fetchall()}
    named = [row for row in rows if athlete in row.climbers]
    # A held row of this climber may carry, by mistake, the number of another climber's case; that case stays.
    held_only = {case for row in named for case in row.cases} - accepted - others
    keys = accepted | held_only
    leaving = [
        row.held_id
        for row in rows
        if athlete in row.climbers
        or (not any(row.climbers) and any(case in keys or _told_by(case) == athlete for case in row.cases))
    ]
    _fill(connection, "leaving_held", [[held_id] for held_id in leaving])
    _fill(connection, "leaving_cases", [[case] for case in sorted(held_only)])
    edits = connection.execute(
        "SELECT e.held_id, e.delivery, e.cells FROM held_edits e JOIN held USING (held_id) WHERE site = ? "
        "AND held_id NOT IN (FROM leaving_held) AND e.cells IS NOT NULL",
        [site],
    ).fetchall()
    _fill(connection, "leaving_edits", [[i, n] for i, n, cells in edits if athlete in _cells(cells).values()])


def _told_by(case: str) -> str | None:
    """Return the climber that a made key tells; None when it is a site's own."""
    made = re.match(MADE_KEY, case)
    return made.group(1) if made else None


def _fill(connection: DuckDBPyConnection, table: str, rows: list[list[Any]]) -> None:
    if rows:
        marks = ", ".join("?" for _ in rows[0])
        connection.executemany(f"INSERT INTO {table} VALUES ({marks})", rows)


def _held_rows(connection: DuckDBPyConnection, *, site: str) -> list[HeldRow]:
    feeds = _feeds_of_maps(connection, site=site)
    found = []
    for held_id, table, map_hash, text in connection.execute(
        "SELECT held_id, table_name, coalesce(map, ''), cells FROM held WHERE site = ? AND cells IS NOT NULL", [site]
    ).fetchall():
        cells = _cells(text)
        places = feeds.get(map_hash) if table == MAPPED else _own_places(table)
        climbers, cases = places if places is not None else (tuple(cells), tuple(cells))
        found.append(HeldRow(held_id, _filled(cells, climbers), _filled(cells, cases)))
    return found


def _cells(text: str) -> dict[str, str]:
    read = json.loads(text)
    return {str(name): str(cell).strip(" \t\u00a0") for name, cell in read.items() if cell is not None}


def _filled(cells: dict[str, str], columns: Iterable[str]) -> tuple[str, ...]:
    return tuple(cells[column] for column in columns if cells.get(column))


Places = tuple[tuple[str, ...], tuple[str, ...]]
"""(columns that name a climber, columns that name a case)."""


def _own_places(table_name: str) -> Places:
    table = {SHEET.name: SHEET, **TABLES}.get(table_name)
    names = table.names if table is not None else ()
    return tuple(n for n in names if n == CLIMBER), tuple(n for n in names if n == CASE)


def _feeds_of_maps(connection: DuckDBPyConnection, *, site: str) -> dict[str, Places]:
    rows = connection.execute("SELECT sha256, name, text FROM maps WHERE site = ?", [site]).fetchall()
    if not rows:
        return {}
    from registry.maps.loading import read_map

    found: dict[str, Places] = {}
    for sha256, name, text in rows:
        try:
            feeds = read_map(text.encode(), name=name).feeds
        except AnnularyError:
            continue  # a map of another release: every cell of its rows may name the climber
        found[sha256] = (_feeding(feeds, CLIMBER), _feeding(feeds, CASE))
    return found


def _feeding(feeds: dict[str, list[tuple[str, str]]], field: str) -> tuple[str, ...]:
    return tuple(column for column, fed in feeds.items() if any(name == field for _, name in fed))
