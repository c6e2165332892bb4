"""Workbooks: every cell becomes the text that a person sees, or the row is held; nothing that is broken crashes."""

from __future__ import annotations

import csv
import io
import random
import shutil
import zipfile
from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import pytest
from openpyxl import Workbook

from registry.dictionary import SHEET, TABLES
from registry.dictionary.workbooks import blank_workbook
from registry.errors import DeliveryError
from registry.intake import workbook
from registry.intake.reading import FileForm, TextTable
from registry.intake.reasons import REASONS
from registry.intake.report import IntakeReport
from registry.intake.workbook import is_workbook, read_workbook, sheets_not_read


def saved(book: Workbook) -> bytes:
    page = io.BytesIO()
    book.save(page)
    return page.getvalue()


def one_sheet(rows: list[list[Any]], *, title: str = "cases", formats: dict[str, str] | None = None) -> bytes:
    book = Workbook()
    sheet = book.active
    sheet.title = title
    for row in rows:
        sheet.append(row)
    for place, number_format in (formats or {}).items():
        sheet[place].number_format = number_format
    return saved(book)


def read(data: bytes, name: str = "cases.xlsx", **form: Any) -> list[TextTable]:
    return read_workbook(data, name=name, form=FileForm(**form))


def column(data: bytes, number_format: str | None, value: Any) -> str:
    """Read one cell of a given value and format back."""
    formats = {"A2": number_format} if number_format else {}
    (text,) = read(one_sheet([["case", "side"], [value, "left"]], formats=formats))
    return str(text.cells.column("case")[0].as_py())


@pytest.mark.parametrize(
    ("value", "number_format", "text"),
    [
        (8, "0000", "0008"),
        (12345, "0000", "12345"),
        (-8, "0000", "-8"),
        (2.5, "0000", "2.5"),
        (8, '"AB"00000', "AB00008"),
        (12, None, "12"),
        (12.0, None, "12"),
        (0.1 + 0.2, None, "0.3"),
        (2.5, "0.00", "2.5"),
        (0.5, "0%", "50%"),
        (0.5, "0.0\\ %;[Red]-0.0\\ %", "50%"),
        (50, '0"%"', "50"),
        (0.00001, None, "0.00001"),
        (1e20, None, "100000000000000000000"),
        (45292, None, "45292"),
        (date(2024, 5, 31), None, "2024-05-31"),
        (date(2024, 5, 31), "dd.mm.yy", "2024-05-31"),
        (datetime(2024, 5, 31, 14, 30), None, "2024-05-31 14:30:00"),
        (datetime(2024, 5, 30, 23, 59, 59, 900000), "yyyy-mm-dd", "2024-05-31"),
        (time(14, 30), None, "14:30:00"),
        (timedelta(hours=26), None, "1 day, 2:00:00"),
        (True, None, "yes"),
        (False, None, "no"),
        ("0008", None, "0008"),
        (" ring\u00a0", None, " ring\u00a0"),
        ("3,5", None, "3,5"),
        ("31.05.2024", None, "31.05.2024"),
        ("'0008", None, "'0008"),
        ("2024-05-31", "yyyy-mm-dd", "2024-05-31"),
    ],
)
def test_a_cell_becomes_the_text_that_is_seen(value: Any, number_format: str | None, text: str) -> None:
    assert column(b"", number_format, value) == text


def test_a_formula_gives_its_stored_value_and_none_without_one() -> None:
    data = one_sheet([["case", "side"], ["=1+1", "left"], ["2", "right"]])
    (text,) = read(data)
    assert [(row.line, row.code) for row in text.unreadable] == [(2, "error_cell")]
    calculated = changed_part(data, "xl/worksheets/sheet1.xml", b"<v /></c>", b"<v>2</v></c>")
    calculated = changed_part(calculated, "xl/worksheets/sheet1.xml", b"<v></v></c>", b"<v>2</v></c>")
    (text,) = read(calculated)
    assert text.cells.column("case").to_pylist() == ["2", "2"]


def changed_part(data: bytes, part: str, before: bytes, after: bytes) -> bytes:
    page = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(data)) as book, zipfile.ZipFile(page, "w", zipfile.ZIP_DEFLATED) as copy:
        for name in book.namelist():
            content = book.read(name)
            copy.writestr(name, content.replace(before, after) if name == part else content)
    return page.getvalue()


def test_rows_that_cannot_be_read_are_held_with_their_number() -> None:
    book = Workbook()
    sheet = book.active
    for row in (["case", "side"], ["1", "left"], ["#N/A", "left"], ["a\nb", "left"], ["x" * 10_001, ""], ["2", "left"]):
        sheet.append(row)
    sheet["A3"].data_type = "e"
    sheet["E6"] = "beside"
    sheet.append([None, None])
    sheet.append(["3", "right"])
    sheet.append(["4", "right"])
    sheet.merge_cells("A8:A9")
    sheet.append([10**9, "left"])
    sheet["A10"].number_format = "yyyy-mm-dd"
    (text,) = read(saved(book))
    assert text.cells.column("line").to_pylist() == [2]
    assert [(row.line, row.code) for row in text.unreadable] == [
        (3, "error_cell"),
        (4, "line_break"),
        (5, "cell_too_long"),
        (6, "cell_count"),
        (8, "merged_cells"),
        (9, "merged_cells"),
        (10, "error_cell"),
    ]
    assert {row.code for row in text.unreadable} <= set(REASONS)
    assert text.n_rows == 8


def test_every_filled_visible_sheet_is_a_table_of_its_own() -> None:
    book = Workbook()
    book.active.title = "how to"
    book.active.append(["read", "this"])
    book.active.append(["and", "that"])
    for title in ("cases", "findings", "codes", "notes"):
        sheet = book.create_sheet(title)
        sheet.append(["Case ", "side"])
        sheet.append(["1", "left"])
    book.create_sheet("imaging").append(["case", "kind"])
    book.create_sheet("empty")
    book["notes"].sheet_state = "hidden"
    data = saved(book)
    texts = read(data, "spring.xlsx")
    assert [text.name for text in texts] == ["spring.xlsx/cases", "spring.xlsx/findings"]
    assert texts[0].header == ("case", "side")
    assert texts[0].sha256 != texts[1].sha256
    assert sheets_not_read(data, name="spring.xlsx") == ["spring.xlsx/notes (hidden)"]


@pytest.mark.parametrize(
    ("file", "title", "name"),
    [
        ("cases.xlsx", "Tabelle1", "cases.xlsx"),
        ("spring.xlsx", "cases", "spring.xlsx/cases"),
        ("cases_spring.xlsx", "cases", "cases_spring.xlsx"),
        ("harbour.xlsx", "Export", "harbour.xlsx"),
    ],
)
def test_a_sheet_alone_is_called_like_the_file_that_tells_its_table(file: str, title: str, name: str) -> None:
    (text,) = read(one_sheet([["case", "side"], ["1", "left"]], title=title), file)
    assert text.name == name


def test_lines_to_skip_totals_and_the_header_s_letters_follow_the_form() -> None:
    rows = [["Export of the clinic"], [], ["Fall", None, "Seite"], ["1", None, "links"], ["TOTAL", None, "1"]]
    (text,) = read(one_sheet(rows), skip_lines=1, total_rows=("total",), lower_header=False)
    assert text.header == ("Fall", "Seite")
    assert text.cells.to_pylist() == [{"Fall": "1", "Seite": "links", "line": 4}]
    assert text.n_total_rows == 1


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ([["case", "Case"], ["1", "2"]], "column 2 has the name of an earlier one"),
        ([["case", None, "side"], ["1", "x", "left"]], "column 2 has no name but is filled"),
        ([["case", "line"], ["1", "x"]], "column 2 has a name that we keep"),
        ([["case", "side"]], "has no visible sheet with a header and a row"),
        ([], "has no visible sheet with a header and a row"),
    ],
)
def test_a_header_that_cannot_be_used_is_said(rows: list[list[Any]], message: str) -> None:
    with pytest.raises(DeliveryError, match=message):
        read(one_sheet(rows))


def a_zip(**parts: bytes) -> bytes:
    page = io.BytesIO()
    with zipfile.ZipFile(page, "w", zipfile.ZIP_DEFLATED) as book:
        for name, content in parts.items():
            book.writestr(name.replace("__", "/").replace("_xml", ".xml").replace("_bin", ".bin"), content)
    return page.getvalue()


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (workbook.COMPOUND + bytes(600), r"old kind \(.xls\); open it .* save it as an Excel workbook"),
        (workbook.COMPOUND + "EncryptedPackage".encode("utf-16-le"), "locked with a password"),
        (a_zip(mimetype=b"application/vnd.oasis.opendocument.spreadsheet"), r"OpenDocument file \(.ods\)"),
        (a_zip(xl__workbook_bin=b"x"), r"binary workbook \(.xlsb\)"),
        (a_zip(word__document_xml=b"<x/>"), "damaged or no Excel workbook"),
        (b"PK\x03\x04 and no more", "damaged or no Excel workbook"),
    ],
)
def test_other_files_are_named_with_the_way_out(data: bytes, message: str) -> None:
    assert is_workbook(data)
    with pytest.raises(DeliveryError, match=message):
        read(data)


@pytest.mark.parametrize("limit", ["MOST_UNPACKED", "MOST_UNPACKED_PART"])
def test_a_file_that_unpacks_to_far_too_much_is_not_unpacked(limit: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, limit, 2_000)
    with pytest.raises(DeliveryError, match="unpacks to far more than a delivery holds"):
        read(one_sheet([["case", "side"], ["1", "left"]]))


def test_a_part_that_lies_about_its_size_is_damaged() -> None:
    data = bytearray(one_sheet([["case", "side"], *([str(n), "left"] for n in range(5000))]))
    at = data.rindex(b"PK\x01\x02", 0, data.rindex(b"xl/worksheets/sheet1.xml"))
    data[at + 24 : at + 28] = (1000).to_bytes(4, "little")
    with pytest.raises(DeliveryError, match="damaged"):
        read(bytes(data))


@pytest.mark.parametrize("row", ["1", "9999999", "x"])
def test_rows_out_of_order_are_not_dropped_silently(row: str) -> None:
    data = one_sheet([["case", "side"], ["1", "left"], ["2", "right"]])
    data = changed_part(data, "xl/worksheets/sheet1.xml", b'<row r="3"', f'<row r="{row}"'.encode())
    with pytest.raises(DeliveryError, match="damaged"):
        read(data)


def test_a_document_type_that_grows_is_refused() -> None:
    bomb = b'<!DOCTYPE z [<!ENTITY a "' + b"x" * 10_000 + b'"><!ENTITY b "' + b"&a;" * 10_000 + b'">]>'
    data = one_sheet([["case", "side"], ["1", "left"], ["2", "right"]])
    data = changed_part(data, "xl/worksheets/sheet1.xml", b"<worksheet", bomb + b"<worksheet")
    data = changed_part(data, "xl/worksheets/sheet1.xml", b"<t>left</t>", b"<t>&b;</t>")
    with pytest.raises(DeliveryError, match="damaged"):
        read(data)


def test_a_filled_template_comes_back_as_it_was_typed() -> None:
    from openpyxl import load_workbook

    book = load_workbook(io.BytesIO(blank_workbook([SHEET, *TABLES.values()])))
    book["imaging"].append(["0007", "mri", datetime(2024, 5, 31)])
    book["cases"].append([None] * 3 + ["AB10001"])
    texts = {text.name: text for text in read(saved(book), "delivery.xlsx")}
    assert list(texts) == ["delivery.xlsx/cases", "delivery.xlsx/imaging"]
    assert texts["delivery.xlsx/imaging"].cells.to_pylist() == [
        {"case": "0007", "kind": "mri", "done_on": "2024-05-31", "line": 2}
    ]
    assert texts["delivery.xlsx/cases"].header == TABLES["cases"].names


def test_a_workbook_says_the_same_as_text_files(
    tmp_path: Path, clean: dict[str, str], clean_registry: Path, take_in: Callable[..., IntakeReport]
) -> None:
    """Delivered after the text files, with typed dates and numbers, it changes nothing."""
    shutil.copy(clean_registry, tmp_path / "registry.duckdb")
    book = Workbook()
    for name, text in clean.items():
        sheet = book.create_sheet(name)
        header, *rows = csv.reader(text.splitlines())
        sheet.append(header)
        for row in rows:
            sheet.append([typed(cell, TABLES[name][column].kind) for cell, column in zip(row, header, strict=True)])
    (tmp_path / "spring.xlsx").write_bytes(saved(book))
    report = take_in(tmp_path / "spring.xlsx", dry_run=True)
    assert {count.table: count.unchanged for count in report.tables if count.unchanged} == {
        name: len(text.splitlines()) - 1 for name, text in clean.items()
    }
    assert sum(count.new + count.revised for count in report.tables) == 0
    assert report.findings.empty


def typed(cell: str, kind: str) -> Any:
    """Return a cell as somebody types it."""
    if not cell:
        return None
    if kind == "date":
        return datetime.fromisoformat(cell)
    return int(cell) if kind in ("integer", "year") else cell


def fuzz(n: int, seed: int) -> int:
    """Flip, cut and repeat bytes of a workbook and of its parts; return how many were read all the same."""
    chance = random.Random(seed)
    data = one_sheet([["case", "onset", "gap"], ["0001", date(2024, 5, 31), 2.5], ["2", "=1+1", True]])
    with zipfile.ZipFile(io.BytesIO(data)) as book:
        parts = {name: book.read(name) for name in book.namelist()}
    survived = 0
    for _ in range(n):
        changed = dict(parts)
        name = chance.choice(list(parts))
        content = bytearray(parts[name])
        for _ in range(chance.randint(1, 4)):
            at = chance.randrange(len(content))
            content[at : at + chance.choice([0, 1, 1, 8])] = bytes(
                chance.choices(b'<>/"=0123456789rsvc\x00\xff', k=chance.randint(0, 3))
            )
        changed[name] = bytes(content)
        page = io.BytesIO()
        with zipfile.ZipFile(page, "w") as book:
            for part, body in changed.items():
                book.writestr(part, body)
        mutated = bytearray(page.getvalue())
        if chance.random() < 0.3:
            mutated[chance.randrange(len(mutated))] ^= 1 << chance.randrange(8)
        try:
            survived += bool(read(bytes(mutated)))
        except DeliveryError:
            continue
    return survived


def test_broken_workbooks_are_said_and_never_crash() -> None:
    assert 0 < fuzz(150, seed=3) < 150


@pytest.mark.slow
def test_thousands_of_broken_workbooks_are_said_and_never_crash() -> None:
    assert 0 < fuzz(5000, seed=4) < 5000
