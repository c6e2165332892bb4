"""``numbers.json``: every number of a document with its freeze, method and denominator."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from typing import Any

from reports.document import Cell, Document, Headlines, Listing, Paragraph, Table, Words

DIGITS = 12
"""Significant digits: enough to recompute anything, few enough to be the same on every machine."""
COUNTED = "counted"


def twelve_digits(value: Any) -> Any:
    """Return the value at 12 significant digits; infinities become text, since JSON has none.

    Examples
    --------
    >>> twelve_digits(1 / 3), twelve_digits(7), twelve_digits(float("inf")), twelve_digits(float("nan"))
    (0.333333333333, 7, 'infinite', None)
    """
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return value
    number = float(value)
    if math.isnan(number):
        return None
    if math.isinf(number):
        return "infinite" if number > 0 else "-infinite"
    if number == int(number) and abs(number) < 10**DIGITS:
        return int(number)
    return float(f"{number:.{DIGITS}g}")


def numbers_json(document: Document) -> str:
    """Write every number of the document, in reading order.

    Returns
    -------
    JSON text: ``identity``, ``title``, ``stamp`` and ``numbers``, a list of records with id, kind, value,
    low, high, unit, of_what, denominator, method, derived_from (ids), shown, sentence (the words around a
    number in running text).
    """
    body = {
        "title": document.title,
        "period": document.subtitle,
        "stamp": document.stamp,
        "identity": document.identity,
        "numbers": list(_records(document)),
    }
    return json.dumps(body, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _records(document: Document) -> Iterator[dict[str, Any]]:
    for section, block in document.blocks():
        if isinstance(block, Table):
            yield from _table_records(section.key, block)
        elif isinstance(block, Headlines):
            for item in block.items:
                yield from _record(f"{section.key}/{block.key}/{item.key}", item.cell, said=_said(item.words))
        elif isinstance(block, Paragraph):
            yield from _word_records(f"{section.key}/text", block.words)
        elif isinstance(block, Listing):
            for words in block.points:
                yield from _word_records(f"{section.key}/list", words)


def _table_records(section: str, table: Table) -> Iterator[dict[str, Any]]:
    prefix = f"{section}/{table.key}"
    for position, row in enumerate(table.rows):
        name = table.row_key(position)
        for column, cell in zip(table.columns, row, strict=True):
            sources = tuple(f"{prefix}/{source}" for source in cell.derived_from)
            yield from _record(f"{prefix}/{name}/{column.key}", cell, table.method, sources)


def _word_records(prefix: str, words: Words) -> Iterator[dict[str, Any]]:
    for position, word in enumerate(words):
        if isinstance(word, Cell):
            yield from _record(f"{prefix}/{position}", word, said=_said(words))


def _said(words: Words) -> str:
    return "".join(part if isinstance(part, str) else part.shown for part in words)


def _record(
    name: str, cell: Cell, method: str = "", sources: tuple[str, ...] = (), *, said: str = ""
) -> Iterator[dict[str, Any]]:
    if not cell.is_number:
        return
    yield {
        "id": name,
        "kind": cell.kind,
        "value": twelve_digits(cell.value),
        "low": twelve_digits(cell.low),
        "high": twelve_digits(cell.high),
        "unit": cell.unit,
        "of_what": cell.of_what,
        "denominator": twelve_digits(cell.denominator),
        "method": cell.method or method or COUNTED,
        "derived_from": list(sources),
        "shown": cell.shown,
        "sentence": said,
    }
