"""A registry file with many stored cases, made by SQL in a temporary place; the numbers are invented."""

from __future__ import annotations

from pathlib import Path

from registry.store.connection import connect
from registry.store.schema import prepare
from registry.store.view import DERIVED, create_current_views, store_derived

TIERS = ("pulley_1", "pulley_2", "pulley_3", "pulley_4")


def write_registry(path: Path, *, n: int) -> None:
    """Write a registry whose derived cases hold n rows with a tier, an entry day and a milestone."""
    tiers = ", ".join(f"'{tier}'" for tier in TIERS)
    with connect(path, write=True, create=True) as connection:
        prepare(connection)
        create_current_views(connection)
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
        connection.execute("SELECT setseed(0.5)").fetchall()
        connection.execute(
            f"""
            INSERT INTO derived.cases BY NAME
            SELECT 'north' AS site, 'c' || i AS "case", 'north:' || (i % {n}) AS climber, false AS minor,
                [{tiers}][tier] AS tier, entry AS entry_day, entry + wait AS full_day,
                random() < 0.75 AS full_returned, 'exact' AS full_kind
            FROM (SELECT i, CAST(1 + floor(random() * 4) AS BIGINT) AS tier,
                CAST(floor(-9 * ln(1 - random())) AS BIGINT) AS entry,
                CAST(1 + floor(-80 * ln(1 - random())) AS BIGINT) AS wait FROM range({n}) AS r(i))
            """
        )
