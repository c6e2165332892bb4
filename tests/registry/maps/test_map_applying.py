"""Applying a map: which rows of ours a row of theirs makes, with its number, in its order."""

from __future__ import annotations

from pathlib import Path

import pyarrow as pa
from hypothesis import given
from hypothesis import strategies as st

from registry.maps.applying import Mapped, apply_map
from registry.maps.loading import load_map, read_map
from registry.maps.model import ColumnMap

MAPS = Path(__file__).parents[1] / "exports" / "maps"
HARBOUR, VALLEY = load_map(MAPS / "harbour.toml"), load_map(MAPS / "valley.toml")
USUAL = {
    "Fallnr": "0001",
    "Patient (Pseudonym)": "P000001",
    "Verletzungsdatum": "12.01.2023",
    "Finger": "Ringfinger",
    "Befund": "A2 Ruptur",
}


def cells_of(column_map: ColumnMap, rows: list[dict[str, str | None]], *, first: int = 2) -> pa.Table:
    columns = {name: pa.array([row.get(name, "") for row in rows], pa.string()) for name in column_map.columns}
    return pa.table({**columns, "line": pa.array(range(first, first + len(rows)), pa.int64())})


def part(mapped: Mapped, table: str) -> pa.Table:
    return pa.concat_tables([one.cells for one in mapped.parts if one.table == table])


LISTS = st.lists(st.lists(st.sampled_from(["A2 Ruptur", "A3 Zerrung", "A4 Teilruptur"]), unique=True), max_size=12)


@given(LISTS)
def test_lines_and_order_are_kept_and_each_entry_is_one_row(lists: list[list[str]]) -> None:
    cells = cells_of(HARBOUR, [{**USUAL, "Befund": " + ".join(entries)} for entries in lists])
    mapped = apply_map(cells, HARBOUR)
    assert part(mapped, "cases").column("line").to_pylist() == cells.column("line").to_pylist()
    findings = part(mapped, "findings")
    expected = [(line, entry[:2].lower()) for line, entries in enumerate(lists, start=2) for entry in entries]
    assert list(zip(findings["line"].to_pylist(), findings["structure"].to_pylist(), strict=True)) == expected
    assert mapped.findings.num_rows == 0


def test_no_rows_make_no_rows() -> None:
    mapped = apply_map(cells_of(HARBOUR, []), HARBOUR)
    assert [one.cells.num_rows for one in mapped.parts] == [0] * 5
    assert mapped.findings.num_rows == 0


def test_chunks_and_nulls_do_not_matter() -> None:
    rows: list[dict[str, str | None]] = [{**USUAL, "Sono am": None}, {**USUAL, "Fallnr": "0002", "Sono am": "1.2.2023"}]
    whole = apply_map(cells_of(HARBOUR, rows), HARBOUR)
    chunked = apply_map(pa.concat_tables([cells_of(HARBOUR, rows[:1]), cells_of(HARBOUR, rows[1:], first=3)]), HARBOUR)
    assert [one.cells.to_pydict() for one in chunked.parts] == [one.cells.to_pydict() for one in whole.parts]
    assert part(whole, "imaging").to_pylist() == [
        {"case": "0002", "kind": "ultrasound", "done_on": "2023-02-01", "line": 3}
    ]
    assert part(whole, "findings")["seen_by"].to_pylist() == ["unknown", "ultrasound"]


def test_columns_side_by_side_make_a_row_only_where_one_is_filled() -> None:
    rows: list[dict[str, str | None]] = [
        {"Case ID": "V-1", "FU1 date": "01/02/2023", "FU1 status": "full climbing", "FU3 status": "not climbing"}
    ]
    contacts = part(apply_map(cells_of(VALLEY, rows), VALLEY), "follow_ups").to_pylist()
    assert [(row["seen"], row["status"]) for row in contacts] == [("2023-01-02", "full_climbing"), ("", "off_climbing")]


def test_a_cell_of_the_first_entry_goes_nowhere_else_and_is_never_lost() -> None:
    rows: list[dict[str, str | None]] = [
        {**USUAL, "Befund": "A2 Ruptur + A3 Zerrung", "Abstand mm": "3,2"},
        {**USUAL, "Befund": "", "Abstand mm": "3,2"},
    ]
    mapped = apply_map(cells_of(HARBOUR, rows), HARBOUR)
    assert part(mapped, "findings")["gap_mm"].to_pylist() == ["3.2", ""]
    assert mapped.findings.to_pylist() == [{"line": 3, "column": "Befund", "code": "required"}]


def test_a_fault_keeps_the_cells_text() -> None:
    mapped = apply_map(cells_of(HARBOUR, [{**USUAL, "Finger": "Finger 6", "Verletzungsdatum": "31.02.2023"}]), HARBOUR)
    (case,) = part(mapped, "cases").to_pylist()
    assert (case["digit"], case["onset"]) == ("Finger 6", "31.02.2023")
    assert {(row["column"], row["code"]) for row in mapped.findings.to_pylist()} == {
        ("Finger", "unknown_word"),
        ("Verletzungsdatum", "impossible_date"),
    }


JOINED = """
[map]
format = 1
[[rows]]
table = "findings"
[rows.fields]
case = { columns = ["Year", "Number"], join = "/" }
structure = { constant = "a2" }
extent = { column = "Extent", default = "strain" }
"""


def test_a_joined_key_is_empty_where_a_piece_is_and_an_empty_cell_has_its_default() -> None:
    column_map = read_map(JOINED.encode(), name="m.toml")
    rows: list[dict[str, str | None]] = [
        {"Year": " 2023", "Number": "7 ", "Extent": "\u00a0"},
        {"Year": "", "Number": "7", "Extent": "partial"},
    ]
    (one,) = apply_map(cells_of(column_map, rows), column_map).parts
    assert one.cells["case"].to_pylist() == ["2023/7", ""]
    assert one.cells["extent"].to_pylist() == ["strain", "partial"]


def test_a_separator_of_fields_inside_a_cell_does_not_cut_it() -> None:
    mapped = apply_map(cells_of(HARBOUR, [{**USUAL, "Befund": "A2 Ruptur\x1fA3"}]), HARBOUR)
    assert mapped.findings.to_pylist() == [{"line": 2, "column": "Befund", "code": "unknown_word"}]
