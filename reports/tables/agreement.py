"""Agreement of readers and trends as tables."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from analysis.results import Agreement, TrendTest
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.beside import level_words, said, tests_table

GRADE_WORDS = {"none": "none", "linear": "linear", "quadratic": "quadratic", "given": "as given"}


def agreement_tables(result: Agreement, key: str) -> tuple[Table, ...]:
    """Return kappa with its limits, the table of two readers' grades, and kappa of each grade."""
    unit = wording.unit(result.unit)
    rows = tuple(_kappa_row(row, unit) for row in records(result.table))
    limits = f"Kappa ({level_words(result)} limits)"
    main = Table(
        key=key,
        caption="Agreement of readers beyond chance.",
        unit=unit,
        columns=(
            Column("measure", "Measure"),
            Column("readers", "Readers"),
            Column("weights", "Weights"),
            Column("n", "n"),
            Column("observed", "Agreement"),
            Column("expected", "Expected by chance"),
            Column("kappa", limits),
            Column("beside", "Limits on Fisher's z scale"),
            Column("p_value", "p (no agreement beyond chance)"),
        ),
        rows=rows,
        method=result.method,
        notes=said(result),
        labels=3,
    )
    return (main, *_cells_table(result, key, unit), *_categories_table(result, key, unit))


def _kappa_row(row: dict[str, Any], unit: str) -> tuple[Cell, ...]:
    return (
        doc.code(row["method"]),
        doc.text(row["readers"]),
        doc.text(GRADE_WORDS.get(row["weights"], row["weights"])),
        doc.count(row["n"], of_what=unit),
        doc.share(row["observed"], of=row["n"], of_what=unit),
        doc.share(row["expected"], of=row["n"], of_what=unit),
        _kappa(row["estimate"], row["conf_low"], row["conf_high"]),
        _limits_alone(row["estimate"], row["beside_low"], row["beside_high"]),
        doc.p_value(row["p_value"], of_what="no agreement beyond chance"),
    )


def _kappa(estimate: Any, low: Any = None, high: Any = None) -> Cell:
    known = not (wording.is_missing(low) or wording.is_missing(high))
    return Cell(
        kind="number",
        shown=kappa_words(estimate, low, high),
        value=None if wording.is_missing(estimate) else float(estimate),
        low=float(low) if known else None,
        high=float(high) if known else None,
        unit="kappa",
        of_what="agreement beyond chance",
    )


def _limits_alone(estimate: Any, low: Any, high: Any) -> Cell:
    if wording.is_missing(low) or wording.is_missing(high):
        return doc.text(rounding.NOT_ESTIMABLE)
    return replace(_kappa(estimate, low, high), shown=rounding.limits(f"{low:.2f}", f"{high:.2f}"))


def kappa_words(estimate: Any, low: Any = None, high: Any = None) -> str:
    """Write a kappa with its limits; without them where there are none.

    Examples
    --------
    >>> kappa_words(0.493, 0.3818, 0.6042), kappa_words(1.0)
    ('0.49 (0.38 to 0.60)', '1.00')
    """
    if wording.is_missing(estimate):
        return rounding.NOT_ESTIMABLE
    if wording.is_missing(low) or wording.is_missing(high):
        return f"{estimate:.2f}"
    return f"{estimate:.2f} ({rounding.limits(f'{low:.2f}', f'{high:.2f}')})"


def _cells_table(result: Agreement, key: str, unit: str) -> tuple[Table, ...]:
    if result.cells.empty:
        return ()
    grades = list(dict.fromkeys(result.cells["first"]))
    counts = {(row["first"], row["second"]): row["n"] for row in records(result.cells)}
    first, second = result.readers
    rows = tuple(
        (
            doc.code(down),
            *(doc.count(counts[down, across], of_what=unit, denominator=result.n_rows_used) for across in grades),
        )
        for down in grades
    )
    return (
        Table(
            key=f"{key}_cells",
            caption=f"Grades of {first} (down) by those of {second} (across).",
            unit=unit,
            columns=(Column("grade", first), *(Column(grade, wording.label(grade)) for grade in grades)),
            rows=rows,
            method=result.method,
        ),
    )


def _categories_table(result: Agreement, key: str, unit: str) -> tuple[Table, ...]:
    if len(result.categories) < 2:
        return ()
    many = result.n_rows_used * len(result.readers)
    rows = tuple(
        (
            doc.code(row["category"]),
            doc.share(row["share"], of=many, of_what="readings"),
            _kappa(row["estimate"]),
        )
        for row in records(result.categories)
    )
    return (
        Table(
            key=f"{key}_grades",
            caption="Each grade against all others.",
            unit="readings",
            columns=(Column("grade", "Grade"), Column("share", "Share of readings"), Column("kappa", "Kappa")),
            rows=rows,
            method=result.method,
        ),
    )


def trend_tables(result: TrendTest, key: str) -> tuple[Table, ...]:
    """Return the share with the outcome (or its mean score) at each level, and the tests of a trend."""
    unit = wording.unit(result.unit)
    binary = "events" in result.table.columns
    measure = "Share" if binary else "Mean score"
    columns = [
        Column("level", wording.column_label(result.ordered)),
        Column("score", "Score"),
        Column("n", "n"),
        *([Column("events", "With outcome")] if binary else []),
        Column("estimate", f"{measure} ({level_words(result)} limits)"),
    ]
    rows = [_trend_row(row, result, unit, binary=binary) for row in records(result.table)]
    main = Table(
        key=key,
        caption=f"Trend of {wording.column_label(result.outcome).lower()} over "
        f"{wording.column_label(result.ordered).lower()}.",
        unit=unit,
        columns=tuple(columns),
        rows=tuple(rows),
        method=result.method,
        notes=said(result),
    )
    return (main, *tests_table(result.tests, key, result.method))


def _trend_row(row: dict[str, Any], result: TrendTest, unit: str, *, binary: bool) -> tuple[Cell, ...]:
    label = doc.code(row["level"], column=result.ordered)
    score = doc.number(row["score"], of_what="score", decimals=0 if float(row["score"]).is_integer() else 2)
    counted = doc.count(row["n"], of_what=unit)
    if binary:
        own = str(label.value)
        share = doc.share(row["estimate"], of=row["n"], of_what=unit, low=row["conf_low"], high=row["conf_high"])
        events = doc.count(row["events"], of_what=unit, denominator=row["n"])
        return (label, score, counted, events, doc.with_sources(share, f"{own}/events", f"{own}/n"))
    mean = _kappa(row["estimate"], row["conf_low"], row["conf_high"])
    return (label, score, counted, doc.with_sources(_renamed(mean), f"{label.value}/n"))


def _renamed(cell: Cell) -> Cell:
    return replace(cell, unit="score", of_what="mean score of the outcome")
