"""``verify`` names the table, the row and the delivery of whatever was touched, and never a cell."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from registry import freeze, open_freeze
from registry.commands.keeping import COMMANDS
from registry.errors import NotARegistryError
from registry.store.connection import connect
from registry.store.verifying import Mismatch, verify_registry

Tools = dict[str, Callable[..., Any]]


def keeping() -> typer.Typer:
    app = typer.Typer()
    for name, command in COMMANDS:
        app.command(name)(command)
    return app


@pytest.fixture(autouse=True)
def _left_out(request: pytest.FixtureRequest) -> None:
    if "deriv" not in request.node.name and "intake" not in request.node.name:
        request.getfixturevalue("without_deriving")


def touch(registry: Path, statement: str) -> list[Mismatch]:
    with connect(registry, write=True) as connection:
        connection.execute(statement)
    found = verify_registry(registry).mismatches
    assert not any("AB1000" in m.what or "1985" in m.what for m in found)
    return found


def row_of(registry: Path, table: str, where: str) -> tuple[int, int]:
    with connect(registry, write=False) as connection:
        (row,) = connection.execute(f"SELECT row_id, delivery FROM accepted.{table} WHERE {where}").fetchall()
    return row


def test_what_an_intake_made_matches(
    write_delivery: Callable[..., Path], take_in: Callable[..., Any], clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    take_in(write_delivery({"cases": clean["cases"].replace("right,middle", "left,middle")}, name="second"))
    outcome = verify_registry(tmp_path / "registry.duckdb")
    assert outcome.mismatches == []
    assert dict(outcome.checked)["rows of cases"] == 4


def test_a_touched_cell_is_named_by_its_row(registry: Path) -> None:
    row, delivery = row_of(registry, "athletes", "athlete = 'AB10002'")
    found = touch(registry, "UPDATE accepted.athletes SET birth_year = 1984 WHERE athlete = 'AB10002'")
    assert ("athletes", row, delivery) in [(m.where, m.row, m.delivery) for m in found]
    assert any("do not fit their checksum" in m.what for m in found)


def test_a_touched_cell_with_a_mended_hash_is_still_found(registry: Path) -> None:
    found = touch(registry, "UPDATE accepted.athletes SET athlete = 'AB10009', content = 'x' WHERE athlete = 'AB10002'")
    assert any(m.where == "athletes" and m.row is None and "do not fit" in m.what for m in found)


def test_touched_received_text_is_named_by_its_row(registry: Path) -> None:
    row, delivery = row_of(registry, "athletes", "athlete = 'AB10002'")
    found = touch(registry, f"UPDATE received.athletes SET birth_year = '1984' WHERE row_id = {row}")
    assert [(m.where, m.row, m.delivery) for m in found] == [("athletes", None, delivery), ("athletes", row, delivery)]


def test_a_row_that_is_gone_is_counted(registry: Path) -> None:
    row, delivery = row_of(registry, "athletes", "athlete = 'AB10002'")
    found = touch(registry, f"DELETE FROM accepted.athletes WHERE row_id = {row}")
    assert Mismatch("athletes", None, delivery, "3 rows taken in were entered, 2 are there") in found
    assert any(m.row == row and "no such row was taken in" in m.what for m in found)


@pytest.mark.parametrize("target", ["999999", "row_id", "(SELECT max(row_id) FROM accepted.cases)"])
def test_a_revision_that_leads_nowhere(registry: Path, target: str) -> None:
    row, delivery = row_of(registry, "cases", "\"case\" = '0001'")
    found = touch(registry, f"UPDATE accepted.cases SET superseded_by = {target} WHERE row_id = {row}")
    named = {(m.where, m.row, m.delivery) for m in found if "no later row of its key" in m.what}
    assert named == {("cases", row, delivery)}


def test_a_superseded_row_that_is_current_again(registry: Path) -> None:
    found = touch(registry, "UPDATE accepted.cases SET superseded_by = NULL")
    assert any(m.where == "cases" and "more than one row of its key is current" in m.what for m in found)


def test_touched_derived_tables(registry: Path) -> None:
    found = touch(registry, "UPDATE derived.cases SET digit = 'thumb' WHERE \"case\" = '0001'")
    assert [(m.where, m.what[:13]) for m in found] == [("derived cases", "2 rows differ")]


def test_freezes_are_verified(registry: Path) -> None:
    frozen = freeze("season", registry=registry)
    csv = frozen.folder / "data" / "cases.csv"
    csv.write_text(csv.read_text(encoding="utf-8").replace("ring", "index"), encoding="utf-8")
    (found,) = verify_registry(registry).mismatches
    assert found.where == "freeze season"
    assert "data/cases.csv is missing, strange" in found.what


def test_another_freeze_under_a_known_name(registry: Path, take_in: Callable[..., Any], tmp_path: Path) -> None:
    freeze("season", registry=registry)
    with connect(registry, write=True) as connection:
        connection.execute("UPDATE freezes SET content_hash = 'another'")
    (found,) = verify_registry(registry).mismatches
    assert "not the one that the registry noted" in found.what


def test_a_freeze_that_was_moved_is_a_remark(registry: Path, tmp_path: Path) -> None:
    frozen = freeze("season", registry=registry)
    frozen.folder.rename(tmp_path / "season")
    outcome = verify_registry(registry, freezes=tmp_path)
    assert outcome.mismatches == []
    assert "is not at" in outcome.remarks[0]
    assert ("freeze season", 1) in outcome.checked


def test_a_freeze_of_an_earlier_dictionary_opens(registry: Path) -> None:
    import duckdb

    frozen = freeze("season", registry=registry)
    parquet = frozen.folder / "data" / "athletes.parquet"
    duckdb.execute(f"CREATE OR REPLACE TEMP TABLE shorter AS SELECT * EXCLUDE level FROM read_parquet('{parquet}')")
    duckdb.execute(f"COPY shorter TO '{parquet}' (FORMAT parquet)")
    with open_freeze(frozen.folder, verify=False) as view:
        assert view.base("athletes").collect("pandas").to_native()["level"].isna().all()


def test_flipped_bytes_are_never_an_unknown_error(registry: Path, tmp_path: Path) -> None:
    """Every block of the file is damaged in turn: refused, named, or in a part that nothing reads."""
    whole, block = registry.read_bytes(), 262144
    damaged, named = tmp_path / "damaged.duckdb", 0
    places = range(0, len(whole), block * max(1, len(whole) // block // 4))
    for place in places:
        middle = min(place + 700, len(whole) - 9)
        damaged.write_bytes(whole[:middle] + bytes(8 * [0xA5]) + whole[middle + 8 :])
        try:
            named += bool(verify_registry(damaged).mismatches)
        except NotARegistryError:
            named += 1
    assert named > 0


def test_the_command_says_what_does_not_match(registry: Path) -> None:
    run = CliRunner().invoke(keeping(), ["verify", str(registry)])
    assert (run.exit_code, "Everything matches" in run.stderr) == (0, True)
    touch(registry, "UPDATE accepted.athletes SET birth_year = 1984 WHERE athlete = 'AB10002'")
    run = CliRunner().invoke(keeping(), ["verify", str(registry)])
    assert run.exit_code == 1
    assert "its cells do not fit its checksum" in run.stdout
    assert "AB10002" not in run.output
    run = CliRunner().invoke(keeping(), ["verify", str(registry), "--json"])
    assert '"where": "athletes"' in run.stdout


def test_verifying_changes_nothing(registry: Path, tools: Tools) -> None:
    before = tools["sha256"](registry), sorted(os.listdir(registry.parent))
    verify_registry(registry)
    assert (tools["sha256"](registry), sorted(os.listdir(registry.parent))) == before
