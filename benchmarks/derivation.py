"""Deriving the tables of a registry with many cases: once at intake, so that no estimate pays for it."""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from registry.dictionary.injury import PULLEYS
from registry.store.connection import connect
from registry.store.schema import prepare
from registry.store.view import DERIVED, create_current_views, store_derived


def fill(connection: object, n: int) -> None:
    """Insert n invented cases of n/2 climbers with two findings and three contacts each."""
    execute = connection.execute  # type: ignore[attr-defined]
    onset = "DATE '2020-01-01' + CAST(i % 2000 AS INTEGER)"
    execute("INSERT INTO accepted.sites BY NAME SELECT 1 AS row_id, 'north' AS site, 'clinic' AS kind")
    execute(
        f"INSERT INTO accepted.athletes BY NAME SELECT i AS row_id, 'north' AS site, 'A' || i AS athlete, "
        f"'female' AS sex, 1970 + i % 40 AS birth_year FROM range({n // 2}) AS r(i)"
    )
    execute(
        "INSERT INTO accepted.cases BY NAME SELECT i AS row_id, 'north' AS site, 'c' || i AS \"case\", "
        f"'A' || i % {n // 2} AS athlete, {onset} AS onset, {onset} + 6 AS first_seen, 'left' AS side, "
        f"'ring' AS digit, 'sudden' AS onset_mode FROM range({n}) AS r(i)"
    )
    pulleys = ", ".join(f"'{pulley}'" for pulley in PULLEYS)
    execute(
        "INSERT INTO accepted.findings BY NAME SELECT 2 * i + j AS row_id, 'north' AS site, 'c' || i AS \"case\", "
        f"[{pulleys}][1 + (i + j) % 5] AS structure, "
        "['strain', 'partial', 'complete'][1 + (i // 5 + j) % 3] AS extent, "
        f"'ultrasound' AS seen_by, {onset} + 8 AS found_on FROM range({n}) AS r(i), range(2) AS s(j)"
    )
    execute(
        "INSERT INTO accepted.follow_ups BY NAME SELECT 3 * i + j AS row_id, 'north' AS site, 'c' || i AS \"case\", "
        f"{onset} + CAST(20 + 30 * j + i % 17 AS INTEGER) AS seen, "
        "['off_climbing', 'modified_climbing', 'full_climbing'][1 + j] AS status "
        f"FROM range({n}) AS r(i), range(3) AS s(j)"
    )


def main(n: int) -> None:
    with (
        tempfile.TemporaryDirectory() as place,
        connect(Path(place) / "many.duckdb", write=True, create=True) as connection,
    ):
        prepare(connection)
        create_current_views(connection)
        fill(connection, n)
        started = time.perf_counter()
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
        seconds = time.perf_counter() - started
        print(f"{n:>10,} cases with {3 * n:,} contacts and {2 * n:,} findings derived in {seconds:.1f} s")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
