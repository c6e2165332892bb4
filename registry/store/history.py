"""What happened to a case, oldest first: every revision of it and of the rows that hang on it, and who sent what."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from registry.dictionary import TABLES, Table
from registry.door import quoted
from registry.errors import InputError
from registry.store.connection import first_row, number
from registry.store.opening import opened_registry, own_site

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

EVENTS = {
    "new": "came in",
    "again": "came in again",
    "revised": "revised",
    "retracted": "taken back",
    "retracted_along": "taken back with the row it hangs on",
    "closed": "no longer named by the row that fed it",
    "vanished": "missing in a snapshot",
    "held": "held",
    "mended": "mended while held",
    "released": "released",
    "replaced": "replaced by a newer row while held",
    "dismissed": "dismissed while held",
    "accepted": "accepted as it is",
}
"""Event -> what is said of it."""

HISTORY_COLUMNS = (
    "received_at",
    "delivery",
    "kind",
    "taken_by",
    "event",
    "table",
    "key",
    "file",
    "row",
    "column",
    "old",
    "new",
    "codes",
    "because",
)
NOT_SHOWN = "(not shown)"
OF_A_CASE = {name: table for name, table in TABLES.items() if "case" in table.key}


@dataclass(frozen=True, kw_only=True)
class _Event:
    """One thing that happened in one delivery; ``order`` tells what is said first of the things of a delivery."""

    delivery: int
    event: str
    table: str
    known: bool = True
    key: str = ""
    file: str | None = None
    row: int | None = None
    changes: tuple[tuple[str, str | None, str | None], ...] = ()
    codes: str = ""
    because: str = ""


@dataclass(frozen=True, kw_only=True)
class _Row:
    """A revision of a row."""

    row_id: int
    delivery: int
    superseded_by: int | None
    file: str
    line: int
    cells: dict[str, Any]


def case_history(registry: str | Path, *, case: str, site: str) -> pd.DataFrame:
    """Tell what happened to a case and to what hangs on it.

    Parameters
    ----------
    registry
        The registry file.
    case
        The site's own number of the case, leading zeros included.
    site
        The site whose case it is.

    Returns
    -------
    pandas frame: received_at, delivery, kind (of the delivery), taken_by, event, table, key (as much of the row's key
    as may be shown), file, row (as in the file), column, old, new, codes (why it was held), because. One row an event;
    a revision has one row a changed column. Oldest first. Values are shown for showable fields only.

    Raises
    ------
    InputError
        A site that has delivered nothing, or a case that it never delivered.
    """
    import pandas as pd

    with opened_registry(registry, write=False) as connection:
        own_site(connection, site)
        events = [
            *(event for table in OF_A_CASE.values() for event in _revisions(connection, table, case, site=site)),
            *_held(connection, case, site=site),
        ]
        if not events:
            raise _no_such_case(connection, site)
        books = {
            row[0]: row[1:]
            for row in connection.execute("SELECT delivery, received_at, kind, taken_by FROM deliveries").fetchall()
        }
    order = list(EVENTS)
    events.sort(
        key=lambda event: (event.delivery, not event.known, order.index(event.event), event.table, event.row or 0)
    )
    rows = [row for event in events for row in _told(event, books[event.delivery])]
    return pd.DataFrame(rows, columns=list(HISTORY_COLUMNS)).astype({"delivery": "Int64", "row": "Int64"})


def _told(event: _Event, book: tuple[datetime, str, str | None]) -> list[tuple[object, ...]]:
    lead = (*book[:1], event.delivery, *book[1:]) if event.known else (None, None, None, None)
    return [
        (*lead, event.event, event.table, event.key, event.file, event.row, *change, event.codes, event.because)
        for change in event.changes or ((None, None, None),)
    ]


def _no_such_case(connection: DuckDBPyConnection, site: str) -> InputError:
    n = number(connection, "SELECT count(*) FROM withdrawals WHERE site = ?", [site])
    gone = " Of climbers who have withdrawn nothing is left, their cases neither." if n else ""
    return InputError(
        f"site '{site}' has delivered no case of that number. Leading zeros are part of it; a case of a flat sheet "
        f"without numbers is called CLIMBER-YYYYMMDD-side-digit.{gone}"
    )


def _revisions(connection: DuckDBPyConnection, table: Table, case: str, *, site: str) -> list[_Event]:
    fields = [field.name for field in table.fields if field.name != "site"]
    found = connection.execute(
        f"SELECT row_id, delivery, superseded_by, file, line, {', '.join(map(quoted, fields))} "
        f'FROM accepted.{table.name} WHERE site = ? AND "case" = ? ORDER BY delivery, row_id',
        [site, case],
    ).fetchall()
    rows = [
        _Row(
            row_id=row[0],
            delivery=row[1],
            superseded_by=row[2],
            file=row[3],
            line=row[4],
            cells=dict(zip(fields, row[5:], strict=True)),
        )
        for row in found
    ]
    return [*_comings(table, rows), *_endings(connection, table, rows)]


def _key(table: Table, row: _Row) -> tuple[Any, ...]:
    return tuple(row.cells[name] for name in table.key)


def _shown_key(table: Table, row: _Row) -> str:
    parts = [(name, row.cells[name]) for name in table.key if table[name].showable]
    return " ".join(f"{name}={cell}" for name, cell in parts if cell is not None)


def _comings(table: Table, rows: list[_Row]) -> Iterable[_Event]:
    """Yield an event for each row that came in: as a new one, after a retraction, or as a revision."""
    earlier = {(row.superseded_by, _key(table, row)): row for row in rows}
    met: set[tuple[Any, ...]] = set()
    for row in rows:
        key = _key(table, row)
        before = earlier.get((row.row_id, key))
        before = None if before is row else before
        event = "revised" if before else "again" if key in met else "new"
        met.add(key)
        yield _Event(
            delivery=row.delivery,
            event=event,
            table=table.name,
            key=_shown_key(table, row),
            file=row.file,
            row=row.line,
            changes=_changes(table, before, row) if before else (),
        )


def _changes(table: Table, before: _Row, row: _Row) -> tuple[tuple[str, str | None, str | None], ...]:
    changed = [name for name, cell in row.cells.items() if cell != before.cells[name]]
    return tuple(
        (name, _shown(table, name, before.cells[name]), _shown(table, name, row.cells[name])) for name in changed
    )


def _shown(table: Table, name: str, cell: object) -> str:
    if cell is None:
        return ""
    return str(cell) if table[name].showable else NOT_SHOWN


def _endings(connection: DuckDBPyConnection, table: Table, rows: list[_Row]) -> Iterable[_Event]:
    """Yield retractions, rows that their feeding row names no longer, and rows that a snapshot lacked."""
    ids = [row.row_id for row in rows]
    said = {
        row_id: (delivery, because)
        for row_id, delivery, because in connection.execute(
            "SELECT row_id, delivery, coalesce(because, '') FROM retractions WHERE table_name = ? AND row_id IN "
            "(SELECT unnest(?)) ORDER BY delivery",
            [table.name, ids],
        ).fetchall()
    }
    absent = connection.execute(
        "SELECT row_id, delivery FROM vanished WHERE table_name = ? AND row_id IN (SELECT unnest(?))", [table.name, ids]
    ).fetchall()
    of_id = {row.row_id: row for row in rows}
    keys = {(row.row_id, _key(table, row)) for row in rows}
    for row in rows:
        follower = (row.superseded_by, _key(table, row))
        if row.superseded_by is None or (follower in keys and row.superseded_by != row.row_id):
            continue
        delivery, because = said.get(row.row_id, (None, ""))
        event = "closed" if row.superseded_by != row.row_id else "retracted" if because else "retracted_along"
        if event == "retracted_along" and delivery is not None:
            because = _because_of(connection, delivery)
        yield _ending(table, row, delivery, event=event, because=because)
    for row_id, delivery in absent:
        yield _ending(table, of_id[row_id], delivery, event="vanished")


def _because_of(connection: DuckDBPyConnection, delivery: int) -> str:
    query = "SELECT because FROM retractions WHERE delivery = ? AND because IS NOT NULL"
    return str((first_row(connection, query, [delivery]) or ("",))[0])


def _ending(table: Table, row: _Row, delivery: int | None, *, event: str, because: str = "") -> _Event:
    return _Event(
        delivery=row.delivery if delivery is None else delivery,
        known=delivery is not None,
        event=event,
        table=table.name,
        key=_shown_key(table, row),
        file=row.file,
        row=row.line,
        because=because,
    )


def _held(connection: DuckDBPyConnection, case: str, *, site: str) -> Iterable[_Event]:
    """Yield what happened to the rows of a case while they were held."""
    ours, values = _names_case(connection, case, site=site)
    rows = connection.execute(
        "SELECT h.held_id, h.delivery, h.table_name, h.file, h.line, h.cells, h.standing, h.closed_by, "
        "coalesce(h.because, ''), (SELECT coalesce(string_agg(DISTINCT code, ', ' ORDER BY code), '') "
        f"FROM held_reasons r WHERE r.held_id = h.held_id) FROM held h WHERE h.site = ? AND ({ours}) ORDER BY held_id",
        [site, *values],
    ).fetchall()
    for held_id, delivery, table, file, line, cells, standing, closed_by, because, codes in rows:
        place = {"table": table, "file": file, "row": line}
        yield _Event(delivery=delivery, event="held", codes=codes, **place)
        yield from _mended(connection, held_id, cells, place)
        accepted = connection.execute(
            "SELECT delivery, string_agg(DISTINCT code, ', ' ORDER BY code), min(because) FROM exempt "
            "WHERE held_id = ? AND delivery IS NOT NULL GROUP BY delivery ORDER BY delivery",
            [held_id],
        ).fetchall()
        for number_, accepted_codes, why in accepted:
            yield _Event(delivery=number_, event="accepted", codes=accepted_codes, because=why or "", **place)
        if closed_by is not None and standing in EVENTS and not (standing == "accepted" and accepted):
            yield _Event(delivery=closed_by, event=standing, because=because, **place)


def _mended(connection: DuckDBPyConnection, held_id: int, cells: str | None, place: dict[str, Any]) -> Iterable[_Event]:
    edits = connection.execute(
        "SELECT delivery, cells FROM held_edits WHERE held_id = ? ORDER BY delivery", [held_id]
    ).fetchall()
    after = [*(earlier for _, earlier in edits[1:]), cells][: len(edits)]
    for (delivery, earlier), later in zip(edits, after, strict=True):
        before, now = json.loads(earlier or "{}"), json.loads(later or "{}")
        changed = sorted(name for name in before | now if before.get(name) != now.get(name))
        changes = tuple((name, NOT_SHOWN, NOT_SHOWN) for name in changed)
        yield _Event(delivery=delivery, event="mended", changes=changes, **place)


def _names_case(connection: DuckDBPyConnection, case: str, *, site: str) -> tuple[str, list[object]]:
    """Return the condition, and its values, that a held row ``h`` names the case, now or before it was mended."""
    conditions = ["h.table_name <> 'mapped' AND trim(json_extract_string({cells}, '$.case')) = ?"]
    values: list[object] = [case]
    for map_hash, column in _case_columns(connection, site=site):
        conditions.append("h.map = ? AND trim(json_extract_string({cells}, ?)) = ?")
        escaped = column.replace('"', '\\"')
        values += [map_hash, f'$."{escaped}"', case]
    either = " OR ".join(f"({condition})" for condition in conditions)
    edited = f"SELECT 1 FROM held_edits e WHERE e.held_id = h.held_id AND ({either.format(cells='e.cells')})"
    return f"{either.format(cells='h.cells')} OR EXISTS ({edited})", values * 2


def _case_columns(connection: DuckDBPyConnection, *, site: str) -> list[tuple[str, str]]:
    """Return (hash of a map, column of the site's own that holds the case's number)."""
    maps = connection.execute("SELECT sha256, name, text FROM maps WHERE site = ?", [site]).fetchall()
    if not maps:
        return []
    from registry.maps.loading import read_map

    found = []
    for sha256, name, text in maps:
        feeds = read_map(text.encode(), name=name).feeds
        found += [(sha256, column) for column, fed in feeds.items() if any(field == "case" for _, field in fed)]
    return found
