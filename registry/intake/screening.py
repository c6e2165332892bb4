"""Screening: run every check over the staged tables until nothing more has to be held.

A row is held when it has a finding that holds. Rows that refer to a held row are held with it, which is why tables are
screened parents first. A delivered row that feeds several tables is held as a whole; that may take parents away from
others, so the screening is repeated until it is stable.
"""

from __future__ import annotations

from datetime import date

from registry.dictionary import SHEET, TABLES, Table
from registry.door import quoted
from registry.intake.across import across_findings, key_conflicts, missing_parents
from registry.intake.checks import field_findings, listed, row_findings, text_literal, typed_select
from registry.intake.identifiers import pattern_fault, pattern_of_nobody
from registry.intake.reasons import REASONS
from registry.intake.retracted import retracted_findings
from registry.intake.sheet_rows import expand
from registry.intake.staging import Stage
from registry.store.connection import number

WARNING_CODES = tuple(code for code, reason in REASONS.items() if reason.severity == "warn")
ACCEPTABLE_CODES = tuple(code for code, reason in REASONS.items() if reason.acceptable)
WAITING_CODES = ("unknown_parent", "parent_held")
OF_A_PART = f"origin <> row_id AND code NOT IN ({listed((*WARNING_CODES, *WAITING_CODES))})"
HELD_ORIGINS = (
    f"SELECT origin FROM bad WHERE code NOT IN ({listed(WARNING_CODES)}) "
    "AND (origin, code) NOT IN (SELECT held_id, code FROM exempt)"
)
"""The rows that something holds; a reason that a person has accepted for a row does not."""
HELD = "SELECT origin FROM held_origins"
"""The same when the screening is over."""


def screen(stage: Stage, *, received_on: date) -> None:
    """Fill ``bad`` with all findings and ``typed_<table>`` with the parsed rows; ``good_<table>`` are the rest."""
    connection = stage.connection
    _parse(stage, SHEET, received_on=received_on)
    connection.execute("INSERT INTO bad " + key_conflicts(SHEET, good("sheet")))
    held = 0
    while True:
        expand(stage, f"SELECT row_id FROM {good('sheet')}")
        for table in TABLES.values():
            _screen_table(stage, table, received_on=received_on)
        before, held = held, number(connection, f"SELECT count(DISTINCT origin) FROM bad WHERE {OF_A_PART}")
        if held == before:
            break
        # Sheet rows of one climber share one row of athletes. If the row that brought it is held, the others only seem
        # to lack their climber; they are screened again without it.
        connection.execute(f"DELETE FROM bad WHERE origin <> row_id AND code IN ({listed(WAITING_CODES)})")
        connection.execute("DELETE FROM bad WHERE table_name NOT IN ('sheet', 'mapped') AND origin = row_id")
    connection.execute("CREATE OR REPLACE TEMP TABLE findings_said AS SELECT DISTINCT * FROM bad")
    connection.execute(f"CREATE OR REPLACE TEMP TABLE held_origins AS SELECT DISTINCT origin FROM ({HELD_ORIGINS})")


def good(table: str, *, held: str = HELD_ORIGINS) -> str:
    """Return the sub-select of a table's typed rows that nothing holds."""
    return f"(SELECT * FROM typed_{table} WHERE origin NOT IN ({held}))"


def _screen_table(stage: Stage, table: Table, *, received_on: date) -> None:
    connection = stage.connection
    _parse(stage, table, received_on=received_on)
    if number(connection, f"SELECT count(*) FROM staged_{table.name}"):
        _compare(stage, table)
    if table.name in ("athletes", "cases"):
        key = quoted(table.key[0])
        columns = ", ".join(quoted(name) for name in table.names)
        connection.execute(
            f"CREATE OR REPLACE TEMP TABLE pool_{table.name} AS WITH ours AS (SELECT {columns} FROM "
            f"{good(table.name)}) SELECT DISTINCT ON ({key}) * FROM ours UNION ALL SELECT {columns} FROM "
            f"current_{table.name} WHERE site = {text_literal(stage.site)} AND {key} NOT IN (SELECT {key} FROM ours)"
        )


def _compare(stage: Stage, table: Table) -> None:
    """Find what only shows between rows: of the table, of its parents, and of the registry."""
    connection = stage.connection
    if table.name == "sites":
        _screen_site(stage)
    connection.execute("INSERT INTO bad " + key_conflicts(table, good(table.name)))
    across = (
        *missing_parents(table, good(table.name)),
        *across_findings(table, good(table.name)),
        retracted_findings(table, good(table.name), site=stage.site),
    )
    for select in across:
        connection.execute("INSERT INTO bad " + select)
    # What is in the registry already, word for word, was judged then; a person may have accepted it.
    connection.execute(
        f"DELETE FROM bad WHERE table_name = {text_literal(table.name)} AND code IN ({listed(ACCEPTABLE_CODES)}) "
        f"AND row_id IN (SELECT t.row_id FROM typed_{table.name} t JOIN accepted.{table.name} a "
        f"ON a.content = t.content AND a.superseded_by IS NULL AND a.site = {text_literal(stage.site)} "
        "WHERE t.row_id IN (SELECT row_id FROM bad))"
    )


def _parse(stage: Stage, table: Table, *, received_on: date) -> None:
    connection = stage.connection
    source = f"staged_{table.name}"
    filled = number(connection, f"SELECT count(*) FROM {source}")
    if filled:
        connection.execute("INSERT INTO bad " + field_findings(table, source, received_on=received_on))
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE typed_{table.name} AS {typed_select(table, source, site=stage.site)}"
    )
    if not filled:
        return
    for select in row_findings(table, f"typed_{table.name}"):
        connection.execute("INSERT INTO bad " + select)


def _screen_site(stage: Stage) -> None:
    connection = stage.connection
    rows = connection.execute("SELECT row_id, trim(site), trim(pseudonym_pattern) FROM staged_sites").fetchall()
    for row_id, site, pattern in rows:
        faults = [("site", "other_site")] if site and site != stage.site else []
        code = pattern_fault(pattern) if pattern else None
        faults += [("pseudonym_pattern", code)] if code else []
        if pattern and not code and pattern_of_nobody(connection, site=stage.site, pattern=pattern):
            faults.append(("pseudonym_pattern", "pattern_of_nobody"))
        for column, fault in faults:
            connection.execute("INSERT INTO bad VALUES (?, ?, 'sites', ?, ?, NULL)", [row_id, row_id, column, fault])
