"""Tables as CSV that a spreadsheet can open without running anything."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from registry.spreadsheet_text import harmless
from reports.document import Cell, Table
from reports.numbers import twelve_digits


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Write rows as CSV: UTF-8 text, line feeds at line ends, numbers at 12 significant digits, gaps empty."""
    page = io.StringIO()
    writer = csv.writer(page, lineterminator="\n")
    writer.writerow(header)
    for row in rows:
        writer.writerow([_written(value) for value in row])
    return page.getvalue()


def _written(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, str):
        return harmless(value)
    number = twelve_digits(value)
    return "" if number is None else str(number)


def table_csv(table: Table) -> str:
    """Write a document's table as CSV.

    Each measured column is followed by ``<column>_low`` and ``<column>_high`` where any row has limits, and
    by ``<column>_of`` where its denominator is known.
    """
    header: list[str] = []
    readers = []
    for position, column in enumerate(table.columns):
        cells = [row[position] for row in table.rows]
        header.append(column.key)
        readers.append((position, "value"))
        for name, attribute in (("low", "low"), ("high", "high"), ("of", "denominator")):
            if any(getattr(cell, attribute) is not None for cell in cells):
                header.append(f"{column.key}_{name}")
                readers.append((position, attribute))
    rows = [[_raw(row[position], attribute) for position, attribute in readers] for row in table.rows]
    return csv_text(header, rows)


def _raw(cell: Cell, attribute: str) -> Any:
    return getattr(cell, attribute)
