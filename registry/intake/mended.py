"""Mended sheets: held rows that went out as a sheet come back; what was mended replaces the cells of the held row."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from registry.dictionary import Field
from registry.door import quoted
from registry.errors import DeliveryError
from registry.intake.checks import text_literal
from registry.intake.held_sheet import LEAD_COLUMNS, read_back
from registry.intake.recognising import ALL_TABLES, MAPPED, RecognisedFile

if TYPE_CHECKING:
    import pyarrow as pa
    from duckdb import DuckDBPyConnection

    from registry.maps.model import ColumnMap

Group = tuple[str, str]
"""(table name or 'mapped', hash of the column map): rows that share their columns."""


def begin_mended(connection: DuckDBPyConnection) -> None:
    """Make the temporary tables that say which held rows came back, which are closed, and what cannot be read."""
    connection.execute("CREATE OR REPLACE TEMP TABLE mended (held_id BIGINT, file VARCHAR, line BIGINT)")
    connection.execute("CREATE OR REPLACE TEMP TABLE not_open (file VARCHAR, line BIGINT)")
    connection.execute("CREATE OR REPLACE TEMP TABLE not_read (file VARCHAR, line BIGINT, code VARCHAR)")


def feeds_of_sheet(
    connection: DuckDBPyConnection, file: RecognisedFile, maps: Mapping[str, ColumnMap], *, site: str
) -> dict[str, tuple[Field, ...]]:
    """Return column -> the fields that it feeds, for a sheet of held rows.

    Raises
    ------
    DeliveryError
        A column that the held rows do not have.
    """
    feeds: dict[str, tuple[Field, ...]] = {}
    for group in _groups(connection, file, site=site):
        known = _fields(group, maps)
        for column in _given(file):
            feeds[column] = feeds.get(column, ()) + known.get(column, ())
    unknown = [place for place, column in enumerate(file.text.header, start=1) if column in feeds and not feeds[column]]
    if unknown:
        raise DeliveryError(
            f"{file.text.name}, row 1: column {unknown[0]} is none of those that the held rows have; deliver the sheet "
            "with the columns that annulary held --export gave it. Nothing was taken in."
        )
    return feeds


def mend(connection: DuckDBPyConnection, file: RecognisedFile, *, site: str, delivery: int) -> None:
    """Write the mended cells into the open held rows; the earlier cells stay on the books."""
    name = text_literal(file.text.name)
    if file.text.unreadable:  # they mend nothing: their rows stay held as they are
        connection.executemany(
            "INSERT INTO not_read VALUES (?, ?, ?)",
            [(file.text.name, row.line, row.code) for row in file.text.unreadable],
        )
    connection.register("mended_cells", _numbered(file))
    open_row = f"h.standing = 'open' AND h.site = {text_literal(site)} AND h.held_id = m.held_number"
    connection.execute(
        f"INSERT INTO not_open SELECT {name}, line FROM mended_cells m WHERE NOT EXISTS (SELECT 1 FROM held h WHERE "
        f"{open_row})"
    )
    pairs = ", ".join(f"{text_literal(column)}, nullif(trim({quoted(column)}), '')" for column in _given(file))
    filled = " OR ".join(f"trim({quoted(column)}) <> ''" for column in _given(file)) or "false"
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE mending AS SELECT h.held_id, m.line, h.cells AS earlier, "
        f"CAST(json_merge_patch(coalesce(h.cells, '{{}}'), json_object({pairs})) AS VARCHAR) AS cells "
        f"FROM mended_cells m JOIN held h ON {open_row} WHERE {filled} "
        "QUALIFY row_number() OVER (PARTITION BY h.held_id ORDER BY m.line DESC) = 1"
    )
    connection.unregister("mended_cells")
    changed = "m.earlier IS DISTINCT FROM m.cells"
    connection.execute(f"INSERT INTO held_edits SELECT held_id, {delivery}, earlier FROM mending m WHERE {changed}")
    connection.execute(f"UPDATE held SET cells = m.cells FROM mending m WHERE held.held_id = m.held_id AND {changed}")
    connection.execute(f"INSERT INTO mended SELECT held_id, {name}, line FROM mending")


def _numbered(file: RecognisedFile) -> pa.Table:
    import pyarrow as pa

    cells = read_back(file.text.cells)
    texts = cells.column("held_id").to_pylist()
    numbers = [int(text) if text.strip().isascii() and text.strip().isdigit() else None for text in texts]
    short = [number if number is not None and number < 2**62 else None for number in numbers]
    return cells.append_column("held_number", pa.array(short, pa.int64()))


def _given(file: RecognisedFile) -> list[str]:
    return [column for column in file.text.header if column not in LEAD_COLUMNS]


def _groups(connection: DuckDBPyConnection, file: RecognisedFile, *, site: str) -> list[Group]:
    connection.register("mended_cells", _numbered(file))
    rows = connection.execute(
        "SELECT DISTINCT h.table_name, coalesce(h.map, '') FROM held h "
        f"JOIN mended_cells m ON h.held_id = m.held_number WHERE h.site = {text_literal(site)} ORDER BY ALL"
    ).fetchall()
    connection.unregister("mended_cells")
    return [(str(table), str(map_hash)) for table, map_hash in rows]


def _fields(group: Group, maps: Mapping[str, ColumnMap]) -> dict[str, tuple[Field, ...]]:
    table_name, map_hash = group
    if table_name == MAPPED:
        column_map = maps.get(map_hash)
        return {} if column_map is None else fields_fed(column_map)
    return {field.name: (field,) for field in ALL_TABLES[table_name].fields}


def fields_fed(column_map: ColumnMap) -> dict[str, tuple[Field, ...]]:
    """Return source column -> the dictionary's fields that it feeds."""
    feeds = {
        column: tuple(ALL_TABLES[table][field] for table, field in fed) for column, fed in column_map.feeds.items()
    }
    return {column: feeds.get(column, ()) for column in column_map.columns}
