"""The door: a file with an identifier is refused whole, a clean one never is. Every person is invented."""

from __future__ import annotations

import random
import re
from collections.abc import Iterator

import duckdb
import pyarrow as pa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from registry.dictionary import SHEET, TABLES, Field, Table
from registry.intake.identifiers import (
    Refusal,
    content_refusal,
    pattern_fault,
    refusal_by_columns,
)
from registry.intake.reading import TextTable
from registry.privacy.remarks import looks_identifying

PATTERN = "[A-Z]{2}[0-9]{5}"
ALL = [*TABLES.values(), SHEET]


@pytest.fixture(scope="module")
def connection() -> Iterator[duckdb.DuckDBPyConnection]:
    with duckdb.connect(":memory:") as opened:
        yield opened


def judged(
    connection: duckdb.DuckDBPyConnection,
    columns: dict[str, list[str]],
    feeds: dict[str, tuple[Field, ...]],
    **options: object,
) -> Refusal | None:
    n = len(next(iter(columns.values())))
    cells = pa.table({**{name: pa.array(cells) for name, cells in columns.items()}, "line": range(2, n + 2)})
    text = TextTable("export.csv", "0" * 64, tuple(columns), cells)
    return content_refusal(connection, text, feeds=feeds, pattern=PATTERN, **options)  # type: ignore[arg-type]


def of_table(table: Table) -> dict[str, tuple[Field, ...]]:
    return {field.name: (field,) for field in table.fields}


GRADES = ["7b+ Font", "5.12a YDS", "IX- UIAA", "V8 Hueco", "III", "Salter Harris", "Schöffl 2003", "Quick DASH", "4"]
KEYS = ["0001", "V-0006", "2024/117", "F-2024-0031", "reader B", "set 12", "17", "AB20001-20240301-left-ring"]


def clean_cell(field: Field, chance: random.Random) -> str:
    if chance.random() < 0.1 and not field.required:
        return ""
    if field.name == "pseudonym_pattern":
        return PATTERN
    if field.name in ("controller", "legal_basis"):
        return chance.choice(["Quendel Hospital, Hand Surgery", "Art. 9(2)(j) GDPR, ethics vote 2024-00117", "consent"])
    if field.kind in ("code", "codes", "findings"):
        word = chance.choice(field.accepted_words)
        forms = {"code": [word, word.upper(), word.replace("_", " ").title()], "codes": [f"{word};other"]}
        return chance.choice(forms.get(field.kind, [f"{word}:complete; a3:partial"]))
    made = {
        "pseudonym": f"{chance.choice('ABC')}{chance.choice('XYZ')}{chance.randrange(10**5):05d}",
        "date": f"20{chance.randrange(10, 26)}-{chance.randrange(1, 13):02d}-{chance.randrange(1, 29):02d}",
        "year": str(chance.randrange(1930, 2020)),
        "integer": str(chance.randrange(0, 100_000)),
        "number": f"{chance.uniform(0, 200):.1f}",
        "key": chance.choice(KEYS),
        "text": chance.choice(GRADES),
    }
    return made[field.kind]


def clean_columns(table: Table, chance: random.Random, n: int) -> dict[str, list[str]]:
    return {field.name: [clean_cell(field, chance) for _ in range(n)] for field in table.fields}


@settings(max_examples=25)
@given(st.sampled_from(ALL), st.integers(0, 2**32))
def test_clean_data_are_never_refused(connection: duckdb.DuckDBPyConnection, table: Table, seed: int) -> None:
    assert judged(connection, clean_columns(table, random.Random(seed), 30), of_table(table)) is None


PLANTED = [
    "Anna Quendel", "Quendel, Anna", "Frau Quendel", "anna.quendel@post.example", "+41 79 555 01 17", "079 555 01 17",
    "415-555-0132", "756.1234.5678.97", "123-45-6789", "CH93 0076 2011 6238 5295 7", "Quendelstrasse 12",
    "8001 Quendelstadt", "https://post.example/quendel", "she says that her partner dropped her twice last week",
]  # fmt: skip


@settings(max_examples=40)
@given(st.sampled_from(ALL), st.sampled_from(PLANTED), st.integers(0, 2**32))
def test_a_planted_identifier_refuses_the_file_and_is_not_repeated(
    connection: duckdb.DuckDBPyConnection, table: Table, planted: str, seed: int
) -> None:
    chance = random.Random(seed)
    columns = clean_columns(table, chance, 20)
    column = chance.choice(
        [f.name for f in table.fields if f.name not in ("controller", "legal_basis", "pseudonym_pattern")]
    )
    row = chance.randrange(20)
    columns[column][row] = planted
    refusal = judged(connection, columns, of_table(table))
    assert refusal is not None
    assert f"column '{column}'" in refusal.sentence
    assert re.search(rf"\(row {row + 2}\)", refusal.sentence)
    assert "uendel" not in refusal.sentence
    assert planted not in refusal.sentence


@pytest.mark.parametrize(
    "cell", ["12/05/1994", "1994-05-12", "12. Mai 1994", "mai 1994", "12.V.1994", "19940512", "5/94"]
)
def test_a_birth_date_where_a_year_belongs(connection: duckdb.DuckDBPyConnection, cell: str) -> None:
    columns = {"athlete": ["AB10001", "AB10002"], "sex": ["female", "male"], "birth_year": ["1990", cell]}
    refusal = judged(connection, columns, of_table(TABLES["athletes"]))
    assert refusal is not None
    assert "column 'birth_year' holds a full date where only the year may stand in 1 row (row 3)" in refusal.sentence


def test_dropped_columns_are_judged_and_empty_ones_are_not(connection: duckdb.DuckDBPyConnection) -> None:
    case = {"numero": ["0001", "0002"]}
    feeds = {"numero": (TABLES["cases"]["case"],)}
    for name, cells, found in [
        ("commentaire", ["", " "], None),
        ("commentaire", ["", "ok"], "has the name of one that holds free text, and is filled in 1 row (row 3)"),
        ("Telefon", ["1", ""], "has the name of one that holds a telephone number"),
        ("station", ["", "Anna Quendel"], "holds a name in 1 row (row 3)"),
        ("station", ["3b", "2024-03-01"], None),
        ("Termin", ["12.05.2024", "13.05.2024 10:30"], None),
    ]:
        refusal = judged(connection, {**case, name: cells}, feeds, dropped=[name])
        assert (refusal is None) if found is None else (refusal is not None and found in refusal.sentence), name


def test_a_column_that_announces_a_patient_is_judged_by_its_pseudonyms(connection: duckdb.DuckDBPyConnection) -> None:
    feeds = {"Patient (Pseudonym)": (TABLES["cases"]["athlete"],), "Patient": (TABLES["cases"]["case"],)}
    assert judged(connection, {"Patient (Pseudonym)": ["AB10001"]}, feeds) is None
    refusal = judged(connection, {"Patient (Pseudonym)": ["AB10001", "anna@post.example"]}, feeds)
    assert refusal is not None
    assert "does not match the site's pattern of pseudonyms in 1 row (row 3)" in refusal.sentence
    assert judged(connection, {"Patient": ["4711"]}, feeds) is not None


def test_words_of_the_map_and_other_languages_are_no_names(connection: duckdb.DuckDBPyConnection) -> None:
    feeds = {"Hergang": (TABLES["cases"]["mechanism"], TABLES["cases"]["activity"])}
    words = {"Hergang": ["Grosser Henkel", "Kleiner Henkel"]}
    assert judged(connection, {"Hergang": ["Grosser Henkel", "Henkel kleiner", "Zug"]}, feeds, words=words) is None
    refusal = judged(connection, {"Hergang": ["Anna Quendel"]}, feeds, words=words)
    assert refusal is not None
    assert "holds a name (or words that the map should know) in 1 row (row 2)" in refusal.sentence


def test_many_rows_show_five_and_the_count(connection: duckdb.DuckDBPyConnection) -> None:
    refusal = judged(connection, {"case": ["Anna Quendel"] * 9 + ["7"]}, of_table(TABLES["cases"]))
    assert refusal is not None
    assert "holds a name in 9 rows (row 2, 3, 4, 5, 6, ...)" in refusal.sentence


def test_our_own_files_are_judged_by_the_names_of_their_columns() -> None:
    refusal = refusal_by_columns("cases.csv", "0" * 64, ["case", "Vorname", "e-mail"])
    assert refusal is not None
    assert "'Vorname', 'e-mail'" in refusal.sentence
    assert refusal_by_columns("cases.csv", "0" * 64, TABLES["cases"].names) is None


@pytest.mark.parametrize(
    ("pattern", "fault"),
    [("P[0-9]{6}", None), (PATTERN, None), ("[A-Z]{2}-[0-9a-f]{10}", None), (r"S\d{4,8}", None), ("P[0-9]{16}", None),
     (".*", "pattern_too_wide"), ("[A-Z]{3}", "pattern_too_wide"), (".{9}", "pattern_too_wide"),
     ("[a-z.]+", "pattern_too_wide"), (r"[\w@.]+", "pattern_too_wide"), ("[0-9-]{10}", "pattern_too_wide"),
     (r"\S+ \S+", "pattern_too_wide"), ("[A-Z", "bad_pattern"), ("a)(b", "bad_pattern"), ("(?=x)y", "bad_pattern"),
     ("P[0-9]{6}|[A-Z][a-z]+", "pattern_too_wide")],
)  # fmt: skip
def test_a_pattern_lets_no_name_through(pattern: str, fault: str | None) -> None:
    assert pattern_fault(pattern) == fault


def test_remarks_for_the_books() -> None:
    assert not looks_identifying("seen by the hand surgeon: two separate injuries, ten days apart")
    assert looks_identifying("asked Anna Quendel")
    assert looks_identifying("call 079 555 01 17")


def test_a_new_pattern_that_no_known_climber_matches_is_not_followed(write_delivery, take_in, clean, tmp_path) -> None:  # type: ignore[no-untyped-def]
    take_in(write_delivery(clean))
    sites = clean["sites"].replace("[A-Z]{2}[0-9]{5}", "Q[0-9]{9}")
    report = take_in(write_delivery({"sites": sites, "athletes": "athlete,sex\nQ123456789,male\n"}, name="second"))
    assert [refusal.file for refusal in report.refusals] == ["athletes.csv"]
    wider = clean["sites"].replace("[A-Z]{2}[0-9]{5}", "[A-Z]{2}[0-9]{5}|Q[0-9]{9}")
    report = take_in(write_delivery({"sites": wider, "athletes": "athlete,sex\nQ123456789,male\n"}, name="third"))
    assert report.refusals == []
