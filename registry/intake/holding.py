"""Looking at what is held, and closing what cannot be mended: never a cell that may not be shown."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from registry.errors import InputError, suggestion
from registry.intake.books import Opening, known_maps, open_delivery
from registry.intake.held_sheet import Group, HeldRow, write_held_sheet
from registry.intake.reasons import REASONS
from registry.intake.recognising import ALL_TABLES, MAPPED
from registry.intake.report import findings_frame
from registry.maps.loading import read_map
from registry.privacy.remarks import checked_because
from registry.store.connection import first_row, number, transaction
from registry.store.opening import opened_registry

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

CELL = "json_extract_string(h.cells, '$.\"' || replace(r.column_name, '\"', '\\\"') || '\"')"
ORDER = "ORDER BY h.site, h.file, h.line, r.column_name, r.code, h.held_id"


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

    Raises
    ------
    InputError
        A site that has never delivered anything.
    """
    with opened_registry(registry, write=False) as connection:
        where = _open_rows(connection, site)
        frame = findings_frame(
            connection,
            f"SELECT h.file, h.line, coalesce(r.our_table, h.table_name), r.field, r.column_name, r.code, {CELL} "
            f"FROM held h JOIN held_reasons r USING (held_id) WHERE {where} {ORDER}",
            words=_words_of_maps(connection),
        )
        places = connection.execute(
            f"SELECT h.held_id, h.site FROM held h JOIN held_reasons r USING (held_id) WHERE {where} {ORDER}"
        ).fetchall()
        frame.insert(0, "site", [place[1] for place in places])
        frame.insert(0, "held_id", [place[0] for place in places])
        return frame


def _open_rows(connection: DuckDBPyConnection, site: str | None) -> str:
    if site is None:
        return "h.standing = 'open'"
    known = [str(row[0]) for row in connection.execute("SELECT DISTINCT site FROM deliveries").fetchall()]
    if site not in known:
        raise InputError(f"no site '{site}' has delivered anything to this registry.{suggestion(site, known)}")
    literal = site.replace("'", "''")
    return f"h.standing = 'open' AND h.site = '{literal}'"


def _words_of_maps(connection: DuckDBPyConnection) -> dict[str, tuple[str, ...]]:
    rows = connection.execute("SELECT text, name FROM maps").fetchall()
    maps = [read_map(text.encode(), name=name) for text, name in rows]
    return {column: one.words_of(column) for one in maps for column in one.columns}


def export_held(registry: str | Path, *, out: str | Path, site: str) -> list[Path]:
    """Write a site's open held rows as a sheet that a secretary mends and delivers again.

    Parameters
    ----------
    registry
        The registry file.
    out
        ``FILE.csv`` or ``FILE.xlsx``; nothing is overwritten. Rows in different columns get a sheet (XLSX) or a file
        (CSV) each.
    site
        The site whose rows these are; they hold its pseudonyms and go back to nobody else.

    Returns
    -------
    list of Path: the files that were written; empty when nothing is held.
    """
    findings = held_rows(registry, site=site)
    reasons: dict[int, str] = {}
    for held_id, rows in findings.groupby("held_id", sort=False):
        pairs = zip(rows["column"], rows["message"], strict=True)
        said = [f"{column}: {message}" if column else message for column, message in pairs]
        reasons[int(str(held_id))] = " | ".join(dict.fromkeys(said))
    with opened_registry(registry, write=False) as connection:
        maps = known_maps(connection, site=site)
        rows_of: dict[tuple[str, str], list[HeldRow]] = {}
        for held_id, table, map_hash, file, line, cells in connection.execute(
            "SELECT held_id, table_name, coalesce(map, ''), file, line, coalesce(cells, '{}') FROM held "
            "WHERE standing = 'open' AND site = ? ORDER BY file, line, held_id",
            [site],
        ).fetchall():
            rows_of.setdefault((table, map_hash), []).append(
                HeldRow(held_id, file, line, reasons.get(held_id, ""), json.loads(cells))
            )
    groups = []
    for (table, map_hash), held in rows_of.items():
        columns = _as_in_the_file(held, maps[map_hash].columns) if table == MAPPED else ALL_TABLES[table].names
        title = maps[map_hash].name.removesuffix(".toml") if table == MAPPED else table
        groups.append(Group(title=title, columns=tuple(columns), rows=tuple(held)))
    return write_held_sheet(Path(out), groups) if groups else []


def _as_in_the_file(rows: list[HeldRow], columns: Sequence[str]) -> tuple[str, ...]:
    """Return a map's columns in the order of the site's own file, as far as the filled cells tell it."""
    fullest = max(rows, key=lambda row: len(row.cells))
    order = list(fullest.cells)
    for row in rows:
        for before, name in zip(("", *row.cells), row.cells, strict=False):
            if name not in order:
                order.insert(order.index(before) + 1 if before in order else 0, name)
    return tuple(dict.fromkeys([*(name for name in order if name in columns), *columns]))


def dismiss(registry: str | Path, *, held_id: int, because: str, taken_by: str | None = None) -> None:
    """Close a held row that nobody can mend; the row and the reason stay on the books.

    Parameters
    ----------
    registry
        The registry file.
    held_id
        The row's number, as ``held_rows`` lists it.
    because
        Why it is dismissed, in a few words without anything that identifies a person.
    taken_by
        Who decides it, for the books.

    Raises
    ------
    InputError
        No open held row of that number, or no reason.
    """
    text = checked_because(because)
    with opened_registry(registry, write=True) as connection, transaction(connection):
        site = _open_site(connection, held_id)
        clock = datetime.now(UTC).replace(tzinfo=None)
        opening = Opening(site=site, received_at=clock, kind="decision", taken_by=taken_by)
        delivery = open_delivery(connection, opening)
        connection.execute(
            "UPDATE held SET standing = 'dismissed', closed_by = ?, because = ? WHERE held_id = ?",
            [delivery, text, held_id],
        )


def exempt(connection: DuckDBPyConnection, *, held_id: int, because: str) -> str:
    """Note that a person accepts what is said of a held row; return its site.

    Raises
    ------
    InputError
        No open held row of that number, or a reason that only a mend can close.
    """
    text = checked_because(because)
    site = _open_site(connection, held_id)
    codes = [
        str(row[0])
        for row in connection.execute("SELECT DISTINCT code FROM held_reasons WHERE held_id = ?", [held_id]).fetchall()
    ]
    others = [code for code in codes if not REASONS[code].acceptable]
    if others:
        raise InputError(
            f"row {held_id} is held for {', '.join(sorted(others))}, which only a mend can close: annulary held "
            "--export FILE.xlsx gives a sheet for that. A row that nobody can mend is closed with --dismiss."
        )
    for code in codes:
        connection.execute("INSERT INTO exempt VALUES (?, ?, NULL, ?)", [held_id, code, text])
    return site


def _open_site(connection: DuckDBPyConnection, held_id: int) -> str:
    row = first_row(connection, "SELECT site FROM held WHERE standing = 'open' AND held_id = ?", [held_id])
    if not row:
        raise InputError(f"no open held row {held_id}; annulary held lists them.")
    return str(row[0])


def still_open(connection: DuckDBPyConnection, held_id: int) -> bool:
    """Whether a held row waits for a mend."""
    return number(connection, "SELECT count(*) FROM held WHERE standing = 'open' AND held_id = ?", [held_id]) > 0
