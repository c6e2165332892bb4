"""A sheet of held rows goes out, is mended, and comes back: what is right is released, the rest keeps waiting."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest

from registry import open_registry, take_in
from registry.errors import InputError
from registry.intake.delivery import accept
from registry.intake.holding import dismiss, export_held, held_rows

Writer = Callable[..., Path]
BAD_CASES = (
    "case,athlete,onset,first_seen,side,digit,onset_mode,grip,mechanism\n"
    "0001,AB10001,2024-02-31,2024-03-05,left,ring,sudden,full_crimp,foot_slip\n"
    "0002,AB10002,2024-05-01,2024-05-02,right,midle,sudden,half_crimp,slow_pull\n"
    "0003,AB10003,2024-07-01,2024-07-09,left,middle,repetitive_gradual,not_applicable,none\n"
)


def _sheet(path: Path) -> tuple[list[str], list[dict[str, str]]]:
    with path.open(encoding="utf-8-sig", newline="") as stream:
        reader = csv.DictReader(stream)
        return list(reader.fieldnames or []), list(reader)


def _write(path: Path, header: list[str], rows: list[dict[str, str]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.DictWriter(stream, header)
        writer.writeheader()
        writer.writerows(rows)
    return path


@pytest.fixture
def held(write_delivery: Writer, clean: dict[str, str], tmp_path: Path) -> Path:
    """A registry of one site, two of whose cases wait, and with them their findings and contacts."""
    registry = tmp_path / "registry.duckdb"
    take_in(write_delivery({**clean, "cases": BAD_CASES}), registry=registry, site="north")
    return registry


def _cases(registry: Path) -> list[str]:
    with open_registry(registry) as view:
        return sorted(view.base("cases").collect().to_native().column("case").to_pylist())


def test_half_a_mended_sheet_releases_half_and_the_numbers_stay(held: Path, tmp_path: Path) -> None:
    before = held_rows(held, site="north")
    written = export_held(held, out=tmp_path / "held.csv", site="north")
    cases = next(path for path in written if "cases" in path.name)
    header, rows = _sheet(cases)
    assert header[:4] == ["held_id", "file", "row", "reasons"]
    assert "calendar" in rows[0]["reasons"]
    assert rows[0]["case"] == "'0001"
    rows[0]["onset"] = "2024-03-01"
    report = take_in(_write(tmp_path / "mended.csv", header, rows), registry=held, site="north")
    assert report.released == 4  # the case, its finding and its two contacts
    assert _cases(held) == ["0001", "0003"]
    after = held_rows(held, site="north")
    assert set(after["held_id"]) < set(before["held_id"])
    assert report.findings[["file", "row", "column"]].values.tolist() == [["mended.csv", 3, "digit"]]

    rows[1]["digit"] = "middle"
    report = take_in(_write(tmp_path / "again.csv", header, rows), registry=held, site="north")
    assert held_rows(held, site="north").empty
    assert _cases(held) == ["0001", "0002", "0003"]
    assert report.findings["code"].tolist() == ["not_open"]  # row 2 was released before


def test_a_key_that_was_mended_closes_its_held_row(held: Path, tmp_path: Path) -> None:
    cases = next(p for p in export_held(held, out=tmp_path / "held.csv", site="north") if "cases" in p.name)
    header, rows = _sheet(cases)
    rows[0] |= {"case": "0009", "onset": "2024-03-01"}
    take_in(_write(tmp_path / "mended.csv", header, rows), registry=held, site="north")
    assert _cases(held) == ["0003", "0009"]


def test_a_sheet_that_was_not_changed_changes_nothing(held: Path, tmp_path: Path) -> None:
    before = held_rows(held)
    for path in export_held(held, out=tmp_path / "held.csv", site="north"):
        report = take_in(path, registry=held, site="north")
        assert report.released == 0
    assert held_rows(held)[["held_id", "code"]].values.tolist() == before[["held_id", "code"]].values.tolist()


def test_a_workbook_goes_round(held: Path, tmp_path: Path) -> None:
    import openpyxl

    (path,) = export_held(held, out=tmp_path / "held.xlsx", site="north")
    book = openpyxl.load_workbook(path)
    sheet = book["cases"]
    columns = [cell.value for cell in sheet[1]]
    from datetime import date

    sheet.cell(2, columns.index("onset") + 1).value = date(2024, 3, 1)
    book.save(tmp_path / "mended.xlsx")
    report = take_in(tmp_path / "mended.xlsx", registry=held, site="north")
    assert report.released == 4
    assert _cases(held) == ["0001", "0003"]


def test_rows_of_another_site_cannot_be_mended(held: Path, write_delivery: Writer, tmp_path: Path) -> None:
    from registry.errors import DeliveryError

    cases = next(p for p in export_held(held, out=tmp_path / "held.csv", site="north") if "cases" in p.name)
    with pytest.raises(DeliveryError, match="not known yet"):
        take_in(cases, registry=held, site="south")


def test_an_identifier_in_a_mended_sheet_refuses_it_whole(held: Path, tmp_path: Path) -> None:
    cases = next(p for p in export_held(held, out=tmp_path / "held.csv", site="north") if "cases" in p.name)
    header, rows = _sheet(cases)
    rows[0] |= {"onset": "2024-03-01", "athlete": "Quendel Hofer"}
    report = take_in(_write(tmp_path / "mended.csv", header, rows), registry=held, site="north")
    assert len(report.refusals) == 1
    assert "Quendel" not in report.refusals[0].sentence
    assert _cases(held) == ["0003"]


def test_a_reason_that_only_a_mend_closes_cannot_be_accepted(held: Path) -> None:
    first = int(held_rows(held)["held_id"].iloc[0])
    with pytest.raises(InputError, match="only a mend can close"):
        accept(held, held_id=first, because="looked at it")


def test_a_likely_duplicate_is_accepted_with_a_reason(
    write_delivery: Writer, clean: dict[str, str], tmp_path: Path
) -> None:
    registry = tmp_path / "registry.duckdb"
    take_in(write_delivery(clean), registry=registry, site="north")
    again = tmp_path / "cases.csv"
    again.write_text(
        "case,athlete,onset,first_seen,side,digit,onset_mode\n0011,AB10001,2024-03-06,2024-03-07,left,ring,sudden\n"
    )
    take_in(again, registry=registry, site="north")
    rows = held_rows(registry)
    assert rows["code"].tolist() == ["likely_duplicate"]
    report = accept(registry, held_id=int(rows["held_id"].iloc[0]), because="seen twice, two injuries", taken_by="ab")
    assert report.released == 1
    assert held_rows(registry).empty
    assert "0011" in _cases(registry)


def test_a_dismissal_needs_a_reason_without_a_person_in_it(held: Path) -> None:
    first = int(held_rows(held)["held_id"].iloc[0])
    for because in ("", "x" * 121, "ask anna.berg@post.example"):
        with pytest.raises(InputError, match=r"because|person"):
            dismiss(held, held_id=first, because=because)
    dismiss(held, held_id=first, because="typed twice")
    assert first not in set(held_rows(held)["held_id"])
