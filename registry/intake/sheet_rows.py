"""The flat sheet's rows become rows of athletes, cases, findings and follow-ups."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.dictionary import SHEET, TABLES
from registry.door import quoted
from registry.intake.checks import PART, text_literal, trimmed
from registry.intake.staging import Stage
from registry.store.connection import number

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

SHEET_COLUMN = {
    ("findings", "structure"): "structures",
    ("findings", "joint"): "structures",
    ("findings", "extent"): "structures",
    ("findings", "case"): "case",
    ("follow_ups", "seen"): "status_on",
    ("follow_ups", "since"): "status_since",
}
"""Where a finding on a derived row is found in the sheet; other columns carry the same name."""

MADE_KEY = "athlete || '-' || strftime(TRY_CAST(onset AS DATE), '%Y%m%d') || '-' || lower(side) || '-' || lower(digit)"
FED = ("athletes", "cases", "findings", "follow_ups")


def expand(stage: Stage, good_rows: str) -> None:
    """Write the good sheet rows (a SELECT of their row_id) into the four staging tables, instead of earlier ones.

    A climber whose sex or year of birth differs between two sheet rows, or from what the registry holds, becomes a
    finding; a climber who is known already gets no second row.
    """
    connection = stage.connection
    for name in FED:
        connection.execute(f"DELETE FROM staged_{name} WHERE fed_by = 'sheet'")
    connection.execute(
        f'CREATE OR REPLACE TEMP TABLE sheet_good AS SELECT *, coalesce("case", {MADE_KEY}) AS case_key '
        f"FROM ({trimmed(SHEET, 'staged_sheet')}) WHERE row_id IN ({good_rows})"
    )
    _athletes(stage)
    shared = [name for name in SHEET.names if name in TABLES["cases"].names and name != "case"]
    _insert(stage, "cases", {"case": "case_key", **{name: quoted(name) for name in shared}}, "sheet_good")
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE sheet_parts AS SELECT s.row_id, s.origin, s.file, s.line, s.case_key, "
        "coalesce(s.first_seen, s.onset) AS found_on, lower(trim(part)) AS part FROM sheet_good s, "
        "unnest(string_split(s.structures, ';')) AS p(part) WHERE trim(part) <> ''"
    )
    groups = {
        name: f"nullif(regexp_extract(part, {text_literal(PART)}, {place}), '')"
        for place, name in ((1, "structure"), (2, "joint"), (3, "extent"))
    }
    _insert(
        stage,
        "findings",
        {"case": "case_key", **groups, "seen_by": "'unknown'", "found_on": "found_on"},
        "sheet_parts",
    )
    _insert(
        stage,
        "follow_ups",
        {
            "case": "case_key",
            "seen": "status_on",
            "status": "status",
            "since": "status_since",
            "end_reason": "end_reason",
        },
        "sheet_good",
    )


def _athletes(stage: Stage) -> None:
    connection = stage.connection
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE known_athletes AS SELECT trim(athlete) AS athlete, lower(trim(sex)) AS sex, "
        "trim(birth_year) AS birth_year FROM staged_athletes UNION ALL "
        f"SELECT athlete, sex, CAST(birth_year AS VARCHAR) FROM current_athletes WHERE site = "
        f"{text_literal(stage.site)}"
    )
    said = "SELECT athlete, lower(sex) AS sex, birth_year FROM sheet_good UNION ALL SELECT * FROM known_athletes"
    for column in ("sex", "birth_year"):
        connection.execute(
            f"INSERT INTO bad SELECT row_id, origin, 'sheet', '{column}', 'climber_differs', NULL FROM sheet_good "
            f"WHERE athlete IN (SELECT athlete FROM ({said}) GROUP BY athlete HAVING count(DISTINCT {column}) > 1)"
        )
    connection.execute("DELETE FROM sheet_good WHERE origin IN (SELECT origin FROM bad WHERE table_name = 'sheet')")
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE sheet_athletes AS SELECT min(row_id) AS row_id, min(origin) AS origin, "
        "min(file) AS file, min(line) AS line, athlete, min(lower(sex)) AS sex, min(birth_year) AS birth_year "
        "FROM sheet_good WHERE athlete NOT IN (SELECT athlete FROM known_athletes WHERE athlete IS NOT NULL) "
        "GROUP BY athlete"
    )
    _insert(stage, "athletes", {name: name for name in ("athlete", "sex", "birth_year")}, "sheet_athletes")


def _insert(stage: Stage, table: str, columns: dict[str, str], source: str) -> None:
    connection: DuckDBPyConnection = stage.connection
    first = stage.new_rows(number(connection, f"SELECT count(*) FROM {source}"))
    names = ", ".join(quoted(name) for name in columns)
    values = ", ".join(columns.values())
    connection.execute(
        f"INSERT INTO staged_{table} (row_id, origin, file, line, fed_by, {names}) "
        f"SELECT {first - 1} + row_number() OVER (ORDER BY row_id, line), origin, file, line, 'sheet', {values} "
        f"FROM {source}"
    )
    never = set(TABLES[table].names) - set(columns)
    stage.keep_undelivered(TABLES[table], sorted(never | (stage.absent_in_sheet & set(columns))), first_row=first)
