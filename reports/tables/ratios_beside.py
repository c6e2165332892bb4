"""What stands beside a table of odds ratios: the models, the matched sets, and the answers under other assumptions."""

from __future__ import annotations

from typing import Any, Final

from analysis.results import OddsRatios
from reports import document as doc
from reports import wording
from reports.document import Cell, Column, Table
from reports.frames import records
from reports.tables.ratio_words import count_headings, spoken_covariates, spoken_exposure, spoken_level

WHOLE: Final = "(model)"
"""What tests of a whole model have for an exposure, or for a level where there are several models."""


def beside_tables(result: OddsRatios, key: str) -> tuple[Table, ...]:
    """Return the further tables of odds ratios that have rows."""
    tables = [make(result, key) for make in (_tests_table, _fit_table, _sets_table, _sensitivity_table)]
    return tuple(table for table in tables if table.rows)


def _tests_table(result: OddsRatios, key: str) -> Table:
    tests = result.tests.reindex(columns=["exposure", "level", "test", "statistic", "df", "p_value"])
    several = tests.loc[tests["exposure"] != WHOLE, "exposure"].nunique() > 1
    levels = bool(tests["level"].map(lambda level: str(level or "") not in ("", WHOLE)).any() or len(tests) > 1)
    labels = [Column("exposure", "Exposure")] * several + [Column("level", "Level")] * levels + [Column("test", "Test")]
    rows = []
    for row in records(tests):
        exposure, level = str(row["exposure"]), "" if wording.is_missing(row["level"]) else str(row["level"])
        named = {
            "exposure": Cell(kind="text", shown="" if exposure == WHOLE else spoken_exposure(exposure), value=exposure),
            "level": Cell(kind="text", shown=_tested(exposure, level), value=level),
            "test": doc.code(row["test"]),
        }
        rows.append((*(named[column.key] for column in labels), *_test_cells(row)))
    return Table(
        key=f"{key}_tests",
        caption="Tests.",
        unit="",
        columns=(*labels, Column("statistic", "Statistic"), Column("df", "df"), Column("p_value", "p")),
        rows=tuple(rows),
        method=result.method,
        labels=len(labels),
    )


def _tested(exposure: str, level: str) -> str:
    if WHOLE in (exposure, level):
        return "whole model"
    return spoken_level(exposure, level) if level else "all levels"


def _test_cells(row: dict[str, Any]) -> tuple[Cell, ...]:
    known, judged = not wording.is_missing(row["statistic"]), not wording.is_missing(row["p_value"])
    degrees = "" if wording.is_missing(row["df"]) else f"{row['df']:.1f}".removesuffix(".0")
    # An exact test has a p-value and no statistic; a test that cannot be computed has neither.
    return (
        doc.text(wording.NO_VALUE) if judged and not known else doc.number(row["statistic"], of_what="test statistic"),
        Cell(kind="number", shown=degrees, value=row["df"], unit="degrees of freedom", of_what="test"),
        doc.p_value(row["p_value"], of_what="the null hypothesis") if judged else doc.text(wording.NO_VALUE),
    )


def _fit_table(result: OddsRatios, key: str) -> Table:
    models = result.fit["model"].nunique() if "model" in result.fit.columns else 0
    several = models > 1
    rows = tuple(
        (
            *([_model_name(str(row["model"]))] if several else []),
            doc.code(row["method"]),
            doc.count(row["n"], of_what=result.unit),
            doc.count(row["events"], of_what="events"),
            doc.count(row["parameters"], of_what="parameters"),
            doc.number(row["events_per_parameter"], of_what="events per parameter", decimals=1),
            doc.count(row["clusters"], of_what="clusters") if row["clusters"] else doc.text(wording.NO_VALUE),
        )
        for row in records(result.fit)
    )
    adjusted = spoken_covariates(result)
    return Table(
        key=f"{key}_fit",
        caption=f"The model{'s' if len(rows) > 1 else ''}{f' (adjusted for {adjusted})' if adjusted else ''}.",
        unit=result.unit,
        columns=(
            *([Column("model", "Exposure")] if several else []),
            Column("method", "Model"),
            Column("n", "n"),
            Column("events", count_headings(result)[0]),
            Column("parameters", "Parameters"),
            Column("events_per_parameter", "Events per parameter"),
            Column("clusters", "Climbers" if "by climber" in result.method else "Clusters"),
        ),
        rows=rows,
        method=result.method,
        labels=2 if several else 1,
    )


def _model_name(name: str) -> Cell:
    return Cell(kind="text", shown=spoken_exposure(name), value=name)


def _sets_table(result: OddsRatios, key: str) -> Table:
    several = result.sets["exposure"].nunique() > 1
    rows = tuple(
        (
            _compared(row, several=several),
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


def _compared(row: dict[str, Any], *, several: bool) -> Cell:
    level = spoken_level(row["exposure"], row["level"])
    reference = wording.label(row["reference"], column=row["exposure"]) if row["reference"] else ""
    words = f"{level} against {reference}" if reference else level
    named = f"{spoken_exposure(row['exposure'])}, {words}" if several or not reference else words
    return Cell(kind="text", shown=named, value=f"{row['exposure']}:{row['level']}")


def _sensitivity_table(result: OddsRatios, key: str) -> Table:
    shown = result.sensitivity[~result.sensitivity["exposure"].isin(result.covariates)]
    several = shown["exposure"].nunique() > 1
    # The answers to one question stand below each other.
    together = [part for _, part in shown.groupby(["exposure", "level"], sort=False)]
    rows = tuple(
        (
            _compared(row, several=several),
            doc.code(row["handling"]),
            doc.count(row["n"], of_what=result.unit),
            doc.count(row["events"], of_what="events"),
            doc.ratio(row["estimate"], of_what="odds ratio", low=row["conf_low"], high=row["conf_high"]),
            doc.p_value(row["p_value"], of_what="no association")
            if not wording.is_missing(row["p_value"])
            else doc.text(wording.NO_VALUE),
            _fraction(row["fraction_missing"]),
        )
        for part in together
        for row in records(part)
    )
    return Table(
        key=f"{key}_sensitivity",
        caption="The same ratios, by what is done with rows in which an exposure or covariate is not known.",
        unit=result.unit,
        columns=(
            Column("compared", "Compared"),
            Column("handling", "Such rows are"),
            Column("n", "n"),
            Column("events", count_headings(result)[0]),
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
