"""A withdrawn consent: nothing of the climber is found in the file's bytes, in kept copies or in freezes."""

from __future__ import annotations

import json
import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import duckdb
import pytest
import typer
from typer.testing import CliRunner

from registry import freeze, open_freeze, open_registry
from registry.commands.keeping import COMMANDS
from registry.errors import InputError, RegistryFileError
from registry.store.connection import connect
from registry.store.migration import kept_copies, open_current
from registry.store.verifying import verify_registry
from registry.store.withdrawing import Withdrawal, is_withdrawn, withdraw, withdrawn_condition

Tools = dict[str, Callable[..., Any]]


def keeping() -> typer.Typer:
    app = typer.Typer()
    for name, command in COMMANDS:
        app.command(name)(command)
    return app


CLIMBER, CASE = "AB10001", "X7001"
OTHER = "AB10002"
TEXTS = {
    "sites": "site,kind,case_definition,consecutive,exposure_method,pseudonym_pattern\n"
    "north,clinic,medical_attention,yes,logged,[A-Z]{2}[0-9]{5}\n",
    "athletes": "athlete,sex,birth_year\nAB10001,female,1990\nAB10002,male,1985\n",
    "observation": "athlete,squad,starts_on,ends_on,climbers\nAB10001,,2024-01-01,2024-12-31,\n"
    "AB10002,,2024-01-01,2024-12-31,\n,SQ10001,2024-01-01,2024-12-31,9\n",
    "exposure": "athlete,squad,starts_on,ends_on,discipline,setting,context,minutes_total,climbers\n"
    "AB10001,,2024-01-01,2024-12-31,bouldering,indoor,training,12000,\n"
    "AB10002,,2024-01-01,2024-12-31,lead,outdoor,recreation,9000,\n"
    ",SQ10001,2024-01-01,2024-12-31,lead,indoor,training,90000,9\n",
    "cases": "case,athlete,onset,first_seen,side,digit,onset_mode\n"
    "X7001,AB10001,2024-03-01,2024-03-05,left,ring,sudden\nX7002,AB10002,2024-05-01,2024-05-02,right,middle,sudden\n",
    "findings": "case,structure,extent,seen_by,found_on\nX7001,a2,complete,ultrasound,2024-03-05\n"
    "X7002,a4,partial,ultrasound,2024-05-02\n",
    "follow_ups": "case,seen,status\nX7001,2024-03-05,off_climbing\nX7002,2024-05-02,modified_climbing\n",
    "readings": "case,reader,grade,read_on\nX7001,reader_a,3,2024-03-06\n",
    "referents": "referent,athlete,unit,sampling,happened_on\nR1,AB10001,session,unmatched,2024-02-01\n"
    "R2,AB10002,session,unmatched,2024-02-01\n",
}
HELD = {
    "cases": "case,athlete,onset,first_seen,side,digit,onset_mode\n"
    "X7009,AB10001,2024-13-41,,left,ring,sudden\nX7001,AB10001,2024-03-02,,left,nose,sudden\n"
    "X7008,AB10002,2024-13-41,,left,ring,sudden\n",
    "findings": "case,structure,extent,seen_by\nX7009,a2,complete,ultrasound\n",
}


@pytest.fixture(scope="module")
def full_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Make a registry in which the climber stands in every table, in a revision, and among the held rows."""
    from registry import take_in

    home = tmp_path_factory.mktemp("full")
    revised = {"cases": TEXTS["cases"].replace("left,ring", "right,ring")}
    for name, texts in (("first", TEXTS), ("second", revised), ("held", HELD)):
        (home / name).mkdir()
        for table, text in texts.items():
            (home / name / f"{table}.csv").write_text(text, encoding="utf-8")
        take_in(home / name, registry=home / "registry.duckdb", site="north")
    with connect(home / "registry.duckdb", write=True) as connection:
        from registry.store.checksums import write_all_checksums

        write_all_checksums(connection)
    return home / "registry.duckdb"


@pytest.fixture
def full(full_once: Path, tmp_path: Path) -> Path:
    path = tmp_path / "registry.duckdb"
    path.write_bytes(full_once.read_bytes())
    path.chmod(0o600)
    return path


@pytest.fixture(autouse=True)
def _left_out(request: pytest.FixtureRequest) -> None:
    if "done" not in request.fixturenames:
        request.getfixturevalue("without_deriving")


def bytes_beside(path: Path) -> dict[str, bytes]:
    """All files beside a registry and below, the hidden ones included."""
    return {str(file): file.read_bytes() for file in path.parent.rglob("*") if file.is_file()}


def cells_of(path: Path) -> set[str]:
    """Every text that a registry holds, with the JSON of held rows taken apart."""
    found: set[str] = set()
    with duckdb.connect(str(path), read_only=True) as connection:
        tables = connection.execute("SELECT schema_name, table_name FROM duckdb_tables()").fetchall()
        for room, name in tables:
            for row in connection.execute(f"FROM {room}.{name}").fetchall():
                for cell in row:
                    text = str(cell)
                    found |= set(json.loads(text).values()) if text.startswith("{") else {text}
    return found


@dataclass(frozen=True)
class Done:
    """A registry that was brought up to date, frozen, and left by the climber."""

    path: Path
    before: bytes
    old: Path
    outcome: Withdrawal


@pytest.fixture(scope="module")
def done(full_once: Path, tmp_path_factory: pytest.TempPathFactory, kept_tools: Tools) -> Done:
    path = tmp_path_factory.mktemp("done") / "registry.duckdb"
    path.write_bytes(full_once.read_bytes())
    path.chmod(0o600)
    kept_tools["turn"](path)
    old = freeze("season", registry=path).folder
    assert len(kept_copies(path)) == 1
    before = path.read_bytes()
    return Done(path, before, old, withdraw(path, site="north", athlete=CLIMBER, because="asked", taken_by="kb"))


def test_nothing_is_left_in_any_byte(done: Done) -> None:
    for word in (CLIMBER, CASE, "X7009"):
        assert word.encode() in done.before, "the search itself must be able to find it"
    assert done.outcome.rows == {
        "athletes": 1, "observation": 1, "exposure": 1, "cases": 2, "findings": 1, "readings": 1, "follow_ups": 1,
        "referents": 1, "held": 3,
    }  # fmt: skip
    for name, data in bytes_beside(done.path).items():
        for word in (CLIMBER, CASE, "X7009"):
            assert word.encode() not in data, (name, word)
    assert not {CLIMBER, CASE, "X7009"} & cells_of(done.path)
    assert {OTHER, "X7002", "X7008", "SQ10001"} <= cells_of(done.path)
    assert done.path.stat().st_mode & 0o077 == 0
    assert sorted(child.name for child in done.path.parent.iterdir()) == ["freezes", "registry.duckdb"]


def test_what_stays_is_whole(done: Done) -> None:
    outcome = verify_registry(done.path)
    assert outcome.mismatches == []
    assert "was superseded by season.2" in outcome.remarks[0]
    with open_registry(done.path) as view:
        assert [row["climber"] for row in view.table("cases").collect().rows(named=True)] == [f"north:{OTHER}"]
        assert len(view.table("risk_time").collect()) == 2
        assert view.held()["n"].sum() == 1
    with connect(done.path, write=False) as connection:
        kept = connection.execute("SELECT kind, taken_by FROM deliveries ORDER BY delivery DESC LIMIT 1").fetchall()
        assert kept == [("withdrawal", "kb")]
        assert connection.execute("SELECT because FROM retractions").fetchall() == [("asked",)]
        assert connection.execute("SELECT rows_removed FROM withdrawals").fetchall() == [(12,)]


def test_freezes_are_reissued_and_the_old_ones_say_so(done: Done) -> None:
    (one,) = done.outcome.freezes
    assert (one.old, one.new.name) == (done.old.resolve(), "season.2")
    assert [path.name for path in done.old.iterdir()] == ["superseded.json"]
    with pytest.raises(RegistryFileError, match=r"was superseded by season\.2 \(a consent was withdrawn\)"):
        open_freeze(done.old)
    with open_freeze(one.new) as view:
        assert [row["climber"] for row in view.table("cases").collect().rows(named=True)] == [f"north:{OTHER}"]
        assert view.identity["content_hash"] == one.new_hash
    anew = freeze("anew", registry=done.path, out=done.path.parent / "other")
    assert anew.content_hash == one.new_hash, "the same rows give the same identity"


def test_kept_copies_are_gone(done: Done) -> None:
    assert [copy.name for copy in done.outcome.copies] == ["registry.schema-1.duckdb"]
    assert not done.outcome.copies[0].exists()


def test_later_rows_of_the_climber_are_recognised(done: Done, full: Path) -> None:
    with connect(full, write=False) as connection:
        assert withdrawn_condition(connection, site="north") == ""
    with connect(done.path, write=False) as connection:
        condition = withdrawn_condition(connection, site="north")
        rows = connection.execute(
            f"SELECT athlete FROM (VALUES ('AB10001'), ('AB10002'), (NULL)) AS t(athlete) WHERE {condition}"
        ).fetchall()
        assert rows == [(CLIMBER,)]
        assert is_withdrawn(connection, site="north", athlete=CLIMBER)
        assert not is_withdrawn(connection, site="south", athlete=CLIMBER)


def test_a_touched_checksum_is_not_mended_on_the_way(full: Path) -> None:
    with connect(full, write=True) as connection:
        connection.execute("UPDATE accepted.athletes SET birth_year = 1984 WHERE athlete = 'AB10002'")
    withdraw(full, site="north", athlete=CLIMBER)
    found = verify_registry(full).mismatches
    assert any(m.where == "athletes" and m.row is not None for m in found)
    assert any(m.where == "athletes" and m.row is None for m in found)


def test_a_file_named_for_the_climber_is_renamed_in_the_books(full: Path, tmp_path: Path) -> None:
    with connect(full, write=True) as connection:
        connection.execute("UPDATE files SET file = 'cases AB10001.csv' WHERE table_name = 'cases'")
        connection.execute("UPDATE accepted.sites SET file = 'AB100010.csv'")
    withdraw(full, site="north", athlete=CLIMBER)
    cells = cells_of(full)
    assert "cases [withdrawn].csv" in cells
    assert "AB100010.csv" in cells


def test_a_case_that_was_first_filed_under_the_wrong_climber(full: Path, tmp_path: Path) -> None:
    """Its first revision goes with the climber that it named; the case stays with whom it belongs to."""
    from registry import take_in

    (tmp_path / "cases.csv").write_text(TEXTS["cases"].replace("X7001,AB10001", "X7001,AB10002"), encoding="utf-8")
    take_in(tmp_path / "cases.csv", registry=full, site="north")
    (tmp_path / "cases.csv").unlink()
    withdraw(full, site="north", athlete=CLIMBER)
    assert CLIMBER not in cells_of(full)
    with open_registry(full) as view:
        assert sorted(row["case"] for row in view.base("cases").collect().rows(named=True)) == ["X7001", "X7002"]
        assert len(view.base("findings").collect()) == 2


def test_a_reissued_freeze_is_reissued_again(full: Path) -> None:
    freeze("season", registry=full)
    withdraw(full, site="north", athlete=CLIMBER)
    (again,) = withdraw(full, site="north", athlete=OTHER).freezes
    assert (again.old.name, again.new.name) == ("season.2", "season.3")


def test_a_freeze_elsewhere_is_named_by_its_folder(full: Path, tmp_path: Path) -> None:
    old = freeze("season", registry=full)
    moved = tmp_path / "archive" / "season"
    moved.parent.mkdir()
    old.folder.rename(moved)
    outcome = withdraw(full, site="north", athlete=CLIMBER)
    assert outcome.freezes == []
    assert "freeze season was not found" in outcome.left[0]
    outcome = withdraw(full, site="north", athlete=CLIMBER, freezes=moved.parent)
    assert (outcome.rows, outcome.freezes[0].new.name) == ({}, "season.2")
    assert [path.name for path in moved.iterdir()] == ["superseded.json"]
    assert not any(CLIMBER.encode() in data for data in bytes_beside(full).values())


def test_a_touched_freeze_is_not_reissued(full: Path) -> None:
    old = freeze("season", registry=full)
    (old.folder / "data" / "cases.csv").write_text("touched", encoding="utf-8")
    outcome = withdraw(full, site="north", athlete=CLIMBER)
    assert outcome.freezes == []
    assert "could not be re-issued and may hold the climber; delete it" in outcome.left[0]


@pytest.mark.parametrize(
    "place",
    [
        pytest.param("registry.store.withdrawing.rewrite", marks=pytest.mark.slow),
        pytest.param("registry.store.rewriting._copy", marks=pytest.mark.slow),
        "registry.store.rewriting._complete",
        "registry.store.rewriting._sync_folder",
        pytest.param("registry.store.withdrawing.supersede", marks=pytest.mark.slow),
        "registry.store.reissuing.empty_superseded",
        pytest.param("registry.store.withdrawing._remove_copies", marks=pytest.mark.slow),
    ],
)
def test_killed_at_any_moment_it_is_whole_and_can_be_finished(full: Path, tools: Tools, place: str) -> None:
    tools["turn"](full)
    open_current(full, write=True).close()
    freeze("season", registry=full)
    code = (
        "import importlib, os, signal, sys\nfrom registry.store.withdrawing import withdraw\n"
        f"room, name = {place.rpartition('.')[0]!r}, {place.rpartition('.')[2]!r}\n"
        "module = importlib.import_module(room)\n"
        "def die(*given, **named):\n    os.kill(os.getpid(), signal.SIGKILL)\n"
        "setattr(module, name, die)\n"
        "import registry.store.rewriting as w, registry.store.reissuing as r\n"
        "w.store_derived = r.store_derived = lambda connection, places: [\n"
        "    connection.execute(f'CREATE OR REPLACE TABLE {place} (nothing INTEGER)') for place in places.values()]\n"
        "withdraw(sys.argv[1], site='north', athlete='AB10001')\n"
    )
    assert tools["run"](code, full).returncode == -signal.SIGKILL
    with open_registry(full) as view:
        assert len(view.base("cases").collect()) in {1, 2}
    withdraw(full, site="north", athlete=CLIMBER)
    for name, data in bytes_beside(full).items():
        assert CLIMBER.encode() not in data, name
    outcome = verify_registry(full)
    assert outcome.mismatches == []
    assert sorted(child.name for child in full.parent.iterdir()) == ["freezes", "registry.duckdb"]
    assert sorted(child.name for child in (full.parent / "freezes").iterdir()) == ["season", "season.2"]


def test_who_is_nobody(full: Path, tools: Tools) -> None:
    before = tools["sha256"](full)
    with pytest.raises(InputError, match="that is a squad, not a climber"):
        withdraw(full, site="north", athlete="SQ10001")
    with pytest.raises(InputError, match="no row of that site names this climber"):
        withdraw(full, site="north", athlete="AB77777")
    with pytest.raises(InputError, match="has never delivered anything"):
        withdraw(full, site="south", athlete=CLIMBER)
    assert tools["sha256"](full) == before


def test_a_link_to_the_registry_is_followed(full: Path, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    link = tmp_path / "elsewhere" / "link.duckdb"
    link.symlink_to(full)
    withdraw(link, site="north", athlete=CLIMBER)
    assert link.is_symlink()
    assert not any(CLIMBER.encode() in data for data in bytes_beside(full).values())


def test_the_command_asks_again_and_says_what_stays(full: Path, tools: Tools) -> None:
    call = ["withdraw", CLIMBER, "--registry", str(full), "--site", "north"]
    before = tools["sha256"](full)
    run = CliRunner().invoke(keeping(), call, input="AB10002\n")
    assert run.exit_code != 0
    assert "not the same pseudonym" in str(run.exception)
    assert tools["sha256"](full) == before
    run = CliRunner().invoke(keeping(), call, input=f"{CLIMBER}\n")
    assert run.exit_code == 0
    assert "cannot be recalled" in run.stderr
    assert run.stdout.count(CLIMBER) == 1, "the echo of what was typed, and nothing else"
    run = CliRunner().invoke(keeping(), [*call, "--yes"])
    assert "held no row of this climber any more" in run.stdout


MAP = """
[map]
format = 1
site = "north"
[[rows]]
table = "cases"
[rows.fields]
case = "Fallnr"
athlete = "Patient"
digit = "Finger"
onset = "Tag"
side = "Seite"
onset_mode = { constant = "unknown" }
"""


def test_held_rows_in_foreign_columns_and_their_earlier_cells(full: Path) -> None:
    held = [
        (901, {"Patient": f" {CLIMBER}", "Fallnr": "F1", "Finger": "?"}),
        (902, {"Fallnr": "F1", "Finger": "?"}),
        (903, {"Patient": OTHER, "Fallnr": "F2", "Finger": "?"}),
        (904, {"Patient": OTHER, "Fallnr": "F1", "Finger": "?"}),
    ]
    with connect(full, write=True) as connection:
        connection.execute("INSERT INTO maps VALUES ('hash', 'north', 'harbour', ?)", [MAP])
        for held_id, cells in held:
            connection.execute(
                "INSERT INTO held VALUES (?, 1, 'north', 'mapped', 'f.csv', 2, ?, 'open', NULL, NULL, 'hash')",
                [held_id, json.dumps(cells)],
            )
        connection.execute("INSERT INTO held_edits VALUES (903, 2, ?), (903, 3, ?)", [json.dumps(held[0][1]), "{}"])
    withdraw(full, site="north", athlete=CLIMBER)
    with connect(full, write=False) as connection:
        kept = connection.execute("SELECT held_id FROM held WHERE held_id > 900 ORDER BY 1").fetchall()
        assert kept == [(903,), (904,)], "a case number that another climber's row carries is not taken for this one's"
        assert connection.execute("SELECT held_id, delivery FROM held_edits").fetchall() == [(903, 3)]
    assert CLIMBER.encode() not in full.read_bytes()
