"""Reading is honest: the fast and the strict way agree, and a broken row is held or named, never shifted."""

from __future__ import annotations

import csv
import io
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st

from registry.errors import DeliveryError
from registry.intake import splitting
from registry.intake.reading import FileForm, read_table

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
    filled = [
        (line, row) for line, row in enumerate(rows, start=2) if any(cell.strip(" \t\u00a0\u202f") for cell in row)
    ]
    assert cells_of(fast) == cells_of(strict) == [row for _, row in filled]
    assert fast.cells["line"].to_pylist() == strict.cells["line"].to_pylist() == [line for line, _ in filled]


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


def test_a_declared_form_is_read_and_every_line_is_accounted_for() -> None:
    head = 'Auszug "Mai"\n\nKürzel;Größe;Bemerkung\n'
    text = head + 'ä;1,5;"x;y"\n\nSumme;1;2;3\nb;2;"zwei\nZeilen"\nc;3\n TOTAL ;;\nd;4;€\n'
    form = FileForm(encoding="cp1252", separator=";", skip_lines=2, total_rows=("Summe", "total"), lower_header=False)
    table = read_table(text.encode("cp1252"), name="x.csv", form=form)
    assert table.header == ("Kürzel", "Größe", "Bemerkung")
    assert cells_of(table) == [("ä", "1,5", "x;y"), ("d", "4", "€")]
    assert table.cells["line"].to_pylist() == [4, 11]
    assert table.unreadable == [(7, "line_break"), (9, "cell_count")]
    assert (table.n_total_rows, table.n_before, table.n_blank, table.n_continued) == (2, 3, 1, 1)
    assert table.n_accounted == table.n_lines == 11


@pytest.mark.parametrize(
    "encoding", ["utf-8", "utf-8-sig", "cp1252", "latin-1", "utf-16", "utf-16-le", "shift_jis", "cp437"]
)
@pytest.mark.parametrize("separator", [",", ";", "\t", "|", "§"])
def test_encodings_and_separators_do_not_change_the_cells(encoding: str, separator: str) -> None:
    text = f'a{separator}b\n1{separator}\n"2"{separator}x\n'
    if separator == "§" and encoding == "cp437":
        separator, text = "½", text.replace("§", "½")
    table = read_table(text.encode(encoding), name="x.csv", form=FileForm(encoding=encoding, separator=separator))
    assert cells_of(table) == [("1", ""), ("2", "x")]


@pytest.mark.parametrize("encoding", ["utf-8", "cp1252", "shift_jis"])
def test_octets_outside_the_declared_encoding_hold_their_row_only(encoding: str) -> None:
    data = b"a;b\n1;2\n3;\x81\n" + b"5;\x9d\xff\n" * (encoding != "cp1252") + b"7;8\n"
    table = read_table(data, name="x.csv", form=FileForm(encoding=encoding, separator=";"))
    assert {row.code for row in table.unreadable} == {"not_utf8"}
    assert cells_of(table) == [("1", "2"), ("7", "8")]


@pytest.mark.parametrize(
    ("data", "form", "words"),
    [
        (b"a,b\n1,2\n", FileForm(separator=";"), "not separated by the mark that the column map declares"),
        (b"a\n", FileForm(skip_lines=1), "no row behind the 1 lines"),
        (b"a\n\nb\n", FileForm(skip_lines=1), "row 2 is empty"),
        (b"\xef\xbb\xbfa\n1\n", FileForm(encoding="cp1252"), "marked as UTF-8, but its column map declares cp1252"),
        (b"a\n1\n", FileForm(encoding="no-such"), "no encoding that is known here"),
        (b"a\n1\n", FileForm(encoding="base64"), "no encoding that is known here"),
        (b"a\n1\n", FileForm(encoding="unicode_escape"), "no encoding that is known here"),
        (b"a\n1\n", FileForm(separator=""), "not one character"),
        (b"a\n1\n", FileForm(separator=";;"), "not one character"),
        (b"a\n1\n", FileForm(separator='"'), "not one character"),
        (b"a,B\n1,2\n\xff", FileForm(encoding="utf-16"), "is not utf-16"),
        (b"a,A\n1,2\n", FileForm(lower_header=False), "column 2 has the name of an earlier one"),
        (b"a,Line\n1,2\n", FileForm(), "column 2 is called 'line'"),
        (b"a;b\n1;2\n", FileForm(), r"annulary map propose FILE"),
        (b"\xe4,b\n1,2\n", FileForm(), r"annulary map propose FILE"),
        ("a,b\n1,2\n".encode("utf-16"), FileForm(), r"annulary map propose FILE"),
        (b",".join(b"c%d" % n for n in range(1_001)) + b"\n", FileForm(), "1001 columns"),
    ],
)
def test_a_form_that_does_not_fit_is_named(data: bytes, form: FileForm, words: str) -> None:
    with pytest.raises(DeliveryError, match=words):
        read_table(data, name="x.csv", form=form)


def test_a_mark_of_byte_order_inside_a_file_stays_in_its_cell() -> None:
    table = read_table("\ufeffa,b\n\ufeff1,2\n3,\ufeff4\n".encode(), name="x.csv")
    assert cells_of(table) == [("\ufeff1", "2"), ("3", "\ufeff4")]


def test_a_quotation_mark_that_stays_open_too_long_was_never_closed() -> None:
    data = b'a,b\n1,"2\n' + b"3,4\n" * 100 + b'5",6\n'
    with pytest.raises(DeliveryError, match="row 2: a quotation mark is opened and not closed"):
        read_table(data, name="x.csv")


PIECE = st.sampled_from([",", ",", '"', '"', "\n", "\n", "a", "b", "\r\n", '""', '",', ',"', "é", "\ufeff", "\r"])


@given(st.lists(PIECE, max_size=25).map("".join), st.integers(1, 3), st.sampled_from([8, 1 << 23]))
def test_the_blocks_are_read_as_the_strict_reader_reads_the_whole(text: str, n_columns: int, block: int) -> None:
    data = ",".join("xyz"[:n_columns]) + "\n" + text
    records, at, strict = [], 1, csv.reader(io.StringIO(data, newline=""), strict=True)
    try:
        for record in strict:
            records.append((at, record))
            at = strict.line_num + 1
    except csv.Error:
        with pytest.raises(DeliveryError, match=f"row {at}: a quotation mark"):
            read_table(data.encode(), name="x.csv")
        return
    with mock.patch.object(splitting, "BLOCK", block):
        table = read_table(data.encode(), name="x.csv")
    whole = [(n, r) for n, r in records[1:] if r and (any(r) or len(r) != n_columns)]
    fine = [(n, r) for n, r in whole if len(r) == n_columns and not any(c in cell for cell in r for c in "\r\n")]
    assert list(zip(table.cells["line"].to_pylist(), cells_of(table), strict=True)) == [(n, tuple(r)) for n, r in fine]
    assert [row.line for row in table.unreadable] == [n for n, r in whole if (n, r) not in fine]
    assert table.n_accounted == table.n_lines


def test_lines_of_empty_cells_are_blank_and_a_header_may_hold_line_breaks() -> None:
    data = b'Fall;"Abstand\n (mm)";Griff\n1;2;x\n;; \n2;;\n'
    table = read_table(data, name="x.csv", form=FileForm(separator=";", lower_header=False))
    assert table.header == ("Fall", "Abstand (mm)", "Griff")
    assert list(zip(table.cells["line"].to_pylist(), cells_of(table), strict=True)) == [
        (3, ("1", "2", "x")),
        (5, ("2", "", "")),
    ]
    assert (table.n_before, table.n_blank, table.n_rows) == (2, 1, 2)
    assert table.n_accounted == table.n_lines == 5


def test_a_header_whose_quotation_mark_stays_open_is_named() -> None:
    with pytest.raises(DeliveryError, match="row 1: a quotation mark in the header is opened and not closed"):
        read_table(b'a,"b\n' + b"1,2\n" * 20 + b'3",4\n', name="x.csv")
    assert read_table(b'a,5"\n1,2\n', name="x.csv").header == ("a", '5"')
