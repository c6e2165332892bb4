"""Registries of an earlier release, and what is in a file."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import duckdb
import pytest

from registry import take_in as take_delivery_in
from registry.store.checksums import write_all_checksums
from registry.store.connection import connect

BOOKS_1 = """
CREATE TABLE meta (name VARCHAR, value VARCHAR);
CREATE TABLE deliveries (delivery BIGINT, site VARCHAR, received_at TIMESTAMP, dictionary_version BIGINT);
CREATE TABLE files (delivery BIGINT, site VARCHAR, sha256 VARCHAR, standing VARCHAR, file VARCHAR,
    table_name VARCHAR, n_rows BIGINT, dictionary_version BIGINT);
CREATE TABLE held (held_id BIGINT, delivery BIGINT, site VARCHAR, table_name VARCHAR, file VARCHAR, line BIGINT,
    cells VARCHAR, standing VARCHAR, closed_by BIGINT, because VARCHAR);
CREATE TABLE held_reasons (held_id BIGINT, column_name VARCHAR, code VARCHAR);
CREATE TABLE warnings (delivery BIGINT, site VARCHAR, row_id BIGINT, table_name VARCHAR, file VARCHAR, line BIGINT,
    column_name VARCHAR, code VARCHAR);
CREATE TABLE freezes (name VARCHAR, content_hash VARCHAR, frozen_at TIMESTAMP, derivation_version BIGINT);
CREATE SCHEMA accepted;
CREATE SCHEMA received;
CREATE SCHEMA derived;
"""
"""The books as the release with schema 1 made them, word for word."""
BOOK_NAMES_1 = ("deliveries", "files", "held", "held_reasons", "warnings", "freezes")


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory, clean_registry: Path) -> Path:
    """Make a registry with the clean delivery, one held row (a climber who is not known) and one revision."""
    folder = tmp_path_factory.mktemp("kept")
    path = Path(shutil.copy(clean_registry, folder / "registry.duckdb"))
    cases = (clean_registry.parent / "cases.csv").read_text(encoding="utf-8").replace("right,middle", "left,middle")
    (folder / "cases.csv").write_text(cases + "0004,AB99999,2024-03-01,,left,ring,sudden,,\n", encoding="utf-8")
    take_delivery_in(folder / "cases.csv", registry=path, site="north", received_at=datetime(2026, 7, 1))
    with connect(path, write=True) as connection:
        write_all_checksums(connection)
    return path


@pytest.fixture
def registry(made_once: Path, tmp_path: Path) -> Path:
    """Return a copy of that registry, at the place where ``take_in`` puts its own."""
    return Path(shutil.copy(made_once, tmp_path / "registry.duckdb"))


@pytest.fixture
def old_registry(registry: Path) -> Path:
    """Return the same as the release with schema 1 would have kept it."""
    return turned_into_schema_1(registry)


def turned_into_schema_1(registry: Path) -> Path:
    old = registry.with_name("old.partial")
    with duckdb.connect(str(old)) as connection:
        connection.execute(BOOKS_1)
        connection.execute(f"ATTACH '{registry}' AS now (READ_ONLY)")
        for name in BOOK_NAMES_1:
            columns = ", ".join(row[0] for row in connection.execute(f"DESCRIBE main.{name}").fetchall())
            connection.execute(f"INSERT INTO main.{name} SELECT {columns} FROM now.main.{name}")
        connection.execute("INSERT INTO main.meta FROM now.main.meta")
        connection.execute("UPDATE meta SET value = '1' WHERE name IN ('schema_version', 'dictionary_version')")
        for room, name in connection.execute(
            "SELECT schema_name, table_name FROM duckdb_tables() WHERE database_name = 'now' AND schema_name <> 'main'"
        ).fetchall():
            connection.execute(f"CREATE TABLE {room}.{name} AS FROM now.{room}.{name}")
        connection.execute("DETACH now")
    os.replace(old, registry)
    return registry


def sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def meta(path: Path, name: str) -> str:
    with duckdb.connect(str(path), read_only=True) as connection:
        return str(connection.execute("SELECT value FROM meta WHERE name = ?", [name]).fetchall()[0][0])


def run_python(code: str, *arguments: object) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own."""
    return subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)],
        capture_output=True,
        text=True,
        check=False,
        cwd=Path(__file__).resolve().parents[3],
    )


def no_deriving(connection: duckdb.DuckDBPyConnection, places: dict[str, str]) -> None:
    """Stand in for the derivation, which takes a second each time, where a test asks about something else."""
    for place in places.values():
        connection.execute(f"CREATE OR REPLACE {'TEMP ' * place.startswith('temp')}TABLE {place} (nothing INTEGER)")


@pytest.fixture
def without_deriving(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let verify and withdraw leave the derived tables out."""
    for room in ("rewriting", "reissuing"):
        monkeypatch.setattr(f"registry.store.{room}.store_derived", no_deriving)
    monkeypatch.setattr("registry.store.verifying._derived", lambda *_: [])


@pytest.fixture
def tools(kept_tools: dict[str, Callable[..., object]]) -> dict[str, Callable[..., object]]:
    """Return what several files of this folder need: sha256, meta, run_python, turned_into_schema_1."""
    return kept_tools


@pytest.fixture(scope="session")
def kept_tools() -> dict[str, Callable[..., object]]:
    """Return the same, for fixtures that are made once."""
    return {"sha256": sha256, "meta": meta, "run": run_python, "turn": turned_into_schema_1}
