"""``tables_of``: the tables follow from the result's type."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from analysis.alike import Likeness
from analysis.results import Agreement, Distribution, EventRates, OddsRatios, Result, SurvivalCurves, TrendTest
from reports import document as doc
from reports import wording
from reports.document import Column, Table
from reports.frames import records
from reports.tables.agreement import agreement_tables, trend_tables
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
    for kind, make, name in TABLES_OF:
        if isinstance(result, kind):
            return make(result, key or name)
    return (_plain_table(result, key or "table"),)


TABLES_OF: Final[tuple[tuple[type[Result], Callable[..., tuple[Table, ...]], str], ...]] = (
    (Distribution, distribution_tables, "distribution"),
    (OddsRatios, odds_tables, "odds"),
    (TrendTest, trend_tables, "trend"),
    (Agreement, agreement_tables, "agreement"),
    (SurvivalCurves, curve_tables, "return"),
    (EventRates, rate_tables, "rates"),
    (Likeness, alike_tables, "alike"),
)
"""Each kind of result, what makes its tables, and their name."""


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
