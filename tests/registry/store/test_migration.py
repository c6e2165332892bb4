"""A registry of an earlier release opens with any command, after a copy was kept; nothing is half migrated."""

from __future__ import annotations

import shutil
import signal
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import duckdb
import pytest

from registry import freeze, open_registry
from registry.errors import NotARegistryError
from registry.store.connection import connect
from registry.store.migration import kept_copies, open_current
from registry.store.schema import SCHEMA_VERSION, content_hash
from registry.store.verifying import verify_registry

Tools = dict[str, Callable[..., Any]]


def test_an_old_registry_opens_and_keeps_its_rows(old_registry: Path, tools: Tools) -> None:
    with open_registry(old_registry) as view:
        assert len(view.base("cases").collect()) == 3
        assert list(view.held()["n"]) == [1]
    assert tools["meta"](old_registry, "schema_version") == str(SCHEMA_VERSION)
    with duckdb.connect(str(old_registry), read_only=True) as connection:
        assert connection.execute("SELECT DISTINCT kind, taken_by FROM deliveries").fetchall() == [("increment", None)]
        assert connection.execute("SELECT DISTINCT our_table, field FROM held_reasons").fetchall() == [
            ("cases", "athlete")
        ]
        assert connection.execute("SELECT DISTINCT map FROM files").fetchall() == [("",)]
    outcome = verify_registry(old_registry)
    assert outcome.mismatches == []


def test_a_copy_is_kept_for_its_owner_only(old_registry: Path, tools: Tools) -> None:
    open_current(old_registry, write=True).close()
    (copy,) = kept_copies(old_registry)
    assert copy.name == "registry.schema-1.duckdb"
    assert copy.stat().st_mode & 0o077 == 0
    assert tools["meta"](copy, "schema_version") == "1"
    with duckdb.connect(str(copy), read_only=True) as connection:
        assert connection.execute("SELECT count(*) FROM accepted.cases").fetchall() == [(4,)]
    assert not list(old_registry.parent.glob(".*partial*"))


def test_a_kept_copy_is_never_overwritten(old_registry: Path) -> None:
    earlier = old_registry.with_name("registry.schema-1.duckdb")
    earlier.write_bytes(b"an earlier copy")
    open_current(old_registry, write=False).close()
    assert earlier.read_bytes() == b"an earlier copy"
    assert [copy.name for copy in kept_copies(old_registry)] == [
        "registry.schema-1.2.duckdb",
        "registry.schema-1.duckdb",
    ]


@pytest.mark.parametrize("place", ["_keep_copy", "_bring_books", "write_all_checksums", "set_meta"])
def test_killed_in_between_it_is_still_the_old_one(old_registry: Path, tools: Tools, place: str) -> None:
    code = (
        "import os, signal, sys\nimport registry.store.migration as m\n"
        f"before = m.{place}\n"
        "def die(*given, **named):\n    before(*given, **named)\n    os.kill(os.getpid(), signal.SIGKILL)\n"
        f"m.{place} = die\nm.open_current(sys.argv[1], write=True)\n"
    )
    assert tools["run"](code, old_registry).returncode == -signal.SIGKILL
    assert tools["meta"](old_registry, "schema_version") == "1"
    with open_registry(old_registry) as view:
        assert len(view.base("cases").collect()) == 3
    assert tools["meta"](old_registry, "schema_version") == str(SCHEMA_VERSION)


def test_a_newer_dictionary_is_refused(registry: Path, tools: Tools) -> None:
    with connect(registry, write=True) as connection:
        connection.execute("UPDATE meta SET value = '99' WHERE name = 'dictionary_version'")
    before = tools["sha256"](registry)
    with pytest.raises(NotARegistryError, match="made with a newer dictionary"):
        open_registry(registry)
    assert tools["sha256"](registry) == before


def test_an_old_registry_in_a_read_only_folder_is_named(old_registry: Path, tools: Tools) -> None:
    with tempfile.TemporaryDirectory() as home:
        path = Path(home) / "registry.duckdb"
        shutil.copy(old_registry, path)
        path.chmod(0o444)
        Path(home).chmod(0o555)
        code = (
            "import os, sys\nfrom registry import open_registry\n"
            "if os.geteuid() == 0:\n    os.setgid(65534); os.setuid(65534)\n"
            "open_registry(sys.argv[1])"
        )
        run = tools["run"](code, path)
        Path(home).chmod(0o755)
        assert "was made by an earlier release and has to be brought up to date" in run.stderr
        assert "cannot be written" in run.stderr
        assert [child.name for child in Path(home).iterdir()] == ["registry.duckdb"]
        assert tools["sha256"](path) == tools["sha256"](old_registry)


pytestmark = pytest.mark.usefixtures("without_deriving")


def without_level(registry: Path) -> None:
    """Take a column and a table away, as if the dictionary had gained them since."""
    with connect(registry, write=True) as connection:
        connection.execute("ALTER TABLE accepted.athletes DROP COLUMN level")
        connection.execute("ALTER TABLE received.athletes DROP COLUMN level")
        own = [row[0] for row in connection.execute("DESCRIBE accepted.athletes").fetchall()][8:]
        connection.execute(f"UPDATE accepted.athletes SET content = {content_hash(own)}")
        connection.execute("DROP TABLE accepted.referents")
        connection.execute("DROP TABLE received.referents")


def test_columns_that_the_dictionary_gained_are_added(
    registry: Path, take_in: Callable[..., Any], write_delivery: Callable[..., Path], clean: dict[str, str]
) -> None:
    without_level(registry)
    with open_registry(registry) as view:
        assert view.base("athletes").collect("pandas").to_native()["level"].isna().all()
        assert len(view.base("referents").collect()) == 0
    assert verify_registry(registry).mismatches == []
    again = {"athletes": clean["athletes"] + "AB10009,male,1999\n"}
    (count,) = (c for c in take_in(write_delivery(again, name="third")).tables if c.table == "athletes")
    assert (count.new, count.revised, count.unchanged) == (1, 0, 3)


def test_adding_columns_does_not_hide_a_touched_row(registry: Path) -> None:
    without_level(registry)
    with connect(registry, write=True) as connection:
        connection.execute("UPDATE accepted.athletes SET birth_year = 1901 WHERE athlete = 'AB10002'")
    touched = {(m.where, m.row) for m in verify_registry(registry).mismatches if m.row is not None}
    with duckdb.connect(str(registry), read_only=True) as connection:
        rows = connection.execute("SELECT row_id FROM accepted.athletes WHERE athlete = 'AB10002'").fetchall()
    assert touched == {("athletes", rows[0][0])}


def test_freezing_an_old_registry_brings_it_up_to_date(old_registry: Path) -> None:
    assert freeze("season", registry=old_registry).rows["data/cases"] == 3
    assert len(kept_copies(old_registry)) == 1
