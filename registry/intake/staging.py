"""Staging: the delivery's rows and the site's open held rows, side by side as text, before anything is judged."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

from registry.dictionary import SHEET, TABLES, Table
from registry.door import quoted
from registry.intake.checks import BAD_COLUMNS, stripped, text_literal
from registry.intake.recognising import ALL_TABLES, RecognisedFile, also_read_columns
from registry.store.connection import number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

STAGED_LEAD = "row_id BIGINT, origin BIGINT, file VARCHAR, line BIGINT, fed_by VARCHAR"

OTHER_TABLES = (
    ("staged_source", "row_id BIGINT, origin BIGINT, file VARCHAR, line BIGINT, map VARCHAR"),
    ("mapped_places", "first_row BIGINT, last_row BIGINT, table_name VARCHAR, field VARCHAR, source VARCHAR"),
    ("replaced", "held_id BIGINT"),
)
"""Rows in a site's own columns; where their findings are found; held rows for which this delivery brings new ones."""


class Stage:
    """The temporary tables ``staged_<table>`` and ``bad``, and the numbering of rows."""

    def __init__(self, connection: DuckDBPyConnection, *, site: str) -> None:
        self.connection = connection
        self.site = site
        self.next_row = self._first_free_row()
        self.first_new_row = self.next_row
        self.absent_in_sheet: set[str] = set()
        """Columns that a flat sheet of this delivery does not have."""
        for name, columns in (("bad", BAD_COLUMNS), *OTHER_TABLES):
            connection.execute(f"CREATE OR REPLACE TEMP TABLE {name} ({columns})")
        for table in ALL_TABLES.values():
            columns = ", ".join(f"{quoted(name)} VARCHAR" for name in table.names)
            connection.execute(f"CREATE OR REPLACE TEMP TABLE staged_{table.name} ({STAGED_LEAD}, {columns})")

    def add_file(self, file: RecognisedFile) -> None:
        """Stage the rows of a file in our columns; those that it lacks keep what the registry holds, or stay empty."""
        cells = file.text.cells
        if file.table is None:
            raise AssertionError("a file in foreign columns was staged as one in ours")
        others = {name: (column, factor) for column, (name, factor) in also_read_columns(file.table).items()}
        self.connection.register("delivered", cells)
        expressions, absent = [], []
        for name in file.table.names:
            if name in file.text.header:
                expressions.append(quoted(name))
            elif name in others and others[name][0] in file.text.header:
                expressions.append(_converted(quoted(others[name][0]), others[name][1]))
            else:
                expressions.append("NULL")
                absent.append(name)
        number = f"{self.next_row - 1} + row_number() OVER (ORDER BY line)"
        self.connection.execute(
            f"INSERT INTO staged_{file.table.name} SELECT {number}, {number}, {text_literal(file.text.name)}, line, "
            f"NULL, {', '.join(expressions)} FROM delivered"
        )
        self.connection.unregister("delivered")
        first = self.new_rows(cells.num_rows)
        if file.table is SHEET:
            self.absent_in_sheet |= set(absent)
        else:
            self.keep_undelivered(file.table, absent, first_row=first)

    def keep_undelivered(self, table: Table, absent: list[str], *, first_row: int) -> None:
        """Fill columns that were not delivered at all from the current row of the same key.

        A file without a column says nothing about it; without this a shorter file would empty what is known.
        """
        columns = [quoted(name) for name in absent if name not in table.key]
        if not columns:
            return
        taken = ", ".join(f"{column} = r.{column}" for column in columns)
        same = " AND ".join(_same_key(table, name) for name in table.key)
        self.connection.execute(
            f"UPDATE staged_{table.name} AS s SET {taken} FROM accepted.{table.name} a "
            f"JOIN received.{table.name} r USING (row_id) WHERE s.row_id >= {first_row} "
            f"AND a.superseded_by IS NULL AND a.site = {text_literal(self.site)} AND {same}"
        )

    def add_held(self) -> None:
        """Stage the site's open held rows again: what they waited for may have come."""
        for table in ALL_TABLES.values():
            cells = ", ".join(f"json_extract_string(cells, '$.{name}')" for name in table.names)
            open_rows = (
                f"SELECT held_id, held_id, file, line, NULL, {cells} FROM held WHERE standing = 'open' AND site = "
                f"{text_literal(self.site)} AND table_name = {text_literal(table.name)} "
                "AND cells IS NOT NULL"
            )
            self._drop_replaced(table, open_rows)
            self.connection.execute(
                f"INSERT INTO staged_{table.name} SELECT * FROM ({open_rows}) AS o(row_id, origin, file, line, fed_by, "
                f"{', '.join(quoted(name) for name in table.names)}) "
                "WHERE row_id NOT IN (SELECT held_id FROM replaced)"
            )

    def new_rows(self, count: int) -> int:
        """Reserve row numbers and return the first."""
        first, self.next_row = self.next_row, self.next_row + count
        return first

    def _drop_replaced(self, table: Table, open_rows: str) -> None:
        """Note the held rows whose key a new row of this delivery carries: the new one stands for them."""
        names = ", ".join(quoted(name) for name in table.names)
        same_key = " AND ".join(
            f"{comparable(table, name, 'o')} = {comparable(table, name, 's')}" for name in table.key
        )
        filled = " || ".join(f"coalesce(trim(o.{quoted(name)}), '')" for name in table.key)
        self.connection.execute(
            f"INSERT INTO replaced SELECT row_id FROM ({open_rows}) AS o(row_id, origin, file, line, fed_by, {names}) "
            f"WHERE {filled} <> '' AND EXISTS (SELECT 1 FROM staged_{table.name} s WHERE {same_key})"
        )

    def _first_free_row(self) -> int:
        # A revision may be named after a row that was never stored itself; its number is not given out again.
        parts = [
            f"SELECT max(greatest(row_id, coalesce(superseded_by, 0))) AS r FROM accepted.{name}" for name in TABLES
        ]
        parts.append("SELECT max(held_id) FROM held")
        return number(self.connection, f"SELECT coalesce(max(r), 0) + 1 FROM ({' UNION ALL '.join(parts)})")


def as_json(names: tuple[str, ...], row: tuple[str | None, ...]) -> str:
    """Write a row's non-empty cells as JSON, for the table of held rows."""
    return json.dumps({name: cell for name, cell in zip(names, row, strict=True) if cell}, ensure_ascii=False)


def _same_key(table: Table, name: str) -> str:
    return f"coalesce(CAST(a.{quoted(name)} AS VARCHAR), '') = {comparable(table, name, 's')}"


def comparable(table: Table, name: str, alias: str) -> str:
    """Return a key cell as SQL, written so that equal keys are equal texts."""
    cell = f"coalesce({stripped(alias + '.' + quoted(name))}, '')"
    return f"lower({cell})" if table[name].kind == "code" else cell


def _converted(column: str, factor: float) -> str:
    """Turn a number in another origin into whole units of ours; what is no number stays as it is, to be held."""
    cell = stripped(column)
    whole = f"CAST(CAST(round(TRY_CAST({cell} AS DOUBLE) * {factor!r}) AS BIGINT) AS VARCHAR)"
    return f"CASE WHEN regexp_full_match({cell}, '[+-]?[0-9]{{0,9}}([.][0-9]{{1,15}})?') THEN {whole} ELSE {column} END"
