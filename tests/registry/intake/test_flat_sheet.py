"""The flat sheet: one row an injured finger, which feeds four tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from registry import open_registry
from registry.intake.holding import held_rows
from registry.intake.report import IntakeReport

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]


def codes(report: IntakeReport) -> list[tuple[str, int, str, str]]:
    frame = report.findings
    return [tuple(row) for row in frame[["file", "row", "column", "code"]].itertuples(index=False)]  # type: ignore[misc]


def count(registry: Path, table: str) -> int:
    with open_registry(registry) as view:
        return len(view.base(table).collect())


def test_a_corrected_sheet_takes_the_place_of_its_earlier_findings(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery({"sites": clean["sites"], "sheet": SHEET}))
    corrected = SHEET.replace("a2:complete; a3:partial", "a3:complete").replace("2024-03-04", "2024-03-06")
    take_in(write_delivery({"sheet": corrected}, name="second"))
    with open_registry(tmp_path / "registry.duckdb") as view:
        rows = view.table("cases").sort("case").collect().to_native().to_pylist()
    assert (rows[0]["structures"], rows[0]["pulley_grade"]) == ("a3", "III")


SHEET = (
    "athlete,age_at_onset,sex,side,digit,onset,first_seen,structures,onset_mode,status,status_on\n"
    "AB20001,31,female,left,ring,2024-03-01,2024-03-04,a2:complete; a3:partial,sudden,full_climbing,2024-07-01\n"
    "AB20001,31,female,right,middle,2024-09-01,,volar_plate(pip):strain,sudden,off_climbing,2024-09-20\n"
    "AB20002,27,male,left,thumb,2024-04-01,2024-04-01,collateral_ulnar(mcp):partial,sudden,full_climbing,2024-05-01\n"
)


def test_the_flat_sheet_feeds_four_tables(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    report = take_in(write_delivery({"sites": clean["sites"], "sheet": SHEET}))
    assert report.findings.empty
    new = {c.table: c.new for c in report.tables}
    assert new == {"sites": 1, "athletes": 2, "cases": 3, "findings": 4, "follow_ups": 3}
    with open_registry(tmp_path / "registry.duckdb") as view:
        cases = view.base("cases").collect().to_native().to_pylist()
    assert {row["case"] for row in cases} >= {"AB20001-20240301-left-ring"}


@pytest.mark.parametrize(
    ("old", "new", "column", "code"),
    [
        ("a2:complete; a3:partial", "a2 complete", "structures", "bad_list"),
        ("a2:complete", "a9:complete", "structures", "unknown_code"),
        ("left,thumb", "left,thum", "digit", "unknown_code"),
        ("collateral_ulnar(mcp)", "a4", "structures", "impossible_structure"),
        ("AB20001,31,female,left", "AB20001,31,male,left", "sex", "climber_differs"),
        ("2024-07-01", "2023-07-01", "status_on", "wrong_order"),
    ],
)
def test_a_sheet_row_is_held_as_a_whole_at_the_sheets_own_column(
    write_delivery: Write, take_in: Take, clean: dict[str, str], old: str, new: str, column: str, code: str
) -> None:
    assert old in SHEET
    report = take_in(write_delivery({"sites": clean["sites"], "sheet": SHEET.replace(old, new, 1)}), dry_run=True)
    assert (column, code) in {(finding[2], finding[3]) for finding in codes(report)}
    assert {finding[0] for finding in codes(report)} == {"sheet.csv"}
    held = {finding[1] for finding in codes(report)}
    assert {c.table: c.new for c in report.tables}["cases"] == 3 - len(held)


def test_a_held_sheet_row_does_not_take_the_climbers_other_rows_with_it(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    bad = SHEET.replace("left,ring", "left,thumb", 1)  # a thumb has no A3; this row also brings the climber
    report = take_in(write_delivery({"sites": clean["sites"], "sheet": bad}))
    assert {(finding[1], finding[3]) for finding in codes(report)} == {(2, "impossible_structure")}
    assert {c.table: c.new for c in report.tables} == {
        "sites": 1, "athletes": 2, "cases": 2, "findings": 2, "follow_ups": 2,
    }  # fmt: skip
    mended = take_in(write_delivery({"sheet": SHEET}, name="mended"))
    assert {c.table: (c.new, c.revised) for c in mended.tables}["cases"] == (1, 0)
    assert held_rows(tmp_path / "registry.duckdb").shape[0] == 1  # the row under its old key waits to be dismissed


def test_a_sheet_row_waits_for_its_held_climber(write_delivery: Write, take_in: Take, clean: dict[str, str]) -> None:
    athletes = "athlete,sex,birth_year\nAB20002,male,97\n"
    report = take_in(write_delivery({"sites": clean["sites"], "athletes": athletes, "sheet": SHEET}))
    assert codes(report) == [
        ("athletes.csv", 2, "birth_year", "not_a_year"), ("sheet.csv", 4, "athlete", "parent_held"),
    ]  # fmt: skip
    assert {c.table: c.new for c in report.tables}["cases"] == 2


def test_the_sheet_follows_a_case_through_its_deliveries(
    write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    take_in(write_delivery({"sites": clean["sites"], "sheet": SHEET}))
    later = SHEET.replace("off_climbing,2024-09-20", "full_climbing,2024-12-20")
    report = take_in(write_delivery({"sheet": later}, name="second"))
    assert {c.table: (c.new, c.revised) for c in report.tables if c.new or c.revised} == {"follow_ups": (1, 0)}
