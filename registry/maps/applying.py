"""Applying a column map: rows in a site's own columns become rows of our tables, still as text.

Every distinct cell is read once, so that a million rows cost what their distinct cells cost.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from registry.dictionary import TABLES
from registry.maps.cells import BLANKS, Read, passes_as_it_is, reader_of
from registry.maps.lists import list_reader
from registry.maps.model import CellRule, ColumnMap, ListRule, RowRule

LINE = "line"
NO_FINDINGS = pa.table(
    {LINE: pa.array([], pa.int64()), "column": pa.array([], pa.string()), "code": pa.array([], pa.string())}
)


@dataclass(frozen=True)
class Part:
    """Rows of one of our tables that one rule of a map makes.

    cells
        String columns named by our fields, only those that the rule feeds, and ``line`` (int64).
    whole
        The rows state everything that there is of this table for their case.
    places
        Our field -> the source column in which a fault of it is found.
    """

    table: str
    cells: pa.Table
    whole: bool
    places: dict[str, str]


@dataclass(frozen=True)
class Mapped:
    """What a map makes of a file's rows.

    findings
        pyarrow table: line, column (the site's), code; faults that only the map can see. A cell with a fault keeps
        its text.
    """

    parts: list[Part]
    findings: pa.Table


def apply_map(cells: pa.Table, column_map: ColumnMap) -> Mapped:
    """Turn a site's rows into rows of our tables.

    Parameters
    ----------
    cells
        pyarrow table, one string column a source column, and ``line`` (int64).
    column_map
        The map; all its columns are in ``cells``.

    Returns
    -------
    Mapped
    """
    findings: list[pa.Table] = []
    parts = [_part(cells, rule, column_map, findings) for rule in column_map.rows]
    return Mapped(parts, pa.concat_tables(findings) if findings else NO_FINDINGS)


def _part(cells: pa.Table, rule: RowRule, column_map: ColumnMap, findings: list[pa.Table]) -> Part:
    if rule.when:
        cells = cells.filter(_filled(cells, rule.when))
    if rule.filled_any:
        some = [_filled(cells, column) for column in rule.filled_any]
        mask = some[0]
        for more in some[1:]:
            mask = pc.or_(mask, more)
        cells = cells.filter(mask)
    made: dict[str, pa.Array] = {}
    positions = None
    if rule.listed:
        cells, made, positions = _listed(cells, rule, column_map, findings)
    for name, cell in rule.fields.items():
        column = _column(cells, rule, name, cell, column_map, findings)
        if cell.of_first and positions is not None:
            column = pc.if_else(pa.array(positions == 0), column, "")
        made[name] = column
    places = {name: cell.columns[0] for name, cell in rule.fields.items() if cell.columns}
    if rule.listed:
        places |= {"structure": rule.listed.column, "joint": rule.listed.column}
        places["extent"] = rule.listed.extents_column or rule.listed.column
    return Part(rule.table, pa.table({**made, LINE: cells.column(LINE).combine_chunks()}), rule.whole, places)


def _column(
    cells: pa.Table, rule: RowRule, name: str, cell: CellRule, column_map: ColumnMap, findings: list[pa.Table]
) -> pa.Array:
    if not cell.columns:
        if not cell.when:
            return pa.array([cell.constant] * cells.num_rows, pa.string())
        return pc.if_else(_filled(cells, cell.when), pa.scalar(cell.constant), pa.scalar(cell.otherwise))
    field = TABLES[rule.table][name]
    if len(cell.columns) == 1 and passes_as_it_is(field, cell):  # keys differ in every row: no cell is read by itself
        trimmed = pc.utf8_trim(_text(cells, cell.columns[0]), characters=BLANKS)
        return pc.if_else(pc.equal(trimmed, ""), pa.scalar(cell.default), trimmed) if cell.default else trimmed
    read = reader_of(field, cell, column_map)
    if len(cell.columns) == 1:
        return _read(_text(cells, cell.columns[0]), read, cells, cell.columns[0], findings)
    joined = pc.binary_join_element_wise(
        *(pc.utf8_trim_whitespace(_text(cells, one)) for one in cell.columns), cell.join
    )
    for one in cell.columns:
        joined = pc.if_else(_filled(cells, one), joined, "")
    return _read(joined, read, cells, cell.columns[0], findings)


def _read(
    texts: pa.Array, read: Callable[[str], Read], cells: pa.Table, column: str, findings: list[pa.Table]
) -> pa.Array:
    coded = texts.dictionary_encode()
    results = [read(text) for text in coded.dictionary.to_pylist()]
    faults = np.array([bool(code) for _, code in results], dtype=bool)
    indices = coded.indices.to_numpy(zero_copy_only=False)
    if faults.any():
        rows = np.flatnonzero(faults[indices])
        codes = pa.array([code for _, code in results], pa.string()).take(pa.array(indices[rows]))
        _note(cells, rows, column, codes, findings)
    if not results:
        return pa.array([], pa.string())
    return pa.array([text for text, _ in results], pa.string()).take(coded.indices)


def _listed(
    cells: pa.Table, rule: RowRule, column_map: ColumnMap, findings: list[pa.Table]
) -> tuple[pa.Table, dict[str, pa.Array], np.ndarray]:
    """Repeat each row once for each part of its list; return the rows, their structures, and the place in the list."""
    listed = rule.listed
    if listed is None:
        raise AssertionError("a rule without a list was read as one")
    pairs, indices = _pairs(cells, listed)
    read = list_reader(listed, column_map)
    lists = [read(*pair) for pair in pairs]
    for column in dict.fromkeys(one.column for one in lists if one.code):
        codes = [one.code if one.column == column else "" for one in lists]
        rows = np.flatnonzero(np.array([bool(code) for code in codes])[indices])
        _note(cells, rows, column, pa.array(codes, pa.string()).take(pa.array(indices[rows])), findings)
    _note_lost(cells, rule, np.array([not one.parts and not one.code for one in lists], dtype=bool)[indices], findings)
    lengths = np.array([len(one.parts) for one in lists], dtype=np.int64)
    starts = np.cumsum(lengths) - lengths if len(lengths) else lengths
    counts = lengths[indices] if len(lengths) else np.zeros(cells.num_rows, dtype=np.int64)
    rows = np.repeat(np.arange(cells.num_rows), counts)
    positions = np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts)
    flat = [part for one in lists for part in one.parts]
    at = pa.array(starts[indices[rows]] + positions if len(rows) else np.array([], dtype=np.int64))
    made = {
        name: pa.array([part[place] for part in flat], pa.string()).take(at)
        for place, name in enumerate(("structure", "joint", "extent"))
    }
    return cells.take(pa.array(rows)), made, positions


def _pairs(cells: pa.Table, listed: ListRule) -> tuple[list[tuple[str, str]], np.ndarray]:
    """Return the distinct (list, list beside it) of the rows, and which of them each row has."""
    coded = _text(cells, listed.column).dictionary_encode()
    texts, indices = coded.dictionary.to_pylist(), coded.indices.to_numpy(zero_copy_only=False)
    if not listed.extents_column:
        return [(text, "") for text in texts], indices
    beside = _text(cells, listed.extents_column).dictionary_encode()
    others = beside.dictionary.to_pylist()
    both = indices.astype(np.int64) * max(len(others), 1) + beside.indices.to_numpy(zero_copy_only=False)
    distinct, places = np.unique(both, return_inverse=True)
    return [(texts[pair // len(others)], others[pair % len(others)]) for pair in distinct], places


def _note_lost(cells: pa.Table, rule: RowRule, empty: np.ndarray, findings: list[pa.Table]) -> None:
    """Note rows whose list is empty although a cell that belongs to its first entry is filled."""
    if rule.listed is None:
        return
    for column in dict.fromkeys(cell.columns[0] for cell in rule.fields.values() if cell.of_first and cell.columns):
        filled = _filled(cells, column).to_numpy(zero_copy_only=False)
        rows = np.flatnonzero(empty & filled)
        if len(rows):
            _note(cells, rows, rule.listed.column, pa.array(["required"] * len(rows), pa.string()), findings)


def _note(cells: pa.Table, rows: np.ndarray, column: str, codes: pa.Array, findings: list[pa.Table]) -> None:
    lines = cells.column(LINE).combine_chunks().take(pa.array(rows))
    columns = pa.array([column] * len(rows), pa.string())
    findings.append(pa.table({LINE: lines, "column": columns, "code": codes}, schema=NO_FINDINGS.schema))


def _text(cells: pa.Table, column: str) -> pa.Array:
    array = cells.column(column).combine_chunks()
    if isinstance(array, pa.ChunkedArray):
        array = pa.concat_arrays(array.chunks) if array.num_chunks else pa.array([], pa.string())
    return pc.fill_null(array, "")


def _filled(cells: pa.Table, column: str) -> pa.Array:
    return pc.not_equal(pc.utf8_trim_whitespace(_text(cells, column)), "")
