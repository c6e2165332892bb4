"""The engine's memory is bounded; what it writes beside the registry meanwhile does not stay there."""

from pathlib import Path

import pytest
from duckdb import DuckDBPyConnection

from registry import take_in
from registry.intake import delivery

SITES = "site,kind,case_definition,exposure_method,pseudonym_pattern\nnorth,clinic,medical_attention,none,AB[0-9]{5}\n"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    given = tmp_path / "delivery"
    given.mkdir()
    (given / "sites.csv").write_text(SITES, encoding="utf-8")
    (given / "athletes.csv").write_text("athlete,sex,birth_year\nAB00001,female,1990\n", encoding="utf-8")
    return given


@pytest.fixture(autouse=True)
def _underived(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(delivery, "store_derived", lambda *_: None)
    monkeypatch.setattr(delivery, "keep_derived_warnings", lambda *_, **__: None)


def test_what_a_killed_call_left_beside_the_registry_is_removed(folder: Path, tmp_path: Path) -> None:
    overflow = tmp_path / "r.duckdb.tmp"
    overflow.mkdir()
    left, foreign = overflow / "duckdb_temp_16205_0_storage_S32K-0.tmp", overflow / "notes.txt"
    left.write_bytes(b"AB00001")
    foreign.write_bytes(b"mine")
    take_in(folder, registry=tmp_path / "r.duckdb", site="north")
    assert not left.exists()
    assert foreign.read_bytes() == b"mine"  # only the engine's own files are ours to remove


def test_a_delivery_that_needs_more_memory_is_taken_in_all_the_same(
    folder: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    bounds: list[str | None] = []
    bound = delivery._bound

    def noted(connection: DuckDBPyConnection, path: Path, *, memory: str | None) -> None:
        bounds.append(memory)
        bound(connection, path, memory=memory)

    monkeypatch.setattr(delivery, "_bound", noted)
    monkeypatch.setattr(delivery, "MEMORY", "1KB")
    report = take_in(folder, registry=tmp_path / "r.duckdb", site="north")
    assert {count.table: count.new for count in report.tables} == {"sites": 1, "athletes": 1}
    assert bounds == ["1KB", None]
