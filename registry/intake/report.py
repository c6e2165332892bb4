"""What an intake says: files, tables, and every finding with its place and its mend."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.dictionary import Table
from registry.errors import suggestion
from registry.intake.checks import listed
from registry.intake.committing import TableCount
from registry.intake.identifiers import Refusal
from registry.intake.reasons import REASONS, sentence
from registry.intake.recognising import ALL_TABLES, RecognisedFile, also_read_columns
from registry.intake.sheet_rows import SHEET_COLUMN

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

FINDING_COLUMNS = ("file", "row", "table", "column", "code", "severity", "message")


def no_findings() -> pd.DataFrame:
    """Return the empty table of findings."""
    import pandas as pd

    return pd.DataFrame(columns=list(FINDING_COLUMNS)).astype({"row": "int64"})


@dataclass(frozen=True)
class FileCount:
    """One delivered file: its table, its rows, and how many of them are held."""

    file: str
    table: str
    rows: int
    held: int
    already_taken: bool = False


@dataclass(frozen=True, kw_only=True)
class IntakeReport:
    """The outcome of one intake.

    findings
        pandas frame: file, row (as in the file, header = 1), table, column, code, severity (hold, warn), message.
    released
        Rows held earlier that this delivery made acceptable.
    """

    site: str
    dry_run: bool
    files: list[FileCount]
    tables: list[TableCount]
    findings: pd.DataFrame = field(default_factory=no_findings)
    refusals: list[Refusal] = field(default_factory=list)
    released: int = 0

    @property
    def nothing_changed(self) -> bool:
        """Whether every file had been taken in before."""
        return bool(self.files) and all(file.already_taken for file in self.files) and not self.refusals

    @property
    def held(self) -> int:
        """Rows of this delivery that are held."""
        return sum(file.held for file in self.files)

    @property
    def exit_code(self) -> int:
        """Return 0 when everything was taken in, 1 when rows are held or a file was refused."""
        return 1 if self.held or self.refusals else 0


def findings_frame(connection: DuckDBPyConnection, query: str) -> pd.DataFrame:
    """Word the findings of a query with columns file, line, table_name, column_name, code, cell."""
    import pandas as pd

    rows = connection.execute(query).fetchall()
    worded = [_worded(*row) for row in rows]
    return pd.DataFrame(worded, columns=list(FINDING_COLUMNS)).astype({"row": "int64"})


def _worded(
    file: str, line: int, table_name: str, column: str | None, code: str, cell: str | None
) -> tuple[str, int, str, str, str, str, str]:
    table = ALL_TABLES[table_name]
    known = column is not None and column in table.names
    field_ = table[column] if known and column is not None else None
    message = sentence(code, field_, length=None if cell is None else len(cell), **_facts(table, column, code))
    if code == "unknown_code" and cell is not None and field_ is not None and field_.showable:
        message += "." + suggestion(cell, field_.accepted_words)
    return file, line, table_name, column or "", code, REASONS[code].severity, message


def _facts(table: Table, column: str | None, code: str) -> dict[str, str]:
    facts: dict[str, str] = {"later": f"'{column}'"}
    if code in ("one_needed", "only_one"):
        groups = [group for group in (*table.either, *table.exclusive) if column in group]
        facts["columns"] = ", ".join(groups[0]) if groups else ""
    if code == "wrong_order":
        earlier = [pair[0] for pair in table.ordered if pair[1] == column]
        facts["earlier"] = " or ".join(f"'{name}'" for name in earlier)
    if code in ("unknown_parent", "parent_held") and column in table.names:
        facts["parent"] = table[str(column)].refers_to or "athletes"
    return facts


def place_findings(connection: DuckDBPyConnection) -> None:
    """Make ``said``: each finding with the file, row and column in which a person finds it."""
    origins = " UNION ALL ".join(
        f"SELECT row_id, file, line, '{name}' AS origin_table FROM staged_{name} WHERE origin = row_id"
        for name in ALL_TABLES
    )
    mapped = " ".join(
        f"WHEN f.table_name = '{table}' AND f.column_name = '{column}' THEN '{sheet_column}'"
        for (table, column), sheet_column in SHEET_COLUMN.items()
    )
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE said AS SELECT DISTINCT f.row_id, f.origin, o.file, o.line, "
        "o.origin_table AS table_name, CASE WHEN o.origin_table <> 'sheet' THEN f.column_name "
        f"{mapped} ELSE f.column_name END AS column_name, f.code, f.cell "
        f"FROM findings_said f JOIN ({origins}) o ON o.row_id = f.origin"
    )


def delivery_findings(
    connection: DuckDBPyConnection, files: list[RecognisedFile], *, first_new_row: int, delivery: int
) -> pd.DataFrame:
    """List the findings of a delivery's own rows; rows held earlier are listed by ``annulary held``."""
    names = listed([file.text.name for file in files])
    unreadable = (
        "SELECT file, line, table_name, NULL, code, NULL FROM held JOIN held_reasons USING (held_id) "
        f"WHERE delivery = {delivery} AND cells IS NULL"
    )
    frame = findings_frame(
        connection,
        "SELECT * FROM (SELECT DISTINCT file, line, table_name, column_name, code, cell FROM said "
        f"WHERE origin >= {first_new_row} AND file IN ({names}) UNION ALL {unreadable}) "
        "ORDER BY file, line, column_name, code",
    )
    for file in files:
        for other, (name, _) in also_read_columns(file.table).items():
            if other in file.text.header:
                ours = (frame["file"] == file.text.name) & (frame["column"] == name)
                frame.loc[ours, "column"] = other
    return frame
