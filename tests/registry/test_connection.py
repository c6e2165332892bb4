"""Opening the registry: other files, held files and unwritable places each get their sentence."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from registry import open_registry
from registry.errors import (
    DeliveryError,
    InputError,
    NotARegistryError,
    NotWritableError,
    RegistryFileError,
    RegistryLockedError,
)
from registry.intake.report import IntakeReport
from registry.store.connection import connect

Write = Callable[..., Path]
Take = Callable[..., IntakeReport]


def test_a_path_without_a_registry(tmp_path: Path) -> None:
    with pytest.raises(RegistryFileError, match="there is no registry at"):
        open_registry(tmp_path / "nothing.duckdb")
    with pytest.raises(NotARegistryError, match="is a folder"):
        open_registry(tmp_path)


@pytest.mark.parametrize("data", [b"", b"some,other,file\n" * 9, b"12345678DUCK and then nonsense" * 40])
def test_a_file_that_is_something_else(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "other.duckdb"
    path.write_bytes(data)
    with pytest.raises(NotARegistryError, match="Nothing was changed"):
        open_registry(path)
    assert path.read_bytes() == data


def test_a_database_of_something_else(tmp_path: Path) -> None:
    path = tmp_path / "other.duckdb"
    duckdb.connect(str(path)).execute("CREATE TABLE t (a INTEGER)").close()
    with pytest.raises(NotARegistryError, match="a database, but not a registry"):
        open_registry(path)


def test_a_truncated_registry(write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path) -> None:
    take_in(write_delivery(clean))
    path = tmp_path / "registry.duckdb"
    path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(NotARegistryError, match="damaged, cut short"):
        open_registry(path)


def test_a_newer_registry_is_refused(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    path = tmp_path / "registry.duckdb"
    with connect(path, write=True) as connection:
        connection.execute("UPDATE meta SET value = '99' WHERE name = 'schema_version'")
    with pytest.raises(NotARegistryError, match="made by a newer release"):
        open_registry(path)


def test_a_held_registry_is_waited_for_and_then_named(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    path = tmp_path / "registry.duckdb"
    code = f"import duckdb; c = duckdb.connect({str(path)!r}); print('held', flush=True); input()"
    holder = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    try:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(RegistryLockedError, match="is held by another program"):
            connect(path, write=True, wait_seconds=0.3)
    finally:
        holder.communicate("\n")


def test_a_failed_intake_never_removes_what_another_has_written(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two first intakes at once: one looks before there is a file, waits, and then fails."""
    path, late = tmp_path / "registry.duckdb", write_delivery({"athletes": clean["athletes"]}, name="late")
    take_in(write_delivery(clean))
    monkeypatch.setattr("registry.intake.delivery._missing", lambda _: True)
    with pytest.raises(DeliveryError, match="site 'south' is not known yet"):
        take_in(late, site="south")
    with open_registry(path) as view:
        assert len(view.base("cases").collect()) == 3


def test_a_second_look_does_not_let_another_writer_in(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    """Closing any descriptor of a file drops the POSIX locks that the process holds on it."""
    take_in(write_delivery(clean))
    path = tmp_path / "registry.duckdb"
    code = (
        "import sys; from pathlib import Path; from registry.store.connection import connect\n"
        "from registry.errors import RegistryLockedError\n"
        f"try:\n    connect(Path({str(path)!r}), write=True, wait_seconds=0.2).close()\n"
        "except RegistryLockedError:\n    sys.exit(7)\n"
    )
    with open_registry(path):
        open_registry(path).close()
        assert subprocess.run([sys.executable, "-c", code], check=False, cwd=tmp_path).returncode == 7


def test_writing_under_an_own_view_is_named(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb"), pytest.raises(RegistryLockedError, match="close that view first"):
        take_in(write_delivery({"cases": clean["cases"].replace("left", "right")}, name="second"))


def test_a_place_that_cannot_be_written(write_delivery: Write, take_in: Take, clean: dict[str, str]) -> None:
    with pytest.raises(NotWritableError, match="does not exist; make it first"):
        take_in(write_delivery(clean), registry=Path("/nowhere/at/all/registry.duckdb"))


def test_a_view_names_the_tables_that_exist(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb") as view:
        with pytest.raises(InputError, match="Did you mean 'cases'"):
            view.table("case")
        with pytest.raises(InputError, match="Did you mean 'follow_ups'"):
            view.base("followups")


def test_stale_derived_tables_are_derived_anew(
    write_delivery: Write, take_in: Take, clean: dict[str, str], tmp_path: Path
) -> None:
    take_in(write_delivery(clean))
    path = tmp_path / "registry.duckdb"
    with open_registry(path) as view:
        before = view.table("cases").sort("case").collect("pandas").to_native()
    with connect(path, write=True) as connection:
        connection.execute("UPDATE meta SET value = '0' WHERE name = 'derivation_version'")
        connection.execute("DELETE FROM derived.cases")
    with open_registry(path) as view:
        after = view.table("cases").sort("case").collect("pandas").to_native()
    assert before.equals(after)
