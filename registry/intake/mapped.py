"""Rows in a site's own columns: they are staged through the site's column map, and held as they came.

One row of theirs feeds rows of several of our tables. Those rows carry its number as ``origin``, so that a fault in any
of them holds the delivered row as a whole, under its own columns.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from registry.dictionary import TABLES
from registry.door import quoted
from registry.intake.checks import text_literal
from registry.intake.editions import note_mended_in_the_file
from registry.intake.recognising import MAPPED, RecognisedFile
from registry.intake.staging import Stage, comparable
from registry.maps.applying import apply_map

if TYPE_CHECKING:
    from registry.maps.applying import Mapped, Part
    from registry.maps.model import ColumnMap


def add_mapped(stage: Stage, file: RecognisedFile) -> None:
    """Stage the rows of a file that a column map reads."""
    column_map = _map_of(file)
    connection = stage.connection
    n_rows = file.text.cells.num_rows
    first = stage.new_rows(n_rows)
    lines = file.text.cells.select(["line"])
    connection.register("source_lines", lines)
    connection.execute(
        f"INSERT INTO staged_source SELECT {first - 1} + row_number() OVER (ORDER BY line) AS n, n, "
        f"{text_literal(file.text.name)}, line, {text_literal(column_map.sha256)} FROM source_lines"
    )
    connection.unregister("source_lines")
    mapped = apply_map(file.text.cells, column_map)
    source = f"(SELECT * FROM staged_source WHERE file = {text_literal(file.text.name)} AND row_id >= {first})"
    _stage(stage, mapped, source=source, by="line")


def add_held_mapped(stage: Stage, maps: dict[str, ColumnMap], *, files: Sequence[RecognisedFile] = ()) -> None:
    """Stage the site's open held rows in foreign columns again, but for those that this delivery brings anew."""
    for sha256, column_map in maps.items():
        rows = stage.connection.execute(
            "SELECT held_id, file, line, cells FROM held WHERE standing = 'open' AND cells IS NOT NULL AND site = ? "
            "AND table_name = ? AND map = ? ORDER BY held_id",
            [stage.site, MAPPED, sha256],
        ).fetchall()
        if not rows:
            continue
        cells = _cells_of([(row[0], row[3]) for row in rows], column_map.columns)
        mapped = apply_map(cells, column_map)
        _note_replaced(stage, mapped)
        for file in files:
            if file.column_map is not None:
                left = _not_replaced(stage, rows)
                note_mended_in_the_file(stage, file.text.cells, left, table=_naming_part(mapped).table)
        kept = _not_replaced(stage, rows)
        if not kept:
            continue
        stage.connection.executemany(
            "INSERT INTO staged_source VALUES (?, ?, ?, ?, ?)",
            [(row[0], row[0], row[1], row[2], sha256) for row in kept],
        )
        cells = _cells_of([(row[0], row[3]) for row in kept], column_map.columns)
        source = f"(SELECT * FROM staged_source WHERE row_id < {stage.first_new_row} AND map = {text_literal(sha256)})"
        _stage(stage, apply_map(cells, column_map), source=source, by="row_id")


def hold_mapped(stage: Stage, files: Iterable[RecognisedFile], *, held_origins: str, delivery: int) -> None:
    """Write the new held rows of mapped files, in the site's own columns."""
    connection = stage.connection
    for file in files:
        column_map = _map_of(file)
        kept = [name for name in file.text.header if name in column_map.columns]
        connection.register("source_cells", file.text.cells)
        pairs = ", ".join(f"{text_literal(name)}, nullif({quoted(name)}, '')" for name in kept)
        connection.execute(
            f"INSERT INTO held SELECT s.row_id, {delivery}, {text_literal(stage.site)}, '{MAPPED}', s.file, s.line, "
            f"CAST(json_merge_patch('{{}}', json_object({pairs})) AS VARCHAR), 'open', NULL, NULL, "
            f"{text_literal(column_map.sha256)} FROM staged_source s JOIN source_cells c ON c.line = s.line "
            f"WHERE s.file = {text_literal(file.text.name)} AND s.row_id >= {stage.first_new_row} "
            f"AND s.row_id IN ({held_origins}) ORDER BY s.row_id"
        )
        connection.unregister("source_cells")


def _map_of(file: RecognisedFile) -> ColumnMap:
    if file.column_map is None:
        raise AssertionError("a file without a column map was staged as one that has it")
    return file.column_map


def _cells_of(rows: list[tuple[int, str]], columns: Iterable[str]) -> pa.Table:
    """Lay held rows under their columns again; ``line`` is the held row's number."""
    read: list[dict[str, Any]] = [json.loads(cells) for _, cells in rows]
    arrays = {name: pa.array([str(row.get(name) or "") for row in read], pa.string()) for name in columns}
    return pa.table({**arrays, "line": pa.array([row[0] for row in rows], pa.int64())})


def _stage(stage: Stage, mapped: Mapped, *, source: str, by: str) -> None:
    connection = stage.connection
    for part in mapped.parts:
        table = TABLES[part.table]
        columns = [name for name in part.cells.column_names if name != "line"]
        first = stage.new_rows(part.cells.num_rows)
        connection.register("mapped_part", part.cells)
        names = ", ".join(quoted(name) for name in columns)
        fed_by = "map_whole" if part.whole else "map"
        connection.execute(
            f"INSERT INTO staged_{table.name} (row_id, origin, file, line, fed_by, {names}) "
            f"SELECT {first - 1} + row_number() OVER (ORDER BY s.row_id), s.row_id, s.file, s.line, '{fed_by}', "
            f"{', '.join('p.' + quoted(name) for name in columns)} FROM mapped_part p JOIN {source} s "
            f"ON p.line = s.{by}"
        )
        connection.unregister("mapped_part")
        last = first + part.cells.num_rows - 1
        for field, place in part.places.items():
            connection.execute(
                "INSERT INTO mapped_places VALUES (?, ?, ?, ?, ?)", [first, last, table.name, field, place]
            )
        stage.keep_undelivered(table, [name for name in table.names if name not in columns], first_row=first)
    connection.register("mapped_findings", mapped.findings)
    connection.execute(
        f"INSERT INTO bad SELECT s.row_id, s.row_id, '{MAPPED}', f.\"column\", f.code, NULL "
        f"FROM mapped_findings f JOIN {source} s ON f.line = s.{by}"
    )
    connection.unregister("mapped_findings")


def _note_replaced(stage: Stage, mapped: Mapped) -> None:
    """Note the held rows whose key a row of this delivery carries: the new one stands for them."""
    part = _naming_part(mapped)
    table = TABLES[part.table]
    present = [name for name in table.key if name in part.cells.column_names]
    if not present:
        return
    same = [f"{comparable(table, name, 's')} = {comparable(table, name, 'p')}" for name in present]
    same += [f"{comparable(table, name, 's')} = ''" for name in table.key if name not in present]
    filled = " || ".join(f"coalesce(trim(p.{quoted(name)}), '')" for name in present)
    stage.connection.register("held_part", part.cells)
    stage.connection.execute(
        f"INSERT INTO replaced SELECT DISTINCT p.line FROM held_part p WHERE {filled} <> '' AND EXISTS "
        f"(SELECT 1 FROM staged_{table.name} s WHERE s.row_id >= {stage.first_new_row} AND {' AND '.join(same)})"
    )
    stage.connection.unregister("held_part")


def _not_replaced(stage: Stage, rows: list[tuple[int, str, int, str]]) -> list[tuple[int, str, int, str]]:
    replaced = {row[0] for row in stage.connection.execute("SELECT held_id FROM replaced").fetchall()}
    return [row for row in rows if row[0] not in replaced]


def _naming_part(mapped: Mapped) -> Part:
    """Return the part whose key names the delivered row: its case, else the longest key.

    A climber alone names no row: another row of the same climber must not stand for a held one.
    """
    cases = [part for part in mapped.parts if part.table == "cases"]
    return (cases or sorted(mapped.parts, key=lambda part: -len(TABLES[part.table].key)))[0]
