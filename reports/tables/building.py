"""``tables_of``: the tables follow from the result's type."""

from __future__ import annotations

from analysis.alike import Likeness
from analysis.results import Distribution, EventRates, OddsRatios, Result, SurvivalCurves
from reports import document as doc
from reports import wording
from reports.document import Column, Table
from reports.frames import records
from reports.tables.alike import alike_tables
from reports.tables.curves import curve_tables
from reports.tables.rates import rate_tables
from reports.tables.ratios import odds_tables
from reports.tables.shares import distribution_tables


def tables_of(result: Result, *, key: str = "") -> tuple[Table, ...]:
    """Return the result as readable tables, the main one first.

    Parameters
    ----------
    result
        A result of ``analysis``.
    key
        The name that the main table gets; further tables add a word to it.

    Returns
    -------
    Tables of typed cells. Values stay unrounded in the cells; only what is shown is rounded.
    """
    if isinstance(result, Distribution):
        return distribution_tables(result, key or "distribution")
    if isinstance(result, OddsRatios):
        return odds_tables(result, key or "odds")
    if isinstance(result, SurvivalCurves):
        return curve_tables(result, key or "return")
    if isinstance(result, EventRates):
        return rate_tables(result, key or "rates")
    if isinstance(result, Likeness):
        return alike_tables(result, key or "alike")
    return (_plain_table(result, key or "table"),)


def _plain_table(result: Result, key: str) -> Table:
    columns = tuple(Column(str(name), wording.column_label(str(name))) for name in result.table.columns)
    rows = tuple(
        tuple(
            doc.code(value) if isinstance(value, str) or value is None else doc.number(value, of_what=name)
            for name, value in row.items()
        )
        for row in records(result.table)
    )
    return Table(key=key, caption=result.method, unit=result.unit, columns=columns, rows=rows, method=result.method)
