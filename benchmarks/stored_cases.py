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


def write_injuries(path: Path, *, n: int) -> None:
    """Write a registry whose derived cases hold n rows with a mechanism, four covariates and climbers that repeat."""
    with connect(path, write=True, create=True) as connection:
        prepare(connection)
        create_current_views(connection)
        store_derived(connection, {name: f"derived.{name}" for name in DERIVED})
        connection.execute("SELECT setseed(0.5)").fetchall()
        connection.execute(
            f"""
            INSERT INTO derived.cases BY NAME
            SELECT 'north' AS site, 'c' || i AS "case", 'north:athlete-' || person AS climber, false AS minor,
                ['foot_slip', 'dynamic_catch', 'slow_pull', 'hold_broke', 'jam_twist', 'fall_on_hand'][mechanism]
                    AS mechanism,
                ['5-13', '14-17', '18-24', '25-34', '35-44', '45+'][1 + person % 6] AS age_band,
                ['female', 'male'][1 + (person // 6) % 2] AS sex,
                ['bouldering', 'lead', 'speed', 'top_rope', 'traditional', 'multi_pitch', 'ice_mixed', 'board',
                    'other'][discipline] AS discipline,
                ['recreational', 'competitive_regional', 'competitive_national', 'competitive_international']
                    [1 + (person // 12) % 4] AS level,
                random() < 1 / (1 + exp(1.5 - 0.2 * mechanism - 0.05 * discipline - 0.2 * (person % 11 - 5)))
                    AS hand_is_dominant
            FROM (SELECT i, CAST(1 + floor(random() * 6) AS BIGINT) AS mechanism,
                CAST(1 + floor(random() * 9) AS BIGINT) AS discipline,
                CAST(floor(random() * {max(1, n * 3 // 5)}) AS BIGINT) AS person FROM range({n}) AS r(i))
            """
        )
