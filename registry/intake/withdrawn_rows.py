"""Rows of climbers who have withdrawn their consent: neither taken in nor kept, only counted by their place."""

from __future__ import annotations

from registry.dictionary import SHEET, TABLES, Table
from registry.intake.checks import stripped, text_literal
from registry.intake.recognising import MAPPED
from registry.intake.staging import Stage
from registry.store.connection import number
from registry.store.withdrawing import withdrawn_case_condition, withdrawn_condition

CLIMBER, CASE = stripped("athlete"), stripped('"case"')
EVERY = (SHEET, *TABLES.values())


def drop_withdrawn(stage: Stage) -> int:
    """Take the rows of withdrawn climbers out of the staging tables, with the rows of their cases; count them.

    A row is theirs when it names the climber, when a row of this delivery says that its case is the climber's, or when
    it names no climber and its case is one that left with the climber. ``not_kept`` keeps file and line of the
    delivered rows, and nothing else of them.
    """
    connection = stage.connection
    connection.execute("CREATE OR REPLACE TEMP TABLE not_kept (file VARCHAR, line BIGINT, table_name VARCHAR)")
    condition = withdrawn_condition(connection, site=stage.site, column=CLIMBER)
    if not condition:
        return 0
    connection.execute("CREATE OR REPLACE TEMP TABLE withdrawn_origins (origin BIGINT)")
    _gather([f"SELECT origin FROM staged_{table.name} WHERE {condition}" for table in _with("athlete")], stage)
    of_the_climber = f"SELECT {CASE} FROM staged_cases WHERE origin IN (FROM withdrawn_origins)"
    of_others = " UNION ALL ".join(
        f"SELECT {CASE} FROM staged_{table.name} WHERE origin NOT IN (FROM withdrawn_origins) AND {CLIMBER} <> ''"
        for table in _with("case", "athlete")
    )
    gone = (
        f"({withdrawn_case_condition(connection, site=stage.site, column=CASE)}) AND {CASE} NOT IN ({of_others}) "
        'AND NOT EXISTS (SELECT 1 FROM accepted.cases a WHERE a.superseded_by IS NULL AND a."case" = '
        f"trim(s.\"case\", ' ' || chr(9) || chr(160)) AND a.site = {text_literal(stage.site)})"
    )
    selects = []
    for table in _with("case"):
        named = f"coalesce({CLIMBER}, '') <> ''" if "athlete" in table.names else "false"
        child = f"{CASE} IN ({of_the_climber}) OR " if "athlete" not in table.names else ""
        selects.append(f"SELECT origin FROM staged_{table.name} s WHERE {child}(NOT {named} AND {gone})")
    _gather(selects, stage)
    return _drop(stage)


def _with(*names: str) -> list[Table]:
    return [table for table in EVERY if set(names) <= set(table.names)]


def _gather(selects: list[str], stage: Stage) -> None:
    stage.connection.execute("INSERT INTO withdrawn_origins " + " UNION ".join(selects))


def _drop(stage: Stage) -> int:
    connection = stage.connection
    names = [*(table.name for table in EVERY), "source"]
    theirs = "origin IN (FROM withdrawn_origins)"
    for name in names:
        shown = MAPPED if name == "source" else name
        connection.execute(
            "INSERT INTO not_kept SELECT coalesce(m.file, s.file), coalesce(m.line, s.line), "
            f"'{shown}' FROM staged_{name} s LEFT JOIN mended m ON m.held_id = s.row_id "
            f"WHERE origin = row_id AND {theirs}"
        )
    for name in names:
        connection.execute(f"DELETE FROM staged_{name} WHERE {theirs}")
    connection.execute(f"DELETE FROM bad WHERE {theirs}")
    # A mended sheet can turn a held row into one of theirs; none of it stays on the books.
    for name in ("held", "held_reasons", "held_edits", "exempt", "mended"):
        connection.execute(f"DELETE FROM {name} WHERE held_id IN (FROM withdrawn_origins)")
    return number(connection, "SELECT count(*) FROM not_kept")
