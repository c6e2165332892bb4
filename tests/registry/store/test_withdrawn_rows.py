"""Rows of a climber who has withdrawn that are delivered again: said by file and row, and nothing of them is kept."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from registry import freeze, open_registry
from registry.errors import InputError
from registry.store.withdrawing import withdraw

Write = Callable[..., Path]
Take = Callable[..., Any]
CLIMBER, CASE = "AB10001", "0001"


@pytest.fixture
def left(without_deriving: None, write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> Path:
    """A registry with recognisable case keys, which one of three climbers has left."""
    for table in ("cases", "findings", "follow_ups"):
        clean[table] = clean[table].replace("\n000", "\nX700")
    take_in(write_delivery(clean, name="first"))
    withdraw(tmp_path / "registry.duckdb", site="north", athlete=CLIMBER)
    return tmp_path / "registry.duckdb"


def said(report: Any) -> list[tuple[str, int, str]]:
    found = report.findings[report.findings["severity"] == "hold"]
    return sorted(zip(found["file"], (int(row) for row in found["row"]), found["code"], strict=True))


def assert_gone(path: Path, *words: str) -> None:
    data = path.read_bytes()
    assert not path.with_name(f"{path.name}.wal").exists()
    for word in words:
        assert word.encode() not in data, word


def test_what_hangs_on_a_case_that_left_is_not_kept(left: Path, write_delivery: Write, take_in: Take) -> None:
    text = "case,seen,status\nX7001,2024-08-01,full_climbing\nX7002,2024-08-01,full_climbing\nX7044,2024-08-01,nose\n"
    report = take_in(write_delivery({"follow_ups": text}, name="later"))
    found = said(report)
    assert [one for one in found if one[1] == 2] == [("follow_ups.csv", 2, "withdrawn")]
    assert {row for _, row, _ in found} == {2, 4}
    assert_gone(left, "X7001", CLIMBER)
    with open_registry(left) as view:
        cases = [row["case"] for row in view.base("follow_ups").collect().rows(named=True)]
    assert cases.count("X7002") == 3


def test_a_case_row_without_its_climber_is_not_kept_either(left: Path, write_delivery: Write, take_in: Take) -> None:
    text = "case,athlete,onset,side,digit,onset_mode\nX7001, ,2024-03-01,left,ring,sudden\n"
    assert said(take_in(write_delivery({"cases": text}, name="later"))) == [("cases.csv", 2, "withdrawn")]
    assert_gone(left, "X7001")


def test_a_number_that_the_site_gives_to_another_case_comes_in(
    left: Path, write_delivery: Write, take_in: Take
) -> None:
    texts = {
        "cases": "case,athlete,onset,side,digit,onset_mode\nX7001,AB10002,2025-03-01,left,ring,sudden\n",
        "follow_ups": "case,seen,status\nX7001,2025-03-05,off_climbing\n",
    }
    assert said(take_in(write_delivery(texts, name="same time"))) == []
    later = {"follow_ups": "case,seen,status\nX7001,2025-06-05,full_climbing\n"}
    assert said(take_in(write_delivery(later, name="later"))) == []


def test_a_key_that_was_made_of_the_climber_tells_the_climber(left: Path, write_delivery: Write, take_in: Take) -> None:
    text = f"case,seen,status\n{CLIMBER}-20250101-left-ring,2025-02-01,full_climbing\n"
    assert said(take_in(write_delivery({"follow_ups": text}, name="later"))) == [("follow_ups.csv", 2, "withdrawn")]
    assert_gone(left, CLIMBER)


def test_a_mended_sheet_cannot_bring_the_climber_back(
    left: Path, write_delivery: Write, take_in: Take, tmp_path: Path
) -> None:
    text = "case,athlete,onset,side,digit,onset_mode\nX7009,AB10099,2024-03-01,left,nose,sudden\n"
    take_in(write_delivery({"cases": text}, name="later"))
    with duckdb.connect(str(left), read_only=True) as connection:
        ((held_id,),) = connection.execute("SELECT held_id FROM held WHERE standing = 'open'").fetchall()
    sheet = tmp_path / "mended.csv"
    sheet.write_text(f"held_id,case,athlete\n{held_id},X7009,{CLIMBER}\n", encoding="utf-8")
    assert said(take_in(sheet)) == [("mended.csv", 2, "withdrawn")]
    assert_gone(left, CLIMBER)
    with duckdb.connect(str(left), read_only=True) as connection:
        for table in ("held", "held_reasons", "held_edits"):
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchall() == [(0,)]


def test_a_registry_of_an_early_build_gets_the_book_of_cases(
    without_deriving: None, write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    path = tmp_path / "registry.duckdb"
    take_in(write_delivery(clean, name="first"))
    with duckdb.connect(str(path)) as connection:
        connection.execute("DROP TABLE withdrawn_cases")
    withdraw(path, site="north", athlete=CLIMBER)
    with duckdb.connect(str(path), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM withdrawn_cases").fetchall() == [(1,)]


@pytest.mark.parametrize("who", ["Anna Berg", f"for {CLIMBER}"])
def test_who_withdraws_is_not_named(
    without_deriving: None, write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, who: str
) -> None:
    take_in(write_delivery(clean, name="first"))
    before = (tmp_path / "registry.duckdb").read_bytes()
    with pytest.raises(InputError, match="initials or a role"):
        withdraw(tmp_path / "registry.duckdb", site="north", athlete=CLIMBER, taken_by=who)
    assert (tmp_path / "registry.duckdb").read_bytes() == before


def test_kept_copies_go_when_the_registry_is_named_from_its_own_folder(
    left: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    copy = tmp_path / "registry.schema-1.duckdb"
    copy.write_bytes(b"AB10002")
    monkeypatch.chdir(tmp_path)
    outcome = withdraw(Path("registry.duckdb"), site="north", athlete="AB10002")
    assert [path.name for path in outcome.copies] == [copy.name]
    assert not copy.exists()


def test_a_freeze_without_a_noted_folder_is_looked_for_beside_the_registry(
    without_deriving: None, write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    path = tmp_path / "registry.duckdb"
    take_in(write_delivery(clean, name="first"))
    freeze("season", registry=path)
    with duckdb.connect(str(path)) as connection:
        connection.execute("UPDATE freezes SET folder = NULL")
    outcome = withdraw(path, site="north", athlete=CLIMBER)
    assert [one.new.name for one in outcome.freezes] == ["season.2"]
    assert outcome.left == []
