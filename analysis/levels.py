"""The levels of a column as tables show them: their words and their order.

The order comes from the dictionary's code list wherever the column has one, never from the data at hand. The
three faces of missing (unknown, not applicable, not recorded) are levels too, and stand last.
"""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from functools import cache
from typing import Any, Final

import numpy as np
import pandas as pd

from registry.derive.people import AGE_BANDS
from registry.dictionary import NOT_APPLICABLE, TABLES, UNKNOWN

NOT_RECORDED: Final = "not recorded"
"""The level of an empty cell."""
MISSING_LEVELS: Final = (UNKNOWN, NOT_APPLICABLE, NOT_RECORDED)
"""Levels that are no population of their own: rows of every table, outside every test."""

DERIVED_LISTS: Final[dict[str, tuple[str, ...]]] = {
    "age_band": tuple(word for word, _, _ in AGE_BANDS),
    "pulley_grade": ("I", "II", "III", "IV", "not_gradable"),
    "structure_family": (
        "pulley",
        "ligament",
        "joint",
        "tendon",
        "muscle",
        "bone",
        "growth_plate",
        "extensor",
        "other",
    ),
}
"""Codes of derived columns; those of the tier stand beside its rules."""
LISTED_AS: Final = {"main_structure": "structure", "main_extent": "extent", "history_derived": "history"}
"""Derived columns that hold the codes of a delivered one."""


def level_word(value: Any) -> str:
    """Write a value as the word that stands for it in tables.

    Parameters
    ----------
    value
        A cell as it comes out of a tally.

    Returns
    -------
    The word: true and false become yes and no, whole numbers lose their decimal point (pandas turns a column
    of whole numbers with gaps into fractions), a midnight is its day, an empty cell becomes 'not recorded'.

    Examples
    --------
    >>> [level_word(value) for value in ("ring", True, 3.0, None, float("nan"))]
    ['ring', 'yes', '3', 'not recorded', 'not recorded']
    """
    if value is None or value is pd.NaT or value is pd.NA:
        return NOT_RECORDED
    if isinstance(value, float | np.floating):
        if np.isnan(value):
            return NOT_RECORDED
        return str(int(value)) if float(value).is_integer() else str(float(value))
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, datetime.date):
        midnight = isinstance(value, datetime.datetime) and value.time() == datetime.time()
        return value.isoformat()[:10] if midnight else value.isoformat()
    return str(value)


@cache
def code_list(column: str) -> tuple[str, ...]:
    """Return the code list of a field or of a derived column, in order; () when it has none.

    Parameters
    ----------
    column
        Name of the column.

    Examples
    --------
    >>> code_list("digit")
    ('thumb', 'index', 'middle', 'ring', 'little')
    """
    if column == "tier":
        from registry.derive.tiers import TIERS

        return tuple(TIERS)
    if column in DERIVED_LISTS:
        return DERIVED_LISTS[column]
    name = LISTED_AS.get(column, column)
    # An injury's words lead where two tables use one name for different lists (kind, status).
    for table in (TABLES["cases"], TABLES["findings"], *TABLES.values()):
        for field in table.fields:
            if field.name == name and field.kind == "code":
                return field.words
    return ()


def ordered_levels(column: str, values: Iterable[Any], *, with_empty: bool = False) -> list[str]:
    """Order the levels of a column.

    Parameters
    ----------
    column
        Its name, by which the code list is found.
    values
        The values that occur, as they come out of a tally.
    with_empty
        Also list the codes that do not occur, provided that all that occur are codes of the list: a column
        that merely shares the name of a field keeps its own levels.

    Returns
    -------
    Words (see ``level_word``): codes in the order of their list, other words sorted (numbers by size, no
    before yes), then unknown, not_applicable and 'not recorded' where they occur.

    Examples
    --------
    >>> ordered_levels("digit", ["ring", None, "index"])
    ['index', 'ring', 'not recorded']
    """
    present = {level_word(value): value for value in values}
    listed = [word for word in code_list(column) if word not in MISSING_LEVELS]
    own = [word for word in present if word not in listed and word not in MISSING_LEVELS]
    own.sort(key=lambda word: _sort_key(present[word], word))
    show_empty = with_empty and not own
    codes = [word for word in listed if show_empty or word in present]
    return codes + own + [word for word in MISSING_LEVELS if word in present]


def _sort_key(value: Any, word: str) -> tuple[float, str]:
    number = isinstance(value, int | float | np.number | np.bool_)
    return (float(value) if number else 0.0, word)
