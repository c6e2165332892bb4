"""Where an analysis gets its rows: an opened registry or freeze, or a frame that a notebook passes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.levels import NOT_RECORDED, level_word, ordered_levels
from registry.dictionary import TABLES
from registry.door import enter
from registry.errors import InputError, OptionError

SHARED_KEYS: Final = ("site",)
"""Keys that stand for many persons."""
OWN_COLUMNS: Final = ("climber", "birth_year", "climbing_since")
"""Further columns that come near to naming one."""


def is_view(source: Any) -> bool:
    """Tell an opened registry or freeze from a frame."""
    return hasattr(source, "table") and hasattr(source, "base")


def refuse_persons(source: Any, columns: Iterable[str | None], *, role: str = "by") -> None:
    """Raise OptionError when groups of a registry or freeze would list persons; frames of a notebook are free.

    Parameters
    ----------
    source
        As an analysis takes it.
    columns
        The columns that are to make groups; None for no column.
    role
        The option in which they were given.
    """
    if not is_view(source):
        return
    for column in columns:
        if column is not None and names_persons(column):
            raise OptionError(
                f"{role} '{column}' would list persons; group a registry by what several have in common, for example "
                f"age_band, sex or season."
            )


def names_persons(column: str) -> bool:
    """Tell a column whose values belong to one person or case: keys, pseudonyms, dates, days and years of birth.

    Examples
    --------
    >>> [names_persons(name) for name in ("athlete", "onset_day", "birth_year", "site", "digit")]
    [True, True, True, False, False]
    """
    if column in SHARED_KEYS:
        return False
    fields = [field for table in TABLES.values() for field in table.fields if field.name == column]
    of_one = any(field.kind in ("key", "pseudonym", "date") for field in fields)
    return of_one or column in OWN_COLUMNS or column == "day" or column.endswith("_day")


def cases_of(source: Any) -> nw.LazyFrame[Any]:
    """Return the cases (one row a finger) of a view, or the frame itself, inside DuckDB."""
    return _table_of(source, "cases")


def findings_of(source: Any) -> nw.LazyFrame[Any]:
    """Return the findings (one row a structure) of a view, or the frame itself, inside DuckDB."""
    return _table_of(source, "findings")


def occurrences_of(source: Any) -> nw.LazyFrame[Any]:
    """Return the occurrences (one row an event) of a view or of a mapping of frames."""
    return _table_of(source, "occurrences", alone=False)


def risk_time_of(source: Any) -> nw.LazyFrame[Any]:
    """Return the observed and covered time of a view or of a mapping of frames."""
    return _table_of(source, "risk_time", alone=False)


def sites_of(source: Any) -> pd.DataFrame:
    """Return site, case_definition, consecutive, exposure_method; empty when they are not known."""
    columns = ["site", "case_definition", "consecutive", "exposure_method"]
    if is_view(source):
        sites = enter(source.base("sites"))
    elif isinstance(source, Mapping) and "sites" in source:
        sites = enter(source["sites"])
    else:
        return pd.DataFrame({name: pd.Series(dtype=str) for name in columns})
    present = sites.collect_schema().names()
    listed: pd.DataFrame = sites.select([c for c in columns if c in present]).collect().to_pandas()
    return listed.reindex(columns=columns).sort_values("site", ignore_index=True)


def _table_of(source: Any, name: str, *, alone: bool = True) -> nw.LazyFrame[Any]:
    if is_view(source):
        return enter(source.table(name))
    if isinstance(source, Mapping) and name in source:
        return enter(source[name])
    if alone:
        return enter(source)
    raise InputError(
        f"an opened registry or freeze is needed, or a mapping with the tables 'occurrences' and "
        f"'risk_time'; got {type(source).__name__} without '{name}'."
    )


def in_order(column: str | None, levels: Iterable[Any]) -> list[Any]:
    """Sort the levels of a column as ``ordered_levels`` does, but keep them as values.

    Parameters
    ----------
    column
        Name of the column; None when the levels belong to none.
    levels
        Values, each once or more often; None and NaN count as not recorded.

    Returns
    -------
    list of the distinct levels: numbers stay numbers, an empty cell is 'not recorded'.

    Examples
    --------
    >>> in_order("minor", [True, None, False])
    [False, True, 'not recorded']
    """
    values = {level_word(value): level_of(value) for value in levels}
    return [values[word] for word in ordered_levels(column or "", values.values())]


def level_of(value: Any) -> Any:
    """Return the level that a cell belongs to: the value itself, or 'not recorded' for an empty cell."""
    return NOT_RECORDED if value is None or pd.isna(value) else value
