"""What every table says beside its rows, and its tests."""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import pandas as pd

from analysis.levels import MISSING_LEVELS, code_list
from analysis.results import (
    Agreement,
    Distribution,
    EventRates,
    IncidenceRates,
    OddsRatios,
    Result,
    SurvivalCurves,
    TrendTest,
)
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.ratio_words import with_products_said


def row_name(cells: Iterable[Cell]) -> str:
    """Return the name of a row inside its table: the codes of its label cells, joined."""
    return "+".join(str(cell.value or "not_recorded") for cell in cells)


def tests_table(tests: pd.DataFrame, key: str, method: str) -> tuple[Table, ...]:
    """Return the tests as a table, or nothing."""
    if tests.empty:
        return ()
    names = _label_columns(tests)
    rows = []
    for row in records(tests):
        degrees = "" if wording.is_missing(row["df"]) else f"{row['df']:.1f}".removesuffix(".0")
        rows.append(
            (
                *(doc.text("") if _is_blank(row[name]) else doc.code(row[name]) for name in names),
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
            unit="",
            columns=columns,
            rows=tuple(rows),
            method=method,
            labels=len(names),
        ),
    )


def _label_columns(tests: pd.DataFrame) -> list[str]:
    """Return the columns that name a test: those in which the tests differ, and the test itself."""
    several = [name for name in ("exposure", "level") if name in tests.columns]
    told = [name for name in several if not tests[name].map(_is_blank).all()]
    if "exposure" in told and tests["exposure"].nunique() == 1:
        told.remove("exposure")
    return [*told, "test"]


def _is_blank(value: Any) -> bool:
    return wording.is_missing(value) or value == ""


def said(result: Result) -> tuple[str, ...]:
    """Return the notes of a table: rows used, rows left out and why, and what the estimate itself notes."""
    used = f"{rounding.count(result.n_rows_used)} of {rounding.count(result.n_rows_in)} rows used."
    reasons = left_out(result)
    left = (f"Left out: {'; '.join(reasons)}.",) if reasons else ()
    return tuple(in_words_of(result, line) for line in (used, *left, *(note.sentence for note in result.notes)))


def left_out(result: Result) -> list[str]:
    """Return "5 under 18, shown apart" for each reason; nothing where a table says where everything went."""
    if isinstance(result, IncidenceRates) and not result.counted.empty:
        return []
    lines = []
    for row in records(result.left_out):
        if row["n"]:
            reason = re.sub(r" \(([^()]*)\)$", r", \1", str(row["reason"]))
            lines.append(f"{rounding.count(row['n'])} {reason}")
    return lines


def in_words_of(result: Result, sentence: str) -> str:
    """Say a sentence of a result in words: its groups as the tables say them, its sites as they are."""
    columns = _grouped_by(result)
    if isinstance(result, OddsRatios | TrendTest):
        sentence = wording.with_outcome_said(sentence, result.outcome)
    if isinstance(result, OddsRatios):
        sentence = with_products_said(sentence, result)
    kept = {str(site) for site in result.sites["site"]} if isinstance(result, IncidenceRates) else set()
    if isinstance(result, Agreement):
        kept.update(result.readers)
    levels: dict[str, str] = {}
    for column, values in columns.items():
        words = [str(value) for value in values if not wording.is_missing(value)]
        if column in NAMES:
            kept.update(words)
        else:
            codes = dict.fromkeys([*words, *code_list(column), *MISSING_LEVELS])
            levels |= {code: wording.label(code, column=column) for code in codes}
    return wording.in_words(sentence, levels=levels, kept=kept)


NAMES = ("site", "squad", "climber", "season")
"""Columns of names, which no table rewrites."""


def _grouped_by(result: Result) -> dict[str, Iterable[Any]]:
    if isinstance(result, SurvivalCurves):
        return {} if result.by is None else {result.by: result.groups["group"]}
    if isinstance(result, OddsRatios):
        groups = {name: [*part["reference"], *part["level"]] for name, part in result.table.groupby("exposure")}
        return {result.exposure: [result.reference], **{str(name): values for name, values in groups.items()}}
    if isinstance(result, TrendTest):
        return {result.ordered: result.table["level"]}
    if isinstance(result, Distribution | EventRates):
        return {column: result.table[column] for column in result.by if column in result.table.columns}
    return {}


def spoken_list(names: tuple[str, ...]) -> str:
    """Join column names in words."""
    return " and ".join(wording.column_label(name).lower() for name in names)


def level_words(result: Result) -> str:
    """Return the level of the limits in words."""
    return f"{result.conf_level * 100:g} %"
