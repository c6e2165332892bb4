"""What every table says beside its rows, and its tests."""

from __future__ import annotations

from collections.abc import Iterable

import pandas as pd

from analysis.results import Result
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records


def row_name(cells: Iterable[Cell]) -> str:
    """Return the name of a row inside its table: the codes of its label cells, joined."""
    return "+".join(str(cell.value or "not_recorded") for cell in cells)


def tests_table(tests: pd.DataFrame, key: str, method: str) -> tuple[Table, ...]:
    """Return the tests as a table, or nothing."""
    if tests.empty:
        return ()
    names = [name for name in ("level", "test") if name in tests.columns]
    rows = []
    for row in records(tests):
        degrees = "" if wording.is_missing(row["df"]) else f"{row['df']:g}"
        rows.append(
            (
                *(doc.code(row[name]) for name in names),
                doc.number(row["statistic"], of_what="test statistic"),
                Cell(kind="number", shown=degrees, value=row["df"], unit="degrees of freedom", of_what="test"),
                doc.text(wording.NO_VALUE)
                if wording.is_missing(row["p_value"])
                else doc.p_value(row["p_value"], of_what="the null hypothesis"),
            )
        )
    columns = (
        *(Column(name, name.capitalize()) for name in names),
        Column("statistic", "Statistic"),
        Column("df", "df"),
        Column("p_value", "p"),
    )
    return (
        Table(
            key=f"{key}_tests",
            caption="Tests.",
            unit="tests",
            columns=columns,
            rows=tuple(rows),
            method=method,
            labels=len(names),
        ),
    )


def said(result: Result) -> tuple[str, ...]:
    """Return the notes of a table: rows used, rows left out and why, and what the estimate itself notes."""
    used = f"{wording.count(result.n_rows_used)} of {wording.count(result.n_rows_in)} rows used."
    reasons = [f"{wording.count(row['n'])} {row['reason']}" for row in records(result.left_out) if row["n"]]
    left = (f"Left out: {'; '.join(reasons)}.",) if reasons else ()
    return tuple(wording.in_words(line) for line in (used, *left, *(note.sentence for note in result.notes)))


def spoken_list(names: tuple[str, ...]) -> str:
    """Join column names in words."""
    return " and ".join(wording.column_label(name).lower() for name in names)


def level_words(result: Result) -> str:
    """Return the level of the limits in words."""
    return f"{result.conf_level * 100:g} %"
