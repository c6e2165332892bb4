"""Results for the terminal and for programs: aligned text, JSON and CSV."""

from __future__ import annotations

import json
import textwrap
from typing import Any

import pandas as pd

from analysis.results import Distribution, EventRates, OddsRatios, Result, SurvivalCurves, TrendTest
from reports import rounding, wording
from reports.cautions import CautionText, Topic, cautions_for
from reports.document import Table
from reports.frames import records
from reports.numbers import twelve_digits
from reports.spreadsheet import csv_text
from reports.tables.beside import in_words_of, left_out
from reports.tables.building import tables_of

TOPICS: dict[type[Result], Topic] = {
    Distribution: "distribution",
    OddsRatios: "ratio",
    TrendTest: "ratio",
    SurvivalCurves: "return",
    EventRates: "rate",
}
FRAMES = (
    "quantiles",
    "groups",
    "shares_back",
    "tests",
    "ratios",
    "counted",
    "sites",
    "association",
    "coefficients",
    "fit",
    "sensitivity",
    "sets",
    "cells",
    "categories",
)
"""The further tables that a result may carry."""
WORDS = (
    "people",
    "by",
    "outcome",
    "exposure",
    "reference",
    "strata",
    "among",
    "exposures",
    "covariates",
    "design",
    "meaning",
    "cannot_mean",
    "between",
    "first",
    "second",
    "ordered",
    "readers",
    "weights",
    "milestone",
    "time_unit",
    "per",
)
GAP = "  "
PLAIN_SIGNS = ((rounding.NARROW_SPACE, " "), ("−", "-"), ("∞", "inf"))
"""A terminal may lack these signs."""


def result_cautions(result: Result) -> tuple[CautionText, ...]:
    """Return the cautions that must go with the result."""
    topics = [topic for kind, topic in TOPICS.items() if isinstance(result, kind)]
    if isinstance(result, OddsRatios) and result.design != "within_cases":
        topics = ["comparison"]
    if result.people == "minors":
        topics.append("minors")
    return cautions_for(*topics)


def result_text(result: Result, *, width: int | None = None) -> str:
    """Return the result as aligned plain text: its tables, without cautions and notes.

    Parameters
    ----------
    result
        Any result of ``analysis``.
    width
        Characters in a line; a wider table is broken into several below each other. None breaks nothing.

    Returns
    -------
    Lines of text; numbers are rounded and right-aligned.
    """
    return "\n\n".join(aligned(table, width=width) for table in tables_of(result))


def aligned(table: Table, *, width: int | None = None) -> str:
    """Lay a table out with spaces: labels at the left, numbers at the right of their column."""
    cells = [[_plain(cell.shown) for cell in row] for row in table.rows]
    heads = [textwrap.wrap(_plain(column.heading), 18) or [""] for column in table.columns]
    widths = [
        max([*(len(line) for line in head), *(len(row[place]) for row in cells)]) for place, head in enumerate(heads)
    ]
    parts = [
        _part(table, places, heads=heads, cells=cells, widths=widths) for places in _broken(widths, table.labels, width)
    ]
    unit = f" Unit: {table.unit}." if table.unit else ""
    caption = "\n".join(textwrap.wrap(f"{_plain(table.caption)}{unit}", width or 10_000))
    return caption + "\n" + "\n\n".join(parts)


def _broken(widths: list[int], labels: int, width: int | None) -> list[list[int]]:
    """Share out the columns over as many parts as the width asks for; each part begins with the labels."""
    first = list(range(labels))
    if width is None:
        return [list(range(len(widths)))]
    parts = [[*first]]
    for place in range(labels, len(widths)):
        wide = sum(widths[taken] + len(GAP) for taken in parts[-1]) + widths[place]
        if wide > width and len(parts[-1]) > labels:
            parts.append([*first])
        parts[-1].append(place)
    return parts


def _part(table: Table, places: list[int], *, heads: list[list[str]], cells: list[list[str]], widths: list[int]) -> str:
    deep = max(len(heads[place]) for place in places)
    lines = []
    for level in range(deep):
        words = {place: ["", *heads[place]][max(0, level - deep + len(heads[place]) + 1)] for place in places}
        lines.append(_line(table, words, widths))
    lines.append("-" * len(_line(table, {place: "x" * widths[place] for place in places}, widths)))
    lines += [_line(table, {place: row[place] for place in places}, widths) for row in cells]
    return "\n".join(line.rstrip() for line in lines)


def _line(table: Table, words: dict[int, str], widths: list[int]) -> str:
    return GAP.join(
        word.rjust(widths[place]) if table.is_measured(place) else word.ljust(widths[place])
        for place, word in words.items()
    )


def _plain(words: str) -> str:
    for sign, plain in PLAIN_SIGNS:
        words = words.replace(sign, plain)
    return words


def result_said(result: Result) -> tuple[str, ...]:
    """Return what stands beside the tables: method, rows used and left out, notes."""
    lines = [result.method]
    if isinstance(result, OddsRatios):
        lines += [words for words in (result.meaning, result.cannot_mean) if words]
    unit = wording.unit(result.unit)
    used = f"{rounding.count(result.n_rows_used)} of {rounding.count(result.n_rows_in)} {unit} used"
    lines.append(_plain(f"{used}; limits at {result.conf_level * 100:g} %."))
    lines += [f"left out: {_plain(reason)}" for reason in left_out(result)]
    lines += [f"note: {note.sentence}" for note in result.notes]
    return tuple(in_words_of(result, line) for line in lines)


def result_json(result: Result, *, identity: dict[str, Any] | None = None) -> str:
    """Return the result as JSON: every table at 12 significant digits, with method, rows and cautions.

    Returns
    -------
    JSON text: kind, identity, method, unit, conf_level, n_rows_in, n_rows_used, seed, left_out, notes,
    cautions, table, and each further table and setting that the result carries. A gap is null, an infinity
    "infinite".
    """
    body: dict[str, Any] = {
        "kind": type(result).__name__,
        "identity": identity or {},
        "method": result.method,
        "unit": result.unit,
        "conf_level": result.conf_level,
        "n_rows_in": int(result.n_rows_in),
        "n_rows_used": int(result.n_rows_used),
        "seed": result.seed,
        "left_out": _records(result.left_out),
        "notes": [{"code": note.code, "sentence": note.sentence} for note in result.notes],
        "cautions": [{"code": caution.code, "sentence": caution.sentence} for caution in result_cautions(result)],
    }
    body |= {name: getattr(result, name) for name in WORDS if hasattr(result, name)}
    body["table"] = _records(result.table)
    body |= {name: _records(getattr(result, name)) for name in FRAMES if hasattr(result, name)}
    return json.dumps(body, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    return [{name: _for_programs(value) for name, value in row.items()} for row in records(frame)]


def _for_programs(value: Any) -> Any:
    if wording.is_missing(value):
        return None
    if isinstance(value, str | bool):
        return value
    if type(value).__name__ in ("bool_", "bool"):
        return bool(value)
    return twelve_digits(value)


def result_csv(result: Result) -> str:
    """Return the result's table as CSV, unrounded; what belongs to it (method, left out, cautions) is in the JSON.

    Returns
    -------
    CSV text with the table's own columns; safe to open in a spreadsheet.
    """
    rows = [[_for_programs(value) for value in row.values()] for row in records(result.table)]
    return csv_text([*map(str, result.table.columns)], rows)
