"""Reading is honest: the fast and the strict way agree, and a broken row is held or named, never shifted."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.errors import DeliveryError
from registry.intake.reading import read_table

PLAIN = st.text(alphabet=st.characters(codec="utf-8", exclude_characters='",\r\n\x00', categories=("L", "N", "P", "S")))


def cells_of(table: object) -> list[tuple[str, ...]]:
    frame = table.cells.drop_columns(["line"]).to_pylist()  # type: ignore[attr-defined]
    return [tuple(row.values()) for row in frame]


@given(st.lists(st.tuples(PLAIN, PLAIN, PLAIN), min_size=1, max_size=12))
def test_fast_and_strict_reading_agree(rows: list[tuple[str, str, str]]) -> None:
    plain = "a,b,c\n" + "".join(",".join(row) + "\n" for row in rows)
    quoted = io.StringIO()
    writer = csv.writer(quoted, quoting=csv.QUOTE_ALL)
    writer.writerow(["a", "b", "c"])
    writer.writerows(rows)
    fast = read_table(plain.encode(), name="x.csv")
    strict = read_table(quoted.getvalue().encode(), name="x.csv")
    assert cells_of(fast) == cells_of(strict) == rows
    assert fast.cells["line"].to_pylist() == strict.cells["line"].to_pylist() == list(range(2, len(rows) + 2))


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("last", ["", "end"])
def test_line_ends_and_byte_order_mark_do_not_matter(end: str, last: str) -> None:
    text = end.join(["\ufeffA, b ", "1,2", "3,4"]) + (end if last else "")
    table = read_table(text.encode(), name="x.csv")
    assert table.header == ("a", "b")
    assert cells_of(table) == [("1", "2"), ("3", "4")]


def test_blank_lines_keep_the_row_numbers() -> None:
    table = read_table(b"a,b\n1,2\n\n3,4\n", name="x.csv")
    assert table.cells["line"].to_pylist() == [2, 4]
    assert table.n_rows == 2


@pytest.mark.parametrize(
    ("row", "code"),
    [
        (b"1,2,3", "cell_count"),
        (b"1", "cell_count"),
        (b'1,"2\n2"', "line_break"),
        (b"1,\xe4", "not_utf8"),
        (b"1," + b"x" * 10_001, "cell_too_long"),
    ],
)
def test_a_row_that_cannot_be_laid_under_the_header_is_kept_apart(row: bytes, code: str) -> None:
    table = read_table(b"a,b\n7,8\n" + row + b"\n9,10\n", name="x.csv")
    assert [(bad.line, bad.code) for bad in table.unreadable] == [(3, code)]
    assert cells_of(table) == [("7", "8"), ("9", "10")]
    assert table.n_rows == 3


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b" \n\n", "is empty"),
        (b"a;b\n1;2\n", "not separated by commas"),
        (b"a,a\n1,2\n", "column 2 has the name of an earlier one"),
        (b"a,,c\n1,2,3\n", "column 2 has no name"),
        ("a,b\n1,2\n".encode("utf-16"), "not a UTF-8 text file"),
        (b"PK\x03\x04rest", "is a spreadsheet"),
        (b'a,b\n1,"2\n3,4\n', "row 2: a quotation mark"),
        (b"\xe4,b\n1,2\n", "the header is not UTF-8"),
    ],
)
def test_a_file_that_means_nothing_is_named(data: bytes, words: str) -> None:
    with pytest.raises(DeliveryError, match=words):
        read_table(data, name="x.csv")


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_refused_in_a_sentence(data: bytes) -> None:
    said = ""
    try:
        table = read_table(data, name="x.csv")
    except DeliveryError as error:
        said = str(error)
    assert said.startswith("x.csv") or table.n_rows <= data.count(b"\n") + data.count(b"\r") + 1
