"""Which columns and which rows an odds ratio can be made of."""

from __future__ import annotations

from typing import Any, Final

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.levels import level_word
from analysis.results import no_rows_left_out
from analysis.survival import nothing_left, sort_out
from analysis.tallies import counts_by_cell, kind_of
from registry.door import require
from registry.errors import DataError, InputError, OptionError, suggestion

MOST_CODES: Final = 12
"""Whole numbers with more different values than this are measurements. Common practice, no source."""

MOST_LEVELS: Final = 200
"""Words with more different values than this are names: a ratio for each would say nothing, and take hours of a large
table (our own choice)."""

PEOPLE: Final = {"adults": "under 18 (shown apart)", "minors": "18 or older (shown apart)"}
"""Whose rows, and why the others are left out."""


def of_people(rows: nw.LazyFrame[Any], people: str | None) -> tuple[nw.LazyFrame[Any], pd.DataFrame]:
    """Keep adults or minors.

    Parameters
    ----------
    rows
        A frame inside DuckDB with a true/false column ``minor``.
    people
        adults or minors; None keeps all rows and needs no column.

    Returns
    -------
    The rows, and the table of those left out: reason, n.

    Raises
    ------
    OptionError
        When ``people`` is another word.
    ColumnError, DataError
        When there is no column ``minor``, or nobody is left.
    """
    if people is None:
        return rows, no_rows_left_out()
    if people not in PEOPLE:
        raise OptionError(f"people is '{people}'; it is one of {', '.join(PEOPLE)}.{suggestion(people, PEOPLE)}")
    require(rows, [("minor", "under 18 or not")])
    minor = nw.col("minor").cast(nw.Boolean)
    reasons = {PEOPLE[people]: minor if people == "adults" else ~minor, "age not known": minor.is_null()}
    parted = sort_out(rows, reasons)
    if not parted.n_used:
        raise DataError(nothing_left("rows", parted))
    return parted.used, parted.left_out


def check_columns(rows: nw.LazyFrame[Any], outcome: str, exposure: str, strata: str | None) -> None:
    """Refuse an outcome that is not true/false, an exposure that is a measurement, and a column given twice.

    Raises
    ------
    ColumnError, InputError
        When a column is missing, or of the wrong kind.
    DataError
        When a column has no value.
    """
    roles = [(outcome, "outcome"), (exposure, "exposure"), *([(strata, "strata")] if strata else [])]
    for name, role in roles:
        if not isinstance(name, str):
            raise InputError(
                f"{role} is the name of one column, a text; got {type(name).__name__}. For several exposures use "
                f"adjusted_odds_ratios, or ask for one after the other."
            )
    require(rows, roles)
    names = [name for name, _ in roles]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice; outcome, exposure and strata are different columns.")
    check_outcome(rows, outcome)
    _refuse_empty(rows, exposure, "exposure")
    kind = rows.collect_schema()[exposure]
    if kind not in (nw.Boolean, nw.String) and not _few_codes(rows, exposure):
        raise InputError(
            f"exposure '{exposure}' holds {kind_of(kind)}; text, categories, true/false or a few whole "
            f"numbers as codes are needed. Cut it into named groups first."
        )


def check_outcome(rows: nw.LazyFrame[Any], outcome: str) -> None:
    """Refuse an outcome that has no value, or is not true/false.

    Parameters
    ----------
    rows
        A frame inside DuckDB that has the column.
    outcome
        Its name.

    Raises
    ------
    DataError, InputError
        When the column has no value, or is of another kind.

    Examples
    --------
    >>> from registry.door import enter
    >>> check_outcome(enter({"a2": [0, 1]}), "a2")
    Traceback (most recent call last):
    registry.errors.InputError: outcome 'a2' must be true/false; it holds the numbers 0, 1. ...
    """
    _refuse_empty(rows, outcome, "outcome")
    dtype = rows.collect_schema()[outcome]
    if dtype != nw.Boolean:
        raise InputError(_not_boolean(rows, outcome, dtype))


def refuse_names(column: str, levels: int, role: str) -> None:
    """Refuse a column of so many levels that they must be names.

    Raises
    ------
    InputError
        When there are more than 200.
    """
    if levels > MOST_LEVELS:
        raise InputError(
            f"{role} '{column}' has {levels} levels; more than {MOST_LEVELS} are names of single rows rather than "
            f"levels to compare. Leave it out, or bring levels together."
        )


def _refuse_empty(rows: nw.LazyFrame[Any], name: str, role: str) -> None:
    if not rows.select(nw.col(name).count()).collect().to_pandas().iloc[0, 0]:
        raise DataError(f"{role} '{name}' has no value in any row, so there is nothing to compare.")


def _few_codes(rows: nw.LazyFrame[Any], exposure: str) -> bool:
    """Whether a numeric column holds codes, such as 0 and 1, and not measurements."""
    if not rows.collect_schema()[exposure].is_numeric():
        return False
    values = counts_by_cell(rows, exposure)[exposure].dropna()
    return len(values) <= MOST_CODES and all(float(value).is_integer() for value in values)


def _not_boolean(rows: nw.LazyFrame[Any], outcome: str, dtype: Any) -> str:
    found, mend = kind_of(dtype), "{'yes': True, 'no': False}"
    if dtype.is_numeric():
        values = counts_by_cell(rows, outcome)[outcome].dropna()
        if len(values) <= 3:
            found = f"the numbers {', '.join(level_word(value) for value in values)}"
        mend = "{1: True, 0: False}"
    return (
        f"outcome '{outcome}' must be true/false; it holds {found}. Say which value means that it happened, and keep "
        f"empty cells empty, for example frame['{outcome}'].map({mend})."
    )
