"""Odds ratios as a table: one row a level, its counts first, then one column a method."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

import pandas as pd

from analysis.results import ODDS_COLUMNS, OddsRatios
from reports import document as doc
from reports import rounding, wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.beside import in_words_of, said
from reports.tables.ratio_words import count_headings, spoken_exposure, spoken_level, spoken_outcome
from reports.tables.ratios_beside import beside_tables

CRUDE_METHODS: Final = (
    "mantel_haenszel",
    "common_exact",
    "conditional_exact",
    "conditional_mid_p",
    "woolf",
    "mcnemar_exact",
)
MODEL_METHODS: Final = ("conditional_logistic", "logistic", "firth")
SHORT: Final = {
    "conditional_exact": "exact",
    "mcnemar_exact": "McNemar, exact",
    "mantel_haenszel": "Cochran-Mantel-Haenszel",
}
"""Whose p-value stands under a crude method."""
NO_REFERENCE = ""
"""A measured exposure and an interaction are compared with no level."""


def odds_tables(result: OddsRatios, key: str) -> tuple[Table, ...]:
    """Return odds ratios as tables: the ratios of the exposures, then tests, model, matched sets and sensitivity."""
    shown = shown_rows(result)
    several = shown["exposure"].nunique() > 1
    columns = _columns(result, shown)
    rows: list[tuple[Cell, ...]] = []
    for exposure, group in shown.groupby("exposure", sort=False):
        rows += _rows_of(result, str(exposure), group, columns, several=several)
    name = Column("exposure", "Exposure"), Column("level", "Level")
    labels = name if several else (Column("level", wording.column_label(result.exposure)),)
    reference = wording.label(result.reference, column=result.exposure)
    about = wording.column_words(result.exposure)
    caption = f"Odds of {spoken_outcome(result.outcome)} by {about}, against {reference}."
    if several or not result.reference:
        caption = f"Odds of {spoken_outcome(result.outcome)}."
    if result.among:
        caption = f"{caption.removesuffix('.')}; only {spoken_outcome(result.among)}."
    meanings = [words for words in (result.meaning, result.cannot_mean) if words]
    main = Table(
        key=key,
        caption=caption,
        unit=result.unit,
        columns=(*labels, *(Column(column.key, column.heading) for column in columns)),
        rows=tuple(rows),
        method=result.method,
        notes=(*(in_words_of(result, words) for words in meanings), *said(result)),
        labels=len(labels),
    )
    return (main, *beside_tables(result, key))


def shown_rows(result: OddsRatios) -> pd.DataFrame:
    """Return the rows of the exposures: a covariate's coefficient answers no question that was asked."""
    table = result.table.reindex(columns=list(ODDS_COLUMNS))
    return table[~table["exposure"].isin(result.covariates)]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Column:
    key: str
    heading: str
    cell: Callable[[Mapping[str, dict[str, Any]]], Cell]
    """Makes the cell of the rows of one level, by method."""
    of_reference: str = ""
    """What stands in the reference's row."""


def _columns(result: OddsRatios, shown: pd.DataFrame) -> list[_Column]:
    unit = result.unit
    methods = [method for method in (*CRUDE_METHODS, *MODEL_METHODS) if method in set(shown["method"])]
    with_it, without = count_headings(result)
    columns = [
        _Column(key="events", heading=with_it, cell=_counted("exposed_events", unit)),
        _Column(key="others", heading=without, cell=_counted("exposed_others", unit)),
    ]
    for method in methods:
        columns.append(_Column(key=method, heading=_heading(method, result), cell=_ratio_of(method), of_reference="1"))
        if method == "woolf" and shown["robust_low"][shown["method"] == "woolf"].notna().any():
            columns.append(_Column(key="robust", heading="Limits that respect repeaters", cell=_robust))
    columns += _p_columns(methods, shown)
    for name, heading in (("e_value", "E-value"), ("e_value_limit", "E-value of the limit")):
        if shown[name].notna().any():
            columns.append(_Column(key=name, heading=heading, cell=_first_number(name, methods)))
    return columns


def _heading(method: str, result: OddsRatios) -> str:
    words = wording.sentence_case(wording.label(method))
    return f"Adjusted: {wording.label(method)}" if method in MODEL_METHODS and result.covariates else words


def _p_columns(methods: list[str], shown: pd.DataFrame) -> list[_Column]:
    columns = []
    crude = next((method for method in methods if method in CRUDE_METHODS), None)
    models = [method for method in methods if method in MODEL_METHODS]
    for method in [*([crude] if crude else []), *models]:
        short = SHORT.get(method, "")
        words = short if method == crude else wording.label(method)
        alone = len([crude, *models] if crude else models) == 1
        heading = f"p ({words})" if words and (short or not alone) else "p" if alone else "p (crude)"
        columns.append(
            _Column(
                key="p_value" if method == (crude or models[0]) else f"p_{method}",
                heading=heading,
                cell=_p_of("p_value", [method]),
            )
        )
    for name, heading in (("p_holm", "p, Holm"), ("p_benjamini_hochberg", "p, Benjamini-Hochberg")):
        if shown[name].notna().any():
            columns.append(_Column(key=name, heading=heading, cell=_p_of(name, methods)))
    return columns


def _rows_of(
    result: OddsRatios, exposure: str, group: pd.DataFrame, columns: list[_Column], *, several: bool
) -> list[tuple[Cell, ...]]:
    shown = f"{spoken_exposure(exposure)} (ratio of ratios)" if ":" in exposure else spoken_exposure(exposure)
    own_name = [Cell(kind="text", shown=shown, value=exposure)] if several else []
    first = records(group)[0]
    rows: list[tuple[Cell, ...]] = []
    if str(first["reference"] or "") != NO_REFERENCE and ":" not in exposure:
        rows.append((*own_name, *_reference_row(result, exposure, first, columns)))
    for level, lines in group.groupby("level", sort=False, dropna=False):
        by_method = {str(row["method"]): row for row in records(lines)}
        own = Cell(kind="text", shown=spoken_level(exposure, level), value=str(level))
        prefix = f"{exposure}+" if several else ""
        names = [f"{prefix}{level}", *([f"{prefix}{first['reference']}"] if first["reference"] else [])]
        sources = [f"{name}/{part}" for name in names for part in ("events", "others")]
        cells = [column.cell(by_method) for column in columns]
        cells = [
            cell if column.key in ("events", "others") else doc.with_sources(cell, *sources)
            for column, cell in zip(columns, cells, strict=True)
        ]
        rows.append((*own_name, own, *cells))
    return rows


def _reference_row(
    result: OddsRatios, exposure: str, first: Mapping[str, Any], columns: Iterable[_Column]
) -> list[Cell]:
    reference = wording.label(first["reference"], column=exposure)
    cells = [Cell(kind="text", shown=f"{reference} (reference)", value=str(first["reference"]))]
    counts = {"events": first["reference_events"], "others": first["reference_others"]}
    for column in columns:
        known = column.key in counts
        cells.append(doc.count(counts[column.key], of_what=result.unit) if known else doc.text(column.of_reference))
    return cells


def _counted(name: str, unit: str) -> Callable[[Mapping[str, dict[str, Any]]], Cell]:
    def cell(by_method: Mapping[str, dict[str, Any]]) -> Cell:
        row = next(iter(by_method.values()))
        # The counts of a measured exposure belong to no level.
        return doc.count(row[name], of_what=unit)

    return cell


def _ratio_of(method: str) -> Callable[[Mapping[str, dict[str, Any]]], Cell]:
    def cell(by_method: Mapping[str, dict[str, Any]]) -> Cell:
        row = by_method.get(method)
        if row is None:
            # McNemar's ratio is asked only of an exposure of two levels.
            # Of a product of two columns only models tell anything.
            asked = method in CRUDE_METHODS and method != "mcnemar_exact" and not _is_product(by_method)
            return doc.text(rounding.NOT_ESTIMABLE if asked else wording.NO_VALUE)
        return doc.ratio(row["estimate"], of_what="odds ratio", low=row["conf_low"], high=row["conf_high"])

    return cell


def _is_product(by_method: Mapping[str, dict[str, Any]]) -> bool:
    """Tell the rows of a product of two columns, whose ratios are ratios of ratios."""
    return any(":" in str(row["exposure"]) for row in by_method.values())


def _robust(by_method: Mapping[str, dict[str, Any]]) -> Cell:
    row = by_method.get("woolf")
    if row is None and _is_product(by_method):
        return doc.text(wording.NO_VALUE)
    if row is None or wording.is_missing(row["robust_low"]):
        return doc.text(rounding.NOT_ESTIMABLE)
    low, high = row["robust_low"], row["robust_high"]
    whole = doc.ratio(row["estimate"], of_what="odds ratio", low=low, high=high)
    return replace(whole, shown=rounding.limits(rounding.ratio(low), rounding.ratio(high)))


def _p_of(name: str, methods: list[str]) -> Callable[[Mapping[str, dict[str, Any]]], Cell]:
    def cell(by_method: Mapping[str, dict[str, Any]]) -> Cell:
        values = [by_method[method][name] for method in methods if method in by_method]
        known = [value for value in values if not wording.is_missing(value)]
        if not known:
            return doc.text(wording.NO_VALUE)
        return doc.p_value(known[0], of_what="no association")

    return cell


def _first_number(name: str, methods: list[str]) -> Callable[[Mapping[str, dict[str, Any]]], Cell]:
    def cell(by_method: Mapping[str, dict[str, Any]]) -> Cell:
        values = [by_method[method][name] for method in methods if method in by_method]
        known = [value for value in values if not wording.is_missing(value)]
        return doc.number(known[0], of_what=name) if known else doc.text(wording.NO_VALUE)

    return cell
