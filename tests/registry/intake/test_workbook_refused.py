"""A workbook is one file: an identifier in one of its sheets sends all of them back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import openpyxl

from registry.intake.report import IntakeReport


def test_an_identifier_in_one_sheet_refuses_the_whole_workbook(
    take_in: Callable[..., IntakeReport], clean: dict[str, str], tmp_path: Path
) -> None:
    clean["cases"] = clean["cases"].replace("full_crimp", "anna.berg@post.example")
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name in ("athletes", "cases"):
        sheet = book.create_sheet(name)
        for line in clean[name].splitlines():
            sheet.append(line.split(","))
    book.save(tmp_path / "spring.xlsx")
    (tmp_path / "sites.csv").write_text(clean["sites"], encoding="utf-8")
    report = take_in([tmp_path / "sites.csv", tmp_path / "spring.xlsx"], dry_run=True)
    assert sorted(refusal.file for refusal in report.refusals) == ["spring.xlsx/athletes", "spring.xlsx/cases"]
    assert [table.table for table in report.tables] == ["sites"]
    assert "anna" not in " ".join(refusal.sentence for refusal in report.refusals)
