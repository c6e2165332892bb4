"""The pandera schema is a second opinion, written apart from the SQL: both must hold the same cells."""

from __future__ import annotations

import builtins
from datetime import date
from typing import Any

import duckdb
import pandas as pd
import pyarrow as pa
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from registry.dictionary import TABLES, Field, Table
from registry.dictionary.pandera_schema import faults, module_text, pandera_schema
from registry.errors import InputError
from registry.intake.checks import BAD_COLUMNS, PART, field_findings, row_findings, text_literal, typed_select
from registry.intake.reasons import REASONS
from registry.intake.recognising import ALL_TABLES

RECEIVED_ON = date(2026, 6, 30)
N_ROWS = 14
GOOD = {
    "text": ("7a", "font 7b+", "I"),
    "key": ("0001", "K-17", "9"),
    "pseudonym": ("AB10001", "AB10002"),
    "date": ("2024-02-29", "2023-12-31", "2026-06-30", "1950-01-01"),
    "findings": ("a2:complete", "A2:Complete; a3:partial", "volar_plate(pip):partial;", " a4 : strain "),
}
BAD = (
    *(
        "",
        " ",
        "\t",
        "\u00a0",
        "unknown",
        "UNKNOWN",
        "Not_Applicable",
        " unknown\u00a0",
        "\u00a0ring\t",
        "RING",
        "Left",
    ),
    *(
        "3,5",
        "+3,5",
        "3.5",
        "1e3",
        "+5",
        "-5",
        "--5",
        "5-",
        "٣",
        "１２",
        "0x1F",
        "1_000",
        "1 000",
        "NaN",
        "inf",
        "5.",
        ".5",
        "007",
    ),
    *(
        "99999999999999999999",
        "1" * 15,
        "-" + "9" * 15,
        "100000001",
        "-0",
        "0.000000000000001",
        "12.0",
        "1998",
        "98",
        "0000",
    ),
    *("2024-02-30", "2023-02-29", "2024-1-1", "01.02.2024", "2024/01/01", "2099-01-01", "2026-07-01", "1949-12-31"),
    *(
        "0000-01-01",
        "9999-12-31",
        "2024-05-31 ",
        " 2024-05-31",
        "2024-05-31T00:00",
        "２０２４-01-01",
        "٢٠٢٤-٠١-٠١",
        "45292",
    ),
    *("x" * 60, "x" * 61, "é" * 60, "e\u0301" * 31, "x" * 201, "a2", "a2:", ":complete", "a9:complete", "a2:broken"),
    *("a2:complete;;a3:partial", ";a2:complete", "a2(xip):complete"),
    *("a2\n:complete", "a2:complete;", "a2:complete; "),
    *(
        "stiffness;nerve",
        "stiffness; NERVE",
        "stiffness;",
        ";",
        "stiffness;\tnerve",
        "stiffness,nerve",
        "none",
        "yes",
        "no",
    ),
    *(
        "'ring",
        "ring'; DROP TABLE x; --",
        "=1+1",
        "null",
        "None",
        "İ",
        "\u212a",
        "ﬁnger",
        "\ufeffleft",
        "left\u200b",
        "left\r",
    ),
)


def good_cell(field: Field, row: int) -> str:
    """A cell that may stay; optional cells are sometimes empty or unknown."""
    if not field.required and row % 5 == 0:
        return ("", "unknown")[row % 2] if field.kind not in ("text", "key", "pseudonym") else ""
    if field.kind in ("code", "codes"):
        return field.accepted_words[row % len(field.accepted_words)]
    if field.kind in GOOD:
        return GOOD[field.kind][row % len(GOOD[field.kind])]
    low = 0 if field.low is None else int(field.low)
    return str(min(low + row, int(field.high if field.high is not None else low + row)))


def good_rows(table: Table) -> dict[str, list[str]]:
    return {field.name: [good_cell(field, row) for row in range(N_ROWS)] for field in table.fields}


def held_by_sql(table: Table, cells: dict[str, list[str]]) -> set[tuple[int, str]]:
    """Return (row, column) of every finding of the intake that holds a row."""
    n = len(next(iter(cells.values())))
    numbers = pa.array(range(n), pa.int64())
    lead = {"row_id": numbers, "origin": numbers, "file": ["f"] * n, "line": numbers, "fed_by": [None] * n}
    connection = duckdb.connect(":memory:")
    staged = pa.table({**lead, **{name: pa.array(texts, pa.string()) for name, texts in cells.items()}})
    connection.register("staged", staged)
    connection.execute(f"CREATE TABLE bad ({BAD_COLUMNS})")
    connection.execute("INSERT INTO bad " + field_findings(table, "staged", received_on=RECEIVED_ON))
    connection.execute(f"CREATE TABLE typed AS {typed_select(table, 'staged', site='north')}")
    for select in row_findings(table, "typed"):
        connection.execute("INSERT INTO bad " + select)
    found = connection.execute("SELECT row_id, column_name, code FROM bad").fetchall()
    if "structures" in cells:
        found += [(row, "structures", code) for row, code in faults_of_structures(connection)]
    connection.close()
    return {(row, column) for row, column, code in found if REASONS[code].severity == "hold"}


def faults_of_structures(connection: Any) -> list[tuple[int, str]]:
    """The sheet's list is judged part by part, as rows of findings, once its form is right."""
    table = TABLES["findings"]
    groups = {"structure": 1, "joint": 2, "extent": 3}
    columns = ", ".join(
        f"nullif(regexp_extract(part, {text_literal(PART)}, {groups[name]}), '') AS {name}"
        if name in groups
        else f'CAST({"1" if name == "case" else "NULL"} AS VARCHAR) AS "{name}"'
        for name in table.names
    )
    parts = (
        f"(SELECT row_id, origin, file, line, fed_by, {columns} FROM "
        "(SELECT *, lower(trim(p.piece)) AS part FROM staged, unnest(string_split(structures, ';')) AS p(piece) "
        "WHERE trim(p.piece) <> '') "
        "WHERE row_id NOT IN (SELECT row_id FROM bad WHERE column_name = 'structures'))"
    )
    select = field_findings(table, parts, received_on=RECEIVED_ON)
    rows: list[tuple[int, str]] = connection.execute(f"SELECT row_id, code FROM ({select})").fetchall()
    return rows


def held_by_pandera(table: Table, cells: dict[str, list[str]]) -> set[tuple[int, str]]:
    listed = faults(pandera_schema(table, received_on=RECEIVED_ON), pd.DataFrame(cells, dtype=object))
    return {(int(row), column) for row, column in zip(listed["row"], listed["column"], strict=True)}


def spoiled(table: Table, places: list[tuple[int, int, str]]) -> dict[str, list[str]]:
    cells = good_rows(table)
    for row, column, text in places:
        cells[table.names[column % len(table.names)]][row] = text
    return cells


TEXTS = st.sampled_from(BAD) | st.text(max_size=8) | st.text("0123456789+-.,: ;()a2", max_size=12)
PLACES = st.lists(st.tuples(st.integers(0, N_ROWS - 1), st.integers(0, 40), TEXTS), max_size=60)


def long_rows(table: Table) -> dict[str, list[str]]:
    return {name: [texts[row % N_ROWS] for row in range(len(BAD))] for name, texts in good_rows(table).items()}


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
def test_every_bad_text_gets_the_same_verdict(table: Table) -> None:
    """Each bad text in each column once, in rows in which all is bad; and good rows are good to both."""
    shifted = {name: list(BAD[place * 7 :] + BAD[: place * 7]) for place, name in enumerate(table.names)}
    held = held_by_sql(table, shifted)
    assert held_by_pandera(table, shifted) == held
    assert {column for _, column in held} == set(table.names)


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
@settings(max_examples=3)
@given(places=PLACES)
@example(places=[])
def test_spoiled_cells_get_the_same_verdict(table: Table, places: list[tuple[int, int, str]]) -> None:
    cells = spoiled(table, places)
    assert held_by_pandera(table, cells) == held_by_sql(table, cells)


@pytest.mark.slow
@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
@settings(max_examples=40)
@given(places=PLACES)
def test_many_spoiled_cells_get_the_same_verdict(table: Table, places: list[tuple[int, int, str]]) -> None:
    cells = spoiled(table, places)
    assert held_by_pandera(table, cells) == held_by_sql(table, cells)


@pytest.mark.slow
@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
def test_every_bad_cell_among_good_ones_gets_the_same_verdict(table: Table) -> None:
    for column in table.names:
        cells = {**long_rows(table), column: list(BAD)}
        assert held_by_pandera(table, cells) == held_by_sql(table, cells), column


def test_the_codes_are_those_of_the_intake() -> None:
    table = TABLES["cases"]
    cells = good_rows(table)
    spoil = {
        "onset": "31.05.2024",
        "side": "middle",
        "age_at_onset": "3,5",
        "uiaa_score": "7",
        "case": "x" * 61,
        "digit": "",
    }
    for column, text in spoil.items():
        cells[column][3] = text
    listed = faults(pandera_schema(table, received_on=RECEIVED_ON), pd.DataFrame(cells))
    ours = listed[(listed["row"] == 3)].set_index("column")["code"].to_dict()
    assert ours == {
        "onset": "not_a_date",
        "side": "unknown_code",
        "age_at_onset": "decimal_comma",
        "uiaa_score": "out_of_range",
        "case": "too_long",
        "digit": "required",
    }
    assert set(ours.values()) <= set(REASONS)


def test_columns_that_lack_or_are_unknown_are_named() -> None:
    frame = pd.DataFrame({"case": ["1"], "kind": ["mri"], "colour": ["red"]})
    listed = faults(pandera_schema(TABLES["imaging"], received_on=RECEIVED_ON), frame)
    assert set(zip(listed["column"], listed["code"], strict=True)) == {
        ("colour", "column_in_schema"),
        ("done_on", "column_in_dataframe"),
    }


def test_pseudonyms_are_held_to_the_pattern_and_numbers_are_no_text() -> None:
    frame = pd.DataFrame({"athlete": ["AB10001", "Somebody", "AB1"], "sex": ["female", "male", 1]}, dtype=object)
    listed = faults(pandera_schema(TABLES["athletes"], received_on=RECEIVED_ON, pattern="[A-Z]{2}[0-9]{5}"), frame)
    assert listed[["row", "column", "code"]].values.tolist() == [
        [1, "athlete", "bad_pseudonym"],
        [2, "athlete", "bad_pseudonym"],
        [2, "sex", "not_text"],
        [2, "sex", "required"],
    ]


def test_the_printed_module_stands_alone_and_says_the_same() -> None:
    text = module_text(list(ALL_TABLES.values()))
    assert "from registry" not in text
    made: dict[str, Any] = {"__name__": "schemas"}
    exec(compile(text, "schemas.py", "exec"), made)
    for name in ("exposure", "sheet"):
        cells = {column: list(BAD) for column in ALL_TABLES[name].names}
        ours = faults(pandera_schema(ALL_TABLES[name], received_on=RECEIVED_ON), pd.DataFrame(cells))
        theirs = made["faults"](made["schema_of"](name, received_on=RECEIVED_ON), pd.DataFrame(cells))
        assert len(ours) > 100
        pd.testing.assert_frame_equal(theirs, ours)


def test_a_missing_pandera_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.startswith("pandera"):
            raise ImportError
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match="pandera is not installed; add it with"):
        pandera_schema(TABLES["cases"], received_on=RECEIVED_ON)
