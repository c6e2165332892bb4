"""What an intake says: files, tables, and every finding with its place and its mend."""

from __future__ import annotations

from array import array
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from registry.dictionary import SHEET, Table
from registry.errors import suggestion
from registry.intake.across_derived import DERIVED_CODES
from registry.intake.checks import listed
from registry.intake.committing import TableCount
from registry.intake.identifiers import Refusal
from registry.intake.reasons import REASONS, sentence
from registry.intake.recognising import ALL_TABLES, HELD_ID, MAPPED, MENDED, RecognisedFile, also_read_columns
from registry.intake.sheet_rows import SHEET_COLUMN

if TYPE_CHECKING:
    import pandas as pd
    from duckdb import DuckDBPyConnection

FINDING_COLUMNS = ("file", "row", "table", "column", "code", "severity", "message")
MOST_WORDS = 14
ROWS_AT_A_TIME = 10_000
MOST_SUGGESTIONS = 5_000
"""Different wrong words for which a right one is looked for; a file with more has another fault than spelling."""


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
    vanished
        Table -> rows of earlier deliveries that a snapshot no longer holds; they stay in the registry.
    total_rows
        Rows of totals that the column map names, which are no records.
    """

    site: str
    dry_run: bool
    files: list[FileCount]
    tables: list[TableCount]
    findings: pd.DataFrame = field(default_factory=no_findings)
    refusals: list[Refusal] = field(default_factory=list)
    released: int = 0
    vanished: dict[str, int] = field(default_factory=dict)
    total_rows: int = 0

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


def findings_frame(
    connection: DuckDBPyConnection, query: str, *, words: Mapping[str, Sequence[str]] | None = None
) -> pd.DataFrame:
    """Word the findings of a query.

    Parameters
    ----------
    query
        Columns: file, line, table_name, field, column_name (as the file calls it), code, cell.
    words
        Column of a site's own -> the words that its column map knows there.
    """
    import pandas as pd

    lines, kinds, said = array("q"), array("q"), _Wording(words or {})
    result = connection.execute(query)
    while rows := result.fetchmany(ROWS_AT_A_TIME):
        for file, line, *what in rows:
            lines.append(line)
            kinds.append(said.kind_of(file, *what))
    frame: dict[str, object] = {
        # One text for all findings of a kind: a million findings share a few hundred sentences.
        name: np.array([worded[place] for worded in said.worded] or [""], dtype=object)[np.asarray(kinds)]
        for place, name in enumerate(FINDING_COLUMNS)
        if name != "row"
    }
    frame["row"] = np.asarray(lines)
    return pd.DataFrame(frame, columns=list(FINDING_COLUMNS), copy=False)


class _Wording:
    """The sentences of findings, each worded once."""

    def __init__(self, words: Mapping[str, Sequence[str]]) -> None:
        self.words = words
        self.numbers: dict[tuple[object, ...], int] = {}
        self.worded: list[tuple[str, int, str, str, str, str, str]] = []

    def kind_of(
        self, file: str, table: str, field_name: str | None, column: str | None, code: str, cell: str | None
    ) -> int:
        """Return the number of the sentence that says this finding."""
        told: str | int | None = None
        if code == "unknown_code" and cell is not None:
            told = cell if len(self.worded) < MOST_SUGGESTIONS else len(cell)
        kind = (file, table, field_name, column, code, told)
        number = self.numbers.get(kind)
        if number is None:
            number = self.numbers[kind] = len(self.worded)
            suggest = isinstance(told, str)
            self.worded.append(_worded(file, table, field_name, column, code, cell, words=self.words, suggest=suggest))
        return number


def _worded(
    file: str,
    table_name: str,
    field_name: str | None,
    column: str | None,
    code: str,
    cell: str | None,
    *,
    words: Mapping[str, Sequence[str]],
    suggest: bool,
) -> tuple[str, int, str, str, str, str, str]:
    table = ALL_TABLES.get(table_name)
    field_ = table[field_name] if table and field_name in table.names and field_name is not None else None
    facts = _facts(table, field_name, code) if table else {}
    known = words.get(column or "", ())
    if code == "unknown_word":
        some = ", ".join(known[:MOST_WORDS]) + (", ..." if len(known) > MOST_WORDS else "")
        facts["words"] = some
    message = sentence(code, field_, length=None if cell is None else len(cell), **facts)
    if suggest and cell is not None and field_ is not None and field_.showable:
        message += "." + suggestion(cell, field_.accepted_words)
    return file, 0, table_name, column or "", code, REASONS[code].severity, message


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
    """Make ``said``: each finding with the file, row and column in which a person finds it.

    Of a row in a site's own columns a fault of the map is said alone: what follows from it under our fields is not.
    """
    ours = " UNION ALL ".join(
        f"SELECT row_id, file, line, '{name}' AS origin_table FROM staged_{name} WHERE origin = row_id"
        for name in ALL_TABLES
        if name != SHEET.name
    )
    elsewhere = " ".join(
        f"WHEN f.table_name = '{table}' AND f.column_name = '{column}' THEN '{sheet_column}'"
        for (table, column), sheet_column in SHEET_COLUMN.items()
    )
    in_sheet = f"CASE {elsewhere} ELSE f.column_name END"
    lead = "f.row_id, f.origin, o.file, o.line"
    # Only rows that feed several tables can say one thing twice; the others are not sorted to find out.
    connection.execute(
        f"CREATE OR REPLACE TEMP TABLE said AS SELECT {lead}, o.origin_table AS table_name, f.column_name, "
        f"f.column_name AS shown_column, f.code, f.cell FROM findings_said f JOIN ({ours}) o ON o.row_id = f.origin "
        f"UNION ALL SELECT DISTINCT {lead}, '{SHEET.name}', {in_sheet}, "
        f"{in_sheet}, f.code, f.cell FROM findings_said f JOIN staged_sheet o ON o.row_id = f.origin "
        f"AND o.origin = o.row_id UNION ALL ({_said_of_mapped()})"
    )


def _said_of_mapped() -> str:
    return (
        "WITH placed AS (SELECT DISTINCT f.row_id, f.origin, o.file, o.line, f.table_name, f.column_name, "
        f"coalesce(p.source, f.column_name) AS shown_column, f.table_name = '{MAPPED}' AS by_map, f.code, f.cell "
        "FROM findings_said f JOIN staged_source o ON o.row_id = f.origin LEFT JOIN mapped_places p "
        "ON p.table_name = f.table_name AND p.field = f.column_name "
        "AND f.row_id BETWEEN p.first_row AND p.last_row) "
        "SELECT row_id, origin, file, line, table_name, column_name, shown_column, code, cell FROM placed "
        "WHERE by_map OR (origin, shown_column) NOT IN "
        "(SELECT origin, shown_column FROM placed WHERE by_map AND shown_column IS NOT NULL) "
        "QUALIFY row_number() OVER (PARTITION BY origin, shown_column, code ORDER BY table_name, row_id) = 1"
    )


def delivery_findings(
    connection: DuckDBPyConnection,
    files: list[RecognisedFile],
    *,
    first_new_row: int,
    delivery: int,
    words: Mapping[str, Sequence[str]],
) -> pd.DataFrame:
    """List the findings of a delivery's own rows; rows held earlier are listed by ``annulary held``."""
    names = listed([file.text.name for file in files])
    unreadable = (
        "SELECT file, line, table_name, NULL, NULL, code, NULL FROM held JOIN held_reasons USING (held_id) "
        f"WHERE delivery = {delivery} AND cells IS NULL"
    )
    said = "table_name, column_name AS field, shown_column AS column_name, code, cell"
    mended = (
        "SELECT m.file, m.line, s.table_name, s.column_name, s.shown_column, s.code, s.cell FROM said s "
        "JOIN mended m ON s.origin = m.held_id"
    )
    frame = findings_frame(
        connection,
        f"SELECT * FROM (SELECT DISTINCT file, line, {said} FROM said "
        f"WHERE origin >= {first_new_row} AND file IN ({names}) UNION ALL {unreadable} UNION {mended} "
        f"UNION ALL SELECT file, line, table_name, column_name, column_name, code, NULL FROM warnings "
        f"WHERE delivery = {delivery} AND code IN ({listed(DERIVED_CODES)}) "
        "UNION ALL SELECT file, line, table_name, NULL, NULL, 'withdrawn', NULL FROM not_kept "
        f"UNION ALL SELECT file, line, '{MENDED}', NULL, '{HELD_ID}', 'not_open', NULL FROM not_open "
        f"UNION ALL SELECT file, line, '{MENDED}', NULL, NULL, code, NULL FROM not_read) "
        "ORDER BY file, line, column_name, code",
        words=words,
    )
    for file in files:
        for other, (name, _) in also_read_columns(file.table).items() if file.table else ():
            if other in file.text.header:
                ours = (frame["file"] == file.text.name) & (frame["column"] == name)
                frame.loc[ours, "column"] = other
    return frame
