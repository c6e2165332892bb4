"""The road of a clinic's own export: mended, mapped anew, delivered again; nothing is lost and nothing stays for ever.

The exports are invented.
"""

from __future__ import annotations

import csv
import io
from datetime import datetime
from pathlib import Path
from typing import Literal

import openpyxl
import pytest

from registry import take_in
from registry.errors import DeliveryError, InputError
from registry.intake.holding import export_held, held_rows
from registry.intake.report import IntakeReport
from registry.maps.loading import read_map
from registry.proposing import propose_map
from registry.proposing.previewing import preview
from registry.store.connection import connect

CLOCK = datetime(2026, 6, 30, 12, 0)
HEAD = """\
[map]
format = 1
site = "cove"
match = "{name}*.csv"
[site]
kind = "clinic"
case_definition = "medical_attention"
exposure_method = "logged"
pseudonym_pattern = "P[0-9]{{3}}"
[file]
separator = ";"
date_order = "day month year"
[[rows]]
table = "athletes"
[rows.fields]
athlete = "who"
"""
EXPOSURE = (
    HEAD.format(name="hours")
    + """\
sex = {{ constant = "unknown" }}
[[rows]]
table = "exposure"
[rows.fields]
athlete = "who"
starts_on = "day"
ends_on = "day"
minutes_total = "minutes"
discipline = {{ column = "kind", words = "kind" }}
setting = {{ constant = "indoor" }}
context = {{ constant = "training" }}
[words.kind]
bloc = "bouldering"
""".replace("{{", "{").replace("}}", "}")
)
CASES = (
    HEAD.format(name="cases")
    + """\
sex = { column = "sex", words = "sex", default = "unknown" }
birth_year = "born"
[[rows]]
table = "cases"
[rows.fields]
case = "nr"
athlete = "who"
onset = "day"
side = "hand"
digit = "finger"
onset_mode = { constant = "unknown" }
[words.sex]
m = "male"
f = "female"
"""
)
CASES_HEAD = "nr;who;sex;born;day;hand;finger\n"


class Clinic:
    def __init__(self, folder: Path) -> None:
        self.folder, self.registry = folder, folder / "registry.duckdb"

    def deliver(self, name: str, text: str, column_map: str = "") -> IntakeReport:
        (self.folder / name).write_text(text, encoding="utf-8")
        maps = self.folder / "map.toml"
        maps.write_text(column_map, encoding="utf-8")
        return take_in(
            self.folder / name,
            registry=self.registry,
            site="cove",
            maps=[maps] if column_map else [],
            received_at=CLOCK,
        )

    def held(self) -> list[tuple[int, str]]:
        frame = held_rows(self.registry)
        return list(zip(frame["row"], frame["code"], strict=True))

    def rows(self, query: str) -> list[tuple[object, ...]]:
        with connect(self.registry, write=False) as connection:
            return connection.execute(query).fetchall()


@pytest.fixture(autouse=True)
def _derive_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("registry.intake.delivery.store_derived", lambda *_: None)
    monkeypatch.setattr("registry.intake.delivery.keep_derived_warnings", lambda *_, **__: None)


@pytest.fixture
def clinic(tmp_path: Path) -> Clinic:
    return Clinic(tmp_path)


def test_a_row_held_for_a_cell_of_its_key_gives_way_to_the_mended_row_of_a_later_edition(clinic: Clinic) -> None:
    first = "who;day;minutes;kind\nP001;01.02.2024;90;bloc\nP001;31.02.2024;90;bloc\nP002;03.02.2024;60;bloc\n"
    clinic.deliver("hours_1.csv", first, EXPOSURE)
    assert clinic.held() == [(3, "impossible_date")]
    # Another month's file is no edition of the first, whatever stands on its third line.
    clinic.deliver("hours_2.csv", "who;day;minutes;kind\nP001;02.03.2024;90;bloc\nP001;09.03.2024;90;bloc\n", EXPOSURE)
    assert clinic.held() == [(3, "impossible_date")]
    report = clinic.deliver(
        "hours_3.csv", first.replace("31.02.2024", "28.02.2024") + "P002;4.3.2024;30;bloc\n", EXPOSURE
    )
    assert (report.held, clinic.held()) == (0, [])
    assert clinic.rows("SELECT standing, line FROM held") == [("replaced", 3)]


def test_the_same_file_under_an_amended_map_replaces_its_held_rows_also_where_the_key_is_wrong(clinic: Clinic) -> None:
    text = "who;day;minutes;kind\nP001;31.02.2024;90;bloc\nP002;03.02.2024;60;wand\n;03.02.2024;60;bloc\n"
    clinic.deliver("hours.csv", text, EXPOSURE)
    assert {row for row, _ in clinic.held()} == {2, 3, 4}
    report = clinic.deliver("hours.csv", text, EXPOSURE + 'wand = "lead"\n')
    assert [row for row, code in clinic.held() if code in ("impossible_date", "required")] == [2, 4]
    assert clinic.rows("SELECT line, standing FROM held WHERE standing <> 'open' ORDER BY line") == [
        (2, "replaced"),
        (3, "replaced"),
        (4, "replaced"),
    ]
    assert (report.files[-1].rows, report.held) == (3, 2)


def test_unknown_in_a_later_row_says_nothing_against_what_is_known_of_a_climber(clinic: Clinic) -> None:
    clinic.deliver("cases_1.csv", CASES_HEAD + "1;P001;m;1990;01.02.2024;left;ring\n", CASES)
    clinic.deliver("cases_2.csv", CASES_HEAD + "2;P001;;;01.03.2024;left;ring\n3;P002;;;01.03.2024;left;ring\n", CASES)
    known = "SELECT athlete, sex, birth_year FROM accepted.athletes WHERE superseded_by IS NULL ORDER BY athlete"
    assert clinic.rows(known) == [("P001", "male", 1990), ("P002", "unknown", None)]
    report = clinic.deliver(
        "cases_3.csv", CASES_HEAD + "4;P001;f;;01.05.2024;left;ring\n5;P002;f;;1.5.2024;left;ring\n", CASES
    )
    assert clinic.held() == [(2, "climber_differs")]
    assert report.held == 1
    assert clinic.rows(known) == [("P001", "male", 1990), ("P002", "female", None)]


@pytest.mark.parametrize(("separator", "quoting"), [(";", csv.QUOTE_ALL), ("\t", csv.QUOTE_MINIMAL)])
def test_a_held_sheet_may_come_back_with_the_separator_of_another_country(
    clinic: Clinic, separator: str, quoting: Literal[0, 1]
) -> None:
    clinic.deliver("cases.csv", CASES_HEAD + "0012;P001;m;1990;31.02.2024;left;ring\n", CASES)
    (sheet,) = export_held(clinic.registry, out=clinic.folder / "held.csv", site="cove")
    page = io.StringIO()
    writer = csv.writer(page, delimiter=separator, quoting=quoting)
    for line in csv.reader(io.StringIO(sheet.read_text(encoding="utf-8-sig"))):
        writer.writerow([cell.replace("31.02.2024", "28.02.2024") for cell in line])
    report = clinic.deliver("back.csv", page.getvalue())
    assert (report.released, report.held, clinic.held()) == (1, 0, [])
    assert clinic.rows('SELECT "case" FROM accepted.cases') == [("0012",)]


def test_a_row_of_a_held_sheet_that_cannot_be_read_is_said_and_stays_held(clinic: Clinic) -> None:
    clinic.deliver("cases.csv", CASES_HEAD + "1;P001;m;1990;31.02.2024;left;ring\n", CASES)
    (sheet,) = export_held(clinic.registry, out=clinic.folder / "held.csv", site="cove")
    report = clinic.deliver("back.csv", sheet.read_text(encoding="utf-8-sig").rstrip() + ",one more\n")
    assert (report.held, report.exit_code) == (1, 1)
    assert report.findings[["file", "row", "code"]].to_numpy().tolist() == [["back.csv", 2, "cell_count"]]
    assert clinic.held() == [(2, "impossible_date")]


def test_a_file_that_no_map_is_meant_for_says_so(clinic: Clinic) -> None:
    with pytest.raises(
        DeliveryError, match=r"That is for files named cases\*\.csv: rename the file, or correct 'match'"
    ):
        clinic.deliver("other.csv", CASES_HEAD, CASES)


def test_a_wrong_code_of_the_site_is_named_in_the_map() -> None:
    with pytest.raises(InputError, match=r"site\.kind: 'clinnic' is no code of kind\. Did you mean 'clinic'\?"):
        read_map(CASES.replace('"clinic"', '"clinnic"').encode(), name="map.toml")


def test_a_preview_names_rows_that_cannot_be_read(tmp_path: Path) -> None:
    file = tmp_path / "cases.csv"
    file.write_bytes(
        CASES_HEAD.encode() + b"1;P001;m;1990;01.02.2024;left;ring\n2;P\xe4;m;1990;1.2.2024;left;ring\n3;P001\n"
    )
    (one,) = preview(file, column_map=read_map(CASES.encode(), name="map.toml"))
    assert [(fault.code, fault.rows) for fault in one.faults] == [("cell_count", (4,)), ("not_utf8", (3,))]
    assert one.n_faulty_rows == 2


def test_a_workbook_with_titles_line_breaks_and_totals_is_proposed_from_its_header(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.append(["A clinic by the sea"])
    sheet.append([])
    sheet.append(["Case ID", "Climber\ncode", "Hand", "Severity", "Injured structures"])
    for n in range(1, 9):
        listed = [("a2", "strain"), ("a2, a3", "partial, partial"), ("a4", "complete")][n % 3]
        sheet.append([f"c{n}", f"P00{n}", "LR"[n % 2], listed[1], listed[0]])
    sheet.append(["Total", 8])
    book.save(tmp_path / "cases.xlsx")
    draft = propose_map(tmp_path / "cases.xlsx", site="cove")
    assert [name for name, *_ in draft.columns] == ["Case ID", "Climber code", "Hand", "Severity", "Injured structures"]
    assert "skip_lines = 2" in draft.text
    assert 'total_rows = ["Total"]' in draft.text
    loaded = read_map(draft.text.encode(), name="draft.toml")
    (one,) = preview(tmp_path / "cases.xlsx", column_map=loaded)
    assert (one.n_rows, one.n_total_rows, one.unused) == (8, 1, ())


def test_a_column_that_waits_behind_marks_is_not_called_unknown(tmp_path: Path) -> None:
    rows = "".join(f"{n};P00{n};a2, a3;partial, strain\n" for n in range(1, 9))
    (tmp_path / "cases.csv").write_text("Case ID;Climber code;Structures;Degree noted\n" + rows, encoding="utf-8")
    asked = [line for line in propose_map(tmp_path / "cases.csv").text.splitlines() if line.startswith("ask = ")]
    about = [line for line in asked if "'Structures'" in line]
    assert len(about) == 1
    assert "may hold the injured structures" in about[0]
