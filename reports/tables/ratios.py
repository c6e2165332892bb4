"""Odds ratios as a table: one row a level, its counts first, then one column a method."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pandas as pd

from analysis.results import OddsRatios
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.beside import in_words_of, said, tests_table

MAIN_METHODS = ("mantel_haenszel", "conditional_exact", "conditional_mid_p", "woolf")


def odds_tables(result: OddsRatios, key: str) -> tuple[Table, ...]:
    """Return odds ratios as tables."""
    methods = [method for method in MAIN_METHODS if method in set(result.table["method"])]
    columns = (
        Column("level", wording.column_label(result.exposure)),
        Column("events", "With outcome"),
        Column("others", "Without"),
        *(Column(method, wording.sentence_case(wording.label(method))) for method in methods),
        *([Column("robust", "Limits that respect repeaters")] if _has_robust(result) else []),
        Column("p_value", "p (exact)" if methods and methods[0] == "conditional_exact" else "p"),
    )
    rows = [_reference_row(result, len(methods), robust=_has_robust(result))] if len(result.table) else []
    for _, group in result.table.groupby("level", sort=False, dropna=False):
        rows.append(_odds_row(result, group, methods))
    exposure = wording.column_label(result.exposure).lower()
    reference = wording.label(result.reference, column=result.exposure)
    main = Table(
        key=key,
        caption=f"Odds of {_spoken_outcome(result.outcome)} by {exposure}, against {reference}.",
        unit=result.unit,
        columns=columns,
        rows=tuple(rows),
        method=result.method,
        notes=(in_words_of(result, result.meaning), *said(result)),
    )
    return (main, *tests_table(result.tests, key, result.method))


def _reference_row(result: OddsRatios, gaps: int, *, robust: bool) -> tuple[Cell, ...]:
    first = result.table.iloc[0]
    reference = wording.label(result.reference, column=result.exposure)
    return (
        Cell(kind="text", shown=f"{reference} (reference)", value=str(result.reference)),
        doc.count(first["reference_events"], of_what=result.unit),
        doc.count(first["reference_others"], of_what=result.unit),
        *[doc.text("1")] * gaps,
        *[doc.text("")] * robust,
        doc.text(""),
    )


def _odds_row(result: OddsRatios, group: pd.DataFrame, methods: list[str]) -> tuple[Cell, ...]:
    first = group.iloc[0]
    level = doc.code(first["level"], column=result.exposure)
    own, reference = str(level.value or "not_recorded"), str(result.reference)
    sources = [f"{name}/{part}" for name in (own, reference) for part in ("events", "others")]
    cells: list[Cell] = [
        level,
        doc.count(first["exposed_events"], of_what=result.unit),
        doc.count(first["exposed_others"], of_what=result.unit),
    ]
    by_method = {row["method"]: row for row in records(group)}
    for method in methods:
        row = by_method.get(method)
        if row is None:
            cells.append(doc.text(rounding.NOT_ESTIMABLE))
            continue
        ratio = doc.ratio(row["estimate"], of_what="odds ratio", low=row["conf_low"], high=row["conf_high"])
        cells.append(doc.with_sources(ratio, *sources))
    if _has_robust(result):
        cells.append(_robust(by_method.get("woolf"), sources))
    p_value = by_method[methods[0]]["p_value"] if methods[0] in by_method else None
    cells.append(doc.with_sources(doc.p_value(p_value, of_what="no association"), *sources))
    return tuple(cells)


def _has_robust(result: OddsRatios) -> bool:
    return "robust_low" in result.table.columns and bool(result.table["robust_low"].notna().any())


def _robust(row: dict[str, Any] | None, sources: list[str]) -> Cell:
    if row is None or wording.is_missing(row["robust_low"]):
        return doc.text(rounding.NOT_ESTIMABLE)
    low, high = row["robust_low"], row["robust_high"]
    whole = doc.ratio(row["estimate"], of_what="odds ratio", low=low, high=high)
    shown = rounding.limits(rounding.ratio(low), rounding.ratio(high))
    return doc.with_sources(replace(whole, shown=shown), *sources)


def _spoken_outcome(outcome: str) -> str:
    column, equals, values = outcome.partition("=")
    if not equals:
        return outcome
    said = " or ".join(wording.label(value, column=column) for value in values.split(","))
    return f"{wording.column_label(column).lower()} {said}"
