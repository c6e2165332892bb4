"""Distributions as tables: one row a value, or a cross-table of counts."""

from __future__ import annotations

from typing import Any

from analysis.results import Distribution
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.pictures.heat import MOST_ROWS, order
from reports.tables.beside import level_words, row_name, said, spoken_list, tests_table


def distribution_tables(result: Distribution, key: str) -> tuple[Table, ...]:
    """Return a distribution as tables: shares, or a cross-table of counts."""
    if len(result.by) == 2:
        main = _cross_table(result, key)
    else:
        listed, blank = _without_blanks(records(result.table))
        rows = [_share_row(result, row) for row in listed]
        columns = [Column(name, wording.column_label(name)) for name in result.by]
        columns += [Column("n", "n"), Column("share", f"Share ({level_words(result)} limits)")]
        main = Table(
            key=key,
            caption=f"Distribution by {spoken_list(result.by)}.",
            unit=result.unit,
            columns=tuple(columns),
            rows=tuple(rows),
            method=result.method,
            notes=(*blank, *said(result)),
            labels=len(result.by),
        )
    return (main, *tests_table(result.tests, key, result.method))


def _without_blanks(rows: list[dict[str, Any]]) -> tuple[list[dict[str, Any]], tuple[str, ...]]:
    """Leave out rows without any count where a code list is too long to read."""
    counted = [row for row in rows if row["n"]]
    if len(rows) <= MOST_ROWS or len(counted) == len(rows):
        return rows, ()
    return counted, (_not_listed(len(rows) - len(counted)),)


def _not_listed(blank: int) -> str:
    return f"Not listed: {blank} that {'does' if blank == 1 else 'do'} not occur."


def _share_row(result: Distribution, row: dict[str, Any]) -> tuple[Cell, ...]:
    labels = [doc.code(row[name], column=name) for name in result.by]
    own = row_name(labels)
    share = doc.share(row["estimate"], of=row["of"], of_what=result.unit, low=row["conf_low"], high=row["conf_high"])
    counted = doc.count(row["n"], of_what=result.unit, denominator=row["of"])
    return (*labels, counted, doc.with_sources(share, f"{own}/n"))


def _cross_table(result: Distribution, key: str) -> Table:
    table = result.table
    down, across = order(table, result.by)
    heads = list(dict.fromkeys(table[across]))
    cells: dict[tuple[str, str], Cell] = {}
    for row in records(table):
        impossible = bool(row.get("impossible", False))
        cell = (
            doc.text(wording.NO_VALUE)
            if impossible
            else doc.count(row["n"], of_what=result.unit, denominator=row["of"])
        )
        cells[(_word(row[down]), _word(row[across]))] = cell
    rows = []
    for value in dict.fromkeys(table[down]):
        line = [cells.get((_word(value), _word(head)), doc.text(wording.NO_VALUE)) for head in heads]
        if any(cell.value for cell in line if cell.kind == "count"):
            rows.append((doc.code(value, column=down), *line))
    blank = table[down].nunique(dropna=False) - len(rows)
    notes = (_not_listed(blank),) if blank else ()
    dashed = any(cell.shown == wording.NO_VALUE for row in rows for cell in row)
    dashes = (f"{wording.NO_VALUE} means: cannot be.",) if dashed else ()
    return Table(
        key=key,
        caption=f"{wording.column_label(down)} by {wording.column_label(across).lower()}.",
        unit=result.unit,
        columns=(
            Column(down, wording.column_label(down)),
            *(Column(_word(head), wording.label(head, column=across)) for head in heads),
        ),
        rows=tuple(rows),
        method=result.method,
        notes=(*dashes, *notes, *said(result)),
    )


def _word(value: Any) -> str:
    return "not_recorded" if wording.is_missing(value) else str(value)
