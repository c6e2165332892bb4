"""A snapshot that lacks earlier rows is reported, never obeyed; what it holds for a reason has not vanished."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from registry import open_registry
from registry.errors import InputError
from registry.intake.report import IntakeReport
from registry.intake.retracting import retract
from registry.store.deliveries import delivered_files, vanished_list

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]
SHEET = (
    "case,athlete,sex,birth_year,onset,side,digit,onset_mode,structures,status,status_on\n"
    "0011,AB10001,female,1990,2024-09-01,right,ring,sudden,a2:complete;a3:partial,off_climbing,2024-09-20\n"
    "0012,AB10002,male,1985,2024-09-02,left,ring,sudden,a2:complete,off_climbing,2024-09-21\n"
    ",AB10003,male,2009,2024-09-03,left,ring,sudden,a2:partial,off_climbing,2024-09-22\n"
)


MADE: dict[str, bytes] = {}
"""The registry that every test begins with, made once."""


@pytest.fixture
def registry(write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> Path:
    path = tmp_path / "registry.duckdb"
    if "registry" in MADE:
        path.write_bytes(MADE["registry"])
        return path
    take_in(write_delivery(clean))
    MADE["registry"] = path.read_bytes()
    return path


def without(text: str, *starts: str) -> str:
    """Drop the rows that begin so; the header is given back in other bytes, so that the file is not known."""
    return "".join(line for line in text.splitlines(keepends=True) if not line.startswith(starts)) + "\n"


def test_only_what_the_snapshot_judges_has_vanished(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    lacking = {
        "cases": without(clean["cases"], "0003"),
        "follow_ups": without(clean["follow_ups"], "0001,2024-06-10", "0003"),
    }
    report = take_in(write_delivery(lacking, name="snapshot"), snapshot=True)
    assert report.vanished == {"cases": 1, "follow_ups": 2}
    listed = vanished_list(registry)
    assert listed[["delivery", "table", "file", "row", "came_in", "key", "now"]].values.tolist() == [
        [2, "cases", "cases.csv", 4, 1, "", "kept"],
        [2, "follow_ups", "follow_ups.csv", 3, 1, "seen=2024-06-10", "kept"],
        [2, "follow_ups", "follow_ups.csv", 6, 1, "seen=2024-07-09", "kept"],
    ]
    with open_registry(registry) as view:
        assert len(view.base("cases").collect()) == 3
    retract(registry, site="north", table="follow_ups", key={"case": "0001", "seen": "2024-06-10"}, because="deleted")
    assert vanished_list(registry, site="north")["now"].tolist() == ["kept", "taken back", "kept"]
    book = delivered_files(registry)
    assert book.groupby("delivery")["vanished"].sum().tolist() == [0, 3, 0]
    assert book.groupby("delivery")["taken_back"].sum().tolist() == [0, 0, 1]


def test_an_increment_says_nothing_of_what_it_lacks(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    assert take_in(write_delivery({"cases": without(clean["cases"], "0003")}, name="more")).vanished == {}


def test_the_period_decides_by_the_rows_own_day(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    none_left = {name: clean[name].splitlines()[0] + "\n" for name in ("cases", "exposure")}
    none_left["cases"] = without(clean["cases"], "0001", "0002")
    none_left["exposure"] = without(clean["exposure"], "AB10001", "AB10002")
    none_left["athletes"] = without(clean["athletes"], "AB10001")
    folder = write_delivery(none_left, name="spring")
    # 0001 began on 1 March, 0002 on 1 May; time over the whole year is no matter of the spring, nor are climbers.
    spring = (date(2024, 3, 1), date(2024, 4, 30))
    assert take_in(folder, snapshot=True, period=spring, dry_run=True).vanished == {"cases": 1}
    year = (date(2024, 1, 1), date(2024, 12, 31))
    assert take_in(folder, snapshot=True, period=year, dry_run=True).vanished == {"exposure": 2, "cases": 2}
    assert take_in(folder, snapshot=True, dry_run=True).vanished == {"athletes": 1, "exposure": 2, "cases": 2}
    with pytest.raises(InputError, match="snapshot only"):
        take_in(folder, period=spring)


@pytest.mark.parametrize(
    ("table", "old", "new"),
    [
        ("cases", "left,ring", "lft,ring"),  # held, its key as before
        ("follow_ups", "0001,2024-06-10", "0001,2024-06-31"),  # a part of the key cannot be read
        ("cases", "0001,AB10001", "1,AB10001"),  # the zeros of the key are lost
        ("findings", "0001,a2", "0001,a2x"),
    ],
)
def test_what_is_held_has_not_vanished(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str], table: str, old: str, new: str
) -> None:
    text = clean[table].replace(old, new, 1)
    assert text != clean[table]
    report = take_in(write_delivery({table: text}, name="spoiled"), snapshot=True, dry_run=True)
    assert report.held == 1
    assert report.vanished == {}


def test_a_flat_sheet_speaks_for_the_tables_that_it_feeds(registry: Path, write_delivery: Write, take_in: Take) -> None:
    sheet = {"sheet": SHEET}
    first = take_in(write_delivery(sheet, name="sheet"))
    assert first.findings.empty
    spoiled = (
        without(SHEET, "0011")
        .replace("2024-09-03,left", "2024-09-33,left")
        .replace("2024-09-02,left", "2024-09-02,lft")
    )
    report = take_in(write_delivery({"sheet": spoiled}, name="later"), snapshot=True)
    assert report.held == 2
    # 0011 is gone with its climber's two structures and a contact; the climber came from another file. The two held
    # rows are passed over with all that they would feed, and so is what other files brought.
    assert report.vanished == {"cases": 1, "findings": 2, "follow_ups": 1}


def test_a_mended_day_of_a_contact_is_told_from_a_later_contact(
    registry: Path, write_delivery: Write, take_in: Take
) -> None:
    take_in(write_delivery({"sheet": SHEET}, name="sheet"))
    later = SHEET.replace("off_climbing,2024-09-20", "modified_climbing,2024-10-20")
    assert take_in(write_delivery({"sheet": later}, name="later"), snapshot=True).vanished == {}
    mended = later.replace("2024-10-20", "2024-10-02")
    assert take_in(write_delivery({"sheet": mended}, name="mended"), snapshot=True).vanished == {"follow_ups": 1}
    assert vanished_list(registry)["key"].tolist() == ["seen=2024-10-20"]


def test_a_row_that_came_back_is_reported_once_a_snapshot(
    registry: Path, write_delivery: Write, take_in: Take, clean: dict[str, str]
) -> None:
    lacking = without(clean["cases"], "0003")
    assert take_in(write_delivery({"cases": lacking}, name="b"), snapshot=True).vanished == {"cases": 1}
    assert take_in(write_delivery({"cases": lacking + "\n"}, name="c"), snapshot=True).vanished == {"cases": 1}
    assert take_in(write_delivery({"cases": clean["cases"] + "\n"}, name="d"), snapshot=True).vanished == {}
    assert vanished_list(registry)["delivery"].tolist() == [2, 3]
