"""What stands beside a table of odds ratios: the models, the matched sets, and the answers under other assumptions."""

from __future__ import annotations

from typing import Any

from analysis.results import OddsRatios
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records


def beside_tables(result: OddsRatios, key: str) -> tuple[Table, ...]:
    """Return the further tables of odds ratios that have rows."""
    tables = (_fit_table(result, key), _sets_table(result, key), _sensitivity_table(result, key))
    return tuple(table for table in tables if table.rows)


def _fit_table(result: OddsRatios, key: str) -> Table:
    rows = tuple(
        (
            doc.code(row["method"]),
            doc.count(row["n"], of_what=result.unit),
            doc.count(row["events"], of_what="events"),
            doc.count(row["parameters"], of_what="parameters"),
            doc.number(row["events_per_parameter"], of_what="events per parameter", decimals=1),
            doc.count(row["clusters"], of_what="clusters") if row["clusters"] else doc.text(wording.NO_VALUE),
        )
        for row in records(result.fit)
    )
    adjusted = ", ".join(wording.column_label(name).lower() for name in result.covariates)
    return Table(
        key=f"{key}_fit",
        caption=f"The models{f' (adjusted for {adjusted})' if adjusted else ''}.",
        unit=result.unit,
        columns=(
            Column("method", "Model"),
            Column("n", "n"),
            Column("events", "With outcome"),
            Column("parameters", "Parameters"),
            Column("events_per_parameter", "Events per parameter"),
            Column("clusters", "Clusters"),
        ),
        rows=rows,
        method=result.method,
    )


def _sets_table(result: OddsRatios, key: str) -> Table:
    rows = tuple(
        (
            Cell(kind="text", shown=_compared(row), value=f"{row['exposure']}:{row['level']}"),
            doc.text(f"{row['cases']} : {row['referents']}"),
            doc.text(f"{row['cases_exposed']} : {row['referents_exposed']}"),
            doc.count(row["sets"], of_what="matched sets"),
            doc.text("yes" if row["informative"] else "no"),
        )
        for row in records(result.sets)
    )
    return Table(
        key=f"{key}_sets",
        caption="Matched sets by their make-up; only sets that differ inside say anything.",
        unit="matched sets",
        columns=(
            Column("compared", "Compared"),
            Column("members", "Cases : referents"),
            Column("exposed", "Of them exposed"),
            Column("sets", "Sets"),
            Column("informative", "Informative"),
        ),
        rows=rows,
        method=result.method,
        labels=3,
    )


def _compared(row: dict[str, Any]) -> str:
    level = wording.label(row["level"], column=row["exposure"])
    reference = wording.label(row["reference"], column=row["exposure"]) if row["reference"] else ""
    return f"{level} against {reference}" if reference else f"{wording.column_label(row['exposure'])}, {level}"


def _sensitivity_table(result: OddsRatios, key: str) -> Table:
    shown = result.sensitivity[~result.sensitivity["exposure"].isin(result.covariates)]
    rows = tuple(
        (
            doc.code(row["handling"]),
            Cell(kind="text", shown=_compared(row), value=f"{row['exposure']}:{row['level']}"),
            doc.count(row["n"], of_what=result.unit),
            doc.count(row["events"], of_what="events"),
            doc.ratio(row["estimate"], of_what="odds ratio", low=row["conf_low"], high=row["conf_high"]),
            doc.p_value(row["p_value"], of_what="no association")
            if not wording.is_missing(row["p_value"])
            else doc.text(wording.NO_VALUE),
            _fraction(row["fraction_missing"]),
        )
        for row in records(shown)
    )
    return Table(
        key=f"{key}_sensitivity",
        caption="The same question under other handlings of what is missing.",
        unit=result.unit,
        columns=(
            Column("handling", "Missing values"),
            Column("compared", "Compared"),
            Column("n", "n"),
            Column("events", "With outcome"),
            Column("estimate", "Odds ratio"),
            Column("p_value", "p"),
            Column("fraction_missing", "Fraction of missing information"),
        ),
        rows=rows,
        method=result.method,
        labels=2,
    )


def _fraction(value: Any) -> Cell:
    if wording.is_missing(value):
        return doc.text(wording.NO_VALUE)
    return doc.number(value, of_what="fraction of missing information")
