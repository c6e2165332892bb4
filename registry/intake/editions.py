"""Held rows that come back mended in the site's own file, although the cell that was wrong is part of their key."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from registry.dictionary import TABLES
from registry.door import quoted
from registry.intake.checks import text_literal
from registry.intake.staging import Stage, comparable
from registry.maps.model import same_column
from registry.store.connection import number

if TYPE_CHECKING:
    from collections.abc import Sequence


def note_mended_in_the_file(
    stage: Stage, delivered: pa.Table, held: Sequence[tuple[int, str, int, str]], *, table: str
) -> None:
    """Note the held rows for which the same line of a delivered file stands now.

    A line that says the same in every cell is the held row itself, read with another column map. One that differs only
    in the cells for which the row is held is the mended row, provided that the file is a later edition of the one that
    the row came in: rows that were taken in from that file stand on the same lines.

    Parameters
    ----------
    delivered
        The cells of a new file in the site's own columns, and ``line``.
    held
        (number, file, line, cells as JSON) of open held rows in the site's own columns.
    table
        The table of ours whose key names a row of theirs.
    """
    lines = delivered.column("line").combine_chunks()
    places = pc.index_in(pa.array([line for _, _, line, _ in held], pa.int64()), value_set=lines).to_pylist()
    found = [(row, place) for row, place in zip(held, places, strict=True) if place is not None]
    if not found:
        return
    faulty = _faulty_columns(stage)
    names = {same_column(name): name for name in delivered.column_names}
    there = delivered.take(pa.array([place for _, place in found], pa.int64())).to_pylist()
    replaced, editions = [], {}
    for (held_id, file, _, text), new in zip((row for row, _ in found), there, strict=True):
        old = {same_column(name): str(cell or "").strip() for name, cell in json.loads(text).items()}
        if not all(name in names for name in old):
            continue
        spoken = {name: str(new[names[name]] or "").strip() for name in names if name != "line"}
        changed = {name for name in old if old[name] != spoken[name]}
        changed |= {name for name in faulty.get(held_id, ()) if not old.get(name) and spoken.get(name)}
        kept = [name for name in old if old[name] and name not in changed]
        if changed - faulty.get(held_id, set()) or not kept:
            continue
        if changed and file not in editions:
            editions[file] = _is_edition(stage, file, held_id=held_id, table=table)
        if not changed or editions[file]:
            replaced.append(held_id)
    stage.connection.register("lines_again", pa.table({"held_id": pa.array(replaced, pa.int64())}))
    stage.connection.execute("INSERT INTO replaced SELECT held_id FROM lines_again")
    stage.connection.unregister("lines_again")


def _faulty_columns(stage: Stage) -> dict[int, set[str]]:
    rows = stage.connection.execute(
        "SELECT held_id, column_name FROM held_reasons JOIN held USING (held_id) WHERE standing = 'open' "
        f"AND site = {text_literal(stage.site)} AND column_name IS NOT NULL"
    ).fetchall()
    faulty: dict[int, set[str]] = {}
    for held_id, column in rows:
        faulty.setdefault(held_id, set()).add(same_column(column))
    return faulty


def _is_edition(stage: Stage, file: str, *, held_id: int, table: str) -> bool:
    """Whether a row that was taken in from the held row's file stands on its line in this delivery too."""
    same = " AND ".join(
        f"coalesce(CAST(a.{quoted(name)} AS VARCHAR), '') = {comparable(TABLES[table], name, 's')}"
        for name in TABLES[table].key
    )
    return (
        number(
            stage.connection,
            f"SELECT count(*) FROM accepted.{table} a JOIN staged_{table} s ON a.line = s.line AND {same} "
            f"WHERE a.site = {text_literal(stage.site)} AND a.file = {text_literal(file)} "
            f"AND a.delivery = (SELECT delivery FROM held WHERE held_id = {held_id}) AND s.row_id >= "
            f"{stage.first_new_row}",
        )
        > 0
    )
