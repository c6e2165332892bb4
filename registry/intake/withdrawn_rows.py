"""Rows of climbers who have withdrawn their consent: neither taken in nor kept, only counted by their place."""

from __future__ import annotations

from registry.dictionary import SHEET, TABLES
from registry.intake.checks import stripped
from registry.intake.recognising import MAPPED
from registry.intake.staging import Stage
from registry.store.connection import number
from registry.store.withdrawing import withdrawn_condition


def drop_withdrawn(stage: Stage) -> int:
    """Take the rows of withdrawn climbers out of the staging tables, with the rows of their cases; count them.

    ``not_kept`` keeps file and line of the delivered rows, and nothing else of them.
    """
    connection = stage.connection
    connection.execute("CREATE OR REPLACE TEMP TABLE not_kept (file VARCHAR, line BIGINT, table_name VARCHAR)")
    condition = withdrawn_condition(connection, site=stage.site, column=stripped("athlete"))
    if not condition:
        return 0
    tables = [SHEET, *TABLES.values()]
    named = [table for table in tables if "athlete" in table.names]
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE withdrawn_origins AS "
        + " UNION ".join(f"SELECT origin FROM staged_{table.name} WHERE {condition}" for table in named)
    )
    theirs = f"SELECT {stripped(chr(34) + 'case' + chr(34))} FROM staged_cases WHERE origin IN (FROM withdrawn_origins)"
    children = [table for table in TABLES.values() if table.names[0] == "case" and table.name != "cases"]
    connection.execute(
        "INSERT INTO withdrawn_origins "
        + " UNION ".join(
            f"SELECT origin FROM staged_{table.name} WHERE {stripped(chr(34) + 'case' + chr(34))} IN ({theirs})"
            for table in children
        )
    )
    for name in [*(table.name for table in tables), "source"]:
        shown = MAPPED if name == "source" else name
        connection.execute(
            f"INSERT INTO not_kept SELECT file, line, '{shown}' FROM staged_{name} WHERE origin = row_id "
            "AND origin IN (FROM withdrawn_origins)"
        )
    for name in [*(table.name for table in tables), "source"]:
        connection.execute(f"DELETE FROM staged_{name} WHERE origin IN (FROM withdrawn_origins)")
    connection.execute("DELETE FROM bad WHERE origin IN (FROM withdrawn_origins)")
    return number(connection, "SELECT count(*) FROM not_kept")
