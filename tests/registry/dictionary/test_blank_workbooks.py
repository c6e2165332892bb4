"""Blank workbooks: drop-down codes, notes, and columns that keep leading zeros; the same bytes every time."""

from __future__ import annotations

import io
import shutil
import subprocess
import zipfile
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook
from typer.testing import CliRunner

import annulary
from registry.dictionary import SHEET, TABLES, Table
from registry.dictionary.workbooks import CODES, HOW_TO, REQUIRED, blank_workbook, header_note
from registry.intake.recognising import ALL_TABLES


@pytest.fixture(scope="module")
def book() -> Any:
    return load_workbook(io.BytesIO(blank_workbook(list(ALL_TABLES.values()))))


def rule_of(sheet: Any, place: int) -> Any:
    letter = sheet.cell(2, place).column_letter
    rules = [rule for rule in sheet.data_validations.dataValidation if f"{letter}2" in rule.sqref]
    return rules[0] if rules else None


def words_of(rule: Any, book: Any) -> list[str]:
    """Return the words of a drop-down list, wherever they stand."""
    if rule.formula1.startswith('"'):
        return str(rule.formula1).strip('"').split(",")
    sheet, _, cells = rule.formula1.partition("!")
    return [cell.value for (cell,) in book[sheet][cells.replace("$", "")]]


def test_there_is_a_sheet_a_table_with_help_before_and_codes_behind(book: Any) -> None:
    assert book.sheetnames == [HOW_TO, *ALL_TABLES, CODES]
    assert book[CODES].sheet_state == "hidden"
    assert book.active.title != HOW_TO


@pytest.mark.parametrize("table", ALL_TABLES.values(), ids=list(ALL_TABLES))
def test_each_column_says_what_it_holds(book: Any, table: Table) -> None:
    sheet = book[table.name]
    assert [cell.value for cell in sheet[1]] == list(table.names)
    for place, field in enumerate(table.fields, start=1):
        cell, rule = sheet.cell(1, place), rule_of(sheet, place)
        assert cell.comment.text == header_note(field)
        assert cell.comment.text.startswith("* ") == field.required
        assert (cell.fill.fgColor.rgb == f"00{REQUIRED}") == field.required
        number_format = sheet.column_dimensions[cell.column_letter].number_format
        assert (number_format == "@") == (field.kind not in ("date", "integer", "number", "year")), field.name
        if field.kind == "code":
            assert words_of(rule, book) == list(field.accepted_words), field.name
            assert rule.errorStyle == "stop"
        if field.kind == "date":
            assert rule.type == "date"
            assert rule.errorStyle == ("stop" if field.required else "warning")
        if field.kind in ("text", "key", "pseudonym", "findings", "codes"):
            assert rule is None


def test_a_note_gives_label_unit_range_description_and_codes() -> None:
    assert header_note(TABLES["cases"]["side"]) == "* Hand (required)\ncode\nCodes: left, right"
    assert header_note(TABLES["findings"]["gap_mm"]) == "Tendon-bone gap\nnumber, in mm, 0 to 10"
    note = header_note(TABLES["cases"]["onset_mode"])
    assert "sudden: acute; felt at once or within seconds" in note
    assert header_note(TABLES["cases"]["onset"]).endswith("\nDay 0.")


def test_the_help_says_what_must_not_be_typed_and_the_cautions(book: Any) -> None:
    text = " ".join(str(cell.value) for (cell,) in book[HOW_TO].iter_rows() if cell.value)
    for words in (
        "no names",
        "telephone",
        "dates of birth",
        "pseudonymised health data",
        "not for diagnosing",
        "unknown",
    ):
        assert words in text
    for table in ALL_TABLES.values():
        assert table.one_row_is in text


def test_the_same_dictionary_gives_the_same_bytes() -> None:
    data = blank_workbook([SHEET])
    assert data == blank_workbook([SHEET])
    with zipfile.ZipFile(io.BytesIO(data)) as parts:
        assert {part.date_time for part in parts.infolist()} == {(2000, 1, 1, 0, 0, 0)}
        assert parts.read("docProps/core.xml").count(b"2000-01-01T00:00:00Z") == 2


def test_the_command_writes_one_workbook_and_overwrites_nothing(tmp_path: Path) -> None:
    run = CliRunner()
    written = run.invoke(annulary.application(), ["template", "cases", "--format", "xlsx", "--out", str(tmp_path)])
    assert written.exit_code == 0
    assert load_workbook(tmp_path / "cases.xlsx").sheetnames == [HOW_TO, "cases", CODES]
    everything = run.invoke(annulary.application(), ["template", "--format", "xlsx", "--out", str(tmp_path)])
    assert everything.stdout.split() == [str(tmp_path / "delivery.xlsx")]
    before = (tmp_path / "cases.xlsx").read_bytes()
    again = run.invoke(annulary.application(), ["template", "cases", "--format", "xlsx", "--out", str(tmp_path)])
    assert again.exit_code != 0
    assert (tmp_path / "cases.xlsx").read_bytes() == before


@pytest.mark.slow
def test_a_spreadsheet_program_opens_it_and_keeps_the_lists(tmp_path: Path) -> None:
    program = shutil.which("soffice")
    if program is None:
        pytest.skip("the spreadsheet program soffice is not installed")
    (tmp_path / "blank.xlsx").write_bytes(blank_workbook([TABLES["cases"]]))
    subprocess.run(
        [program, f"-env:UserInstallation=file://{tmp_path / 'profile'}", "--headless", "--convert-to", "xlsx",
         "--outdir", str(tmp_path / "out"), str(tmp_path / "blank.xlsx")],
        env={"HOME": str(tmp_path), "PATH": "/usr/bin:/bin"}, capture_output=True, timeout=120, check=True,
    )  # fmt: skip
    book = load_workbook(tmp_path / "out" / "blank.xlsx")
    place = TABLES["cases"].names.index("mechanism") + 1
    assert words_of(rule_of(book["cases"], place), book) == list(TABLES["cases"]["mechanism"].accepted_words)
