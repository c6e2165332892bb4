"""What a column map does to a file, before anything is taken in: rows before and after, and every fault counted.

Nothing is written, and a map may be tried while its questions are still open. A cell is shown only where no field that
it feeds could identify anyone and nothing is wrong with it.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow as pa
import pyarrow.compute as pc

from registry.dictionary import TABLES, Field
from registry.door import ENGINE_SETTINGS, quoted
from registry.errors import DeliveryError
from registry.intake.checks import field_findings, listed
from registry.intake.files import WORKBOOK_STARTS, form_of
from registry.intake.identifiers import content_refusal, pattern_fault
from registry.intake.reading import TextTable, read_bytes, read_table
from registry.intake.reasons import sentence
from registry.intake.recognising import HELD_ID
from registry.intake.refusing import feeds_of_map
from registry.intake.workbook import read_workbook
from registry.maps.applying import Part, apply_map
from registry.maps.model import same_column

if TYPE_CHECKING:
    from duckdb import DuckDBPyConnection

    from registry.maps.model import ColumnMap, Question

SHOWN_LINES = 5
LONGEST_SHOWN = 28
MOST_WORDS = 14
EXPLAINED = {
    "date_order": ("not_a_date", "impossible_date", "date_out_of_range"),
    "decimal_mark": ("not_a_number", "not_an_integer", "decimal_comma", "out_of_range"),
}
"""Key of [file] that is asked for -> faults that may go with the answer."""
Table = list[list[str]]
"""Lines of text cells."""


@dataclass(frozen=True, kw_only=True)
class Fault:
    """One kind of fault in one column: how many rows, and the first of them."""

    column: str
    code: str
    n: int
    rows: tuple[int, ...]
    message: str


@dataclass(frozen=True, kw_only=True)
class Preview:
    """What a map does to one table of a file. Faults that an open question may explain are not counted.

    fits_name
        The map's ``match`` fits the file's name; where it does not, an intake would not use the map.
    unused, missing, dropped
        Columns that the map neither uses nor drops (as "3 'Name'"); that it uses and the file lacks; that it drops.
    identifiers
        Why the file would be refused whole; its rows are not shown then.
    before
        First line: "column", then the rows' numbers. Then one line a column of the file.
    after
        Our table -> the same with our fields.
    """

    file: str
    n_rows: int
    n_total_rows: int
    n_unreadable: int
    fits_name: bool
    unused: tuple[str, ...]
    missing: tuple[str, ...]
    dropped: tuple[str, ...]
    questions: tuple[Question, ...]
    identifiers: str
    faults: tuple[Fault, ...] = ()
    n_faulty_rows: int = 0
    before: Table = field(default_factory=list)
    after: dict[str, Table] = field(default_factory=dict)

    @property
    def is_clean(self) -> bool:
        """Whether an intake would find nothing in the cells, as far as one row alone can tell."""
        found = (self.unused, self.missing, self.questions, self.identifiers, self.faults, self.n_unreadable)
        return self.fits_name and not any(found)


def preview(file: str | Path, *, column_map: ColumnMap, rows: int = 5) -> list[Preview]:
    """Try a column map on a file.

    Parameters
    ----------
    file
        CSV, TSV or XLSX; of a workbook every filled sheet is tried.
    column_map
        The map; questions may be open.
    rows
        How many rows are shown before and after.

    Returns
    -------
    list of Preview, one for each table of the file.

    Raises
    ------
    DeliveryError
        A file that cannot be read in the way that the map says, or a sheet of held rows.
    """
    path = Path(file)
    data = read_bytes(path)
    name = "".join(character if character.isprintable() else "?" for character in path.name)
    if data.startswith(WORKBOOK_STARTS):
        texts = read_workbook(data, name=name, form=form_of(column_map))
    else:
        texts = [read_table(data, name=name, form=form_of(column_map))]
    if any(text.header[0].strip().lower() == HELD_ID for text in texts):
        raise DeliveryError(f"{name} is a sheet of held rows; it is mended and delivered, and needs no map.")
    return [_preview_of(text, column_map, rows=rows, name=name) for text in texts]


def _preview_of(text: TextTable, column_map: ColumnMap, *, rows: int, name: str) -> Preview:
    import duckdb

    text, unused, missing = _fitted(text, column_map)
    with duckdb.connect(":memory:", config=ENGINE_SETTINGS) as connection:
        refusal = content_refusal(
            connection,
            text,
            feeds=_judged(column_map),
            dropped=column_map.file.drop,
            pattern=_pattern(column_map),
            words={column: column_map.words_of(column) for column in column_map.columns},
        )
        mapped = apply_map(text.cells, column_map)
        found = [
            (int(line), str(column), str(code)) for line, column, code in zip(*_lists(mapped.findings), strict=True)
        ]
        by_map = {(line, column) for line, column, _ in found}
        messages = {(column, code): _worded(code, None, column, column_map) for _, column, code in found}
        for part in mapped.parts:
            for line, column, field_, code in _part_findings(connection, part):
                if (line, column) not in by_map and column not in missing:
                    found.append((line, column, code))
                    messages.setdefault((column, code), _worded(code, field_, column, column_map))
    asked = _asked(column_map)
    found += [(row.line, "", row.code) for row in text.unreadable]
    messages |= {("", row.code): _worded(row.code, None, "", column_map) for row in text.unreadable}
    found = sorted({one for one in found if one[1] not in missing and one[2] not in asked})
    has_header = len(unused) < len(text.header)
    lines = text.cells.column("line").to_pylist()[:rows] if has_header and not refusal else []
    hidden = {(line, column) for line, column, _ in found}
    return Preview(
        file=text.name,
        n_rows=text.n_rows,
        n_total_rows=text.n_total_rows,
        n_unreadable=len(text.unreadable),
        fits_name=fnmatchcase(name.lower(), column_map.match.lower()),
        unused=unused,
        missing=missing,
        dropped=tuple(column for column in column_map.file.drop if column in text.header),
        questions=column_map.open_questions,
        identifiers=refusal.found if refusal else "",
        faults=_counted(found, messages),
        n_faulty_rows=len({line for line, _, _ in found}),
        before=_before(text, column_map, lines, hidden) if lines else [],
        after=_after(mapped.parts, lines, hidden) if lines else {},
    )


def _fitted(text: TextTable, column_map: ColumnMap) -> tuple[TextTable, tuple[str, ...], tuple[str, ...]]:
    """Give the columns the map's spelling and add empty ones for those that the file lacks."""
    spelling = column_map.spelling
    header = [spelling.get(same_column(column), column) for column in text.header]
    twice = [place for place, column in enumerate(header, start=1) if column in header[: place - 1]]
    if twice:
        raise DeliveryError(f"{text.name}: column {twice[0]} has the name of an earlier one; rename or remove it.")
    missing = tuple(column for column in column_map.columns if column not in header)
    places = [(place, column) for place, column in enumerate(header, start=1) if same_column(column) not in spelling]
    # Where no column at all is found, the line may be a row of data, and its cells are not repeated.
    is_header = len(places) < len(header)
    unused = tuple(f"{place} '{column}'" if is_header else f"{place}" for place, column in places)
    cells = text.cells.rename_columns([*header, "line"])
    for column in missing:
        cells = cells.append_column(column, pa.array([""] * cells.num_rows, pa.string()))
    return replace(text, header=tuple(header), cells=cells), unused, missing


def _asked(column_map: ColumnMap) -> frozenset[str]:
    """Return the codes of faults that an open question explains: the order of dates, the decimal mark."""
    open_keys = {question.target[1] for question in column_map.open_questions if question.target[:1] == ("file",)}
    return frozenset(code for key in open_keys for code in EXPLAINED.get(key, ()))


def _pattern(column_map: ColumnMap) -> str:
    """Return the pattern of pseudonyms that the map's own site row gives; '' where it gives none that can be used."""
    pattern = column_map.site_row.get("pseudonym_pattern", "")
    return pattern if pattern and pattern_fault(pattern) is None else ""


def _judged(column_map: ColumnMap) -> dict[str, tuple[Field, ...]]:
    """Return what each column feeds; without the site's pattern a pseudonym is judged as any other key."""
    feeds = feeds_of_map(column_map)
    if _pattern(column_map):
        return feeds
    return {
        column: tuple(replace(one, kind="key") if one.kind == "pseudonym" else one for one in fields)
        for column, fields in feeds.items()
    }


def _lists(findings: pa.Table) -> tuple[list[int], list[str], list[str]]:
    return tuple(findings.column(name).to_pylist() for name in ("line", "column", "code"))


def _part_findings(connection: DuckDBPyConnection, part: Part) -> list[tuple[int, str, Field, str]]:
    """Return (line, source column, field, code) of what the dictionary finds in the cells of a part."""
    table = TABLES[part.table]
    fed = [name for name in table.names if name in part.cells.column_names]
    connection.register("mapped_part", part.cells)
    cells = ", ".join(f"{quoted(name) if name in fed else 'NULL'} AS {quoted(name)}" for name in table.names)
    connection.execute(
        "CREATE OR REPLACE TEMP TABLE tried AS SELECT row_number() OVER () AS row_id, line AS origin, '' AS file, "
        f"line, '' AS fed_by, {cells} FROM mapped_part"
    )
    connection.unregister("mapped_part")
    # The clock is universal time; somewhere the next day has begun already.
    today = (datetime.now(UTC) + timedelta(hours=14)).date()
    rows = connection.execute(
        f"SELECT DISTINCT origin, column_name, code FROM ({field_findings(table, 'tried', received_on=today)}) "
        f"WHERE column_name IN ({listed(fed)})"
    ).fetchall()
    return [(line, part.places.get(name, name), table[name], code) for line, name, code in rows]


def _worded(code: str, field_: Field | None, column: str, column_map: ColumnMap) -> str:
    words = column_map.words_of(column)
    some = ", ".join(words[:MOST_WORDS]) + (", ..." if len(words) > MOST_WORDS else "")
    return sentence(code, field_, words=some if code == "unknown_word" else "")


def _counted(found: Sequence[tuple[int, str, str]], messages: dict[tuple[str, str], str]) -> tuple[Fault, ...]:
    counts = Counter((column, code) for _, column, code in found)
    first: dict[tuple[str, str], list[int]] = {}
    for line, column, code in found:
        lines = first.setdefault((column, code), [])
        if len(lines) < SHOWN_LINES:
            lines.append(line)
    return tuple(
        Fault(column=column, code=code, n=n, rows=tuple(first[column, code]), message=messages[column, code])
        for (column, code), n in sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))
    )


def _shown(cell: str | None, *, showable: bool) -> str:
    text = (cell or "").strip()
    if not text:
        return ""
    if showable and len(text) <= LONGEST_SHOWN and text.isprintable():
        return text
    return f"({len(text)} character{'s' if len(text) != 1 else ''})"


def _before(text: TextTable, column_map: ColumnMap, lines: list[int], hidden: set[tuple[int, str]]) -> Table:
    fields = {
        column: [TABLES[table][name] for table, name in pairs] for column, pairs in column_map.feeds.items() if pairs
    }
    table = [["column", *(f"row {line}" for line in lines)]]
    for column in text.header:
        showable = column in fields and all(one.showable for one in fields[column])
        cells = text.cells.column(column).to_pylist()[: len(lines)]
        shown = [
            _shown(cell, showable=showable and (line, column) not in hidden)
            for line, cell in zip(lines, cells, strict=True)
        ]
        table.append([column, *shown])
    return table


def _after(parts: Sequence[Part], lines: list[int], hidden: set[tuple[int, str]]) -> dict[str, Table]:
    """Lay the rows that the first lines make side by side, one small table for each table of ours."""
    made: dict[str, list[tuple[int, dict[str, str]]]] = {}
    for part in parts:
        table = TABLES[part.table]
        wanted = part.cells.filter(pc.is_in(part.cells.column("line"), pa.array(lines, pa.int64())))
        for row in wanted.to_pylist():
            line = row.pop("line")
            shown = {
                name: _shown(cell, showable=table[name].showable and (line, part.places.get(name, name)) not in hidden)
                for name, cell in row.items()
            }
            made.setdefault(part.table, []).append((line, shown))
    tables = {}
    for name, rows in made.items():
        rows.sort(key=lambda one: one[0])
        fields = [field_ for field_ in TABLES[name].names if any(field_ in row for _, row in rows)]
        head = ["field", *(f"row {line}" for line, _ in rows)]
        tables[name] = [head, *([field_, *(row.get(field_, "") for _, row in rows)] for field_ in fields)]
    return tables
