"""The terms of a model: categories with their reference, measurements, and products of two of them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.levels import MISSING_LEVELS, NOT_RECORDED, level_word, ordered_levels
from analysis.modelling.reference_levels import chosen_reference
from analysis.odds_columns import MOST_CODES, check_outcome, refuse_names
from analysis.results import Note
from analysis.tallies import kind_of
from registry.door import require
from registry.errors import DataError, InputError, OptionError, suggestion

PER_UNIT: Final = "per unit"
"""The level of a measurement: the ratio is that of one unit more."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One column of a tally as numbers: where each of its cells stands among the distinct values.

    Attributes
    ----------
    name
        Its name.
    measured
        Whether it is a measurement.
    words
        The words of the distinct values; of a measurement only those that are missing.
    values
        The distinct values.
    place
        One number a row of the tally.
    missing
        One flag a distinct value.
    """

    name: str
    measured: bool
    words: tuple[str, ...]
    values: Sequence[Any]
    place: npt.NDArray[np.int64]
    missing: npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Term:
    """A column in the model.

    Attributes
    ----------
    name
        Of the column.
    levels
        Words in order; () of a measurement.
    reference
        One of the levels; '' of a measurement.
    values
        What stands in the data for each level; of a measurement its distinct values, sorted.
    """

    name: str
    levels: tuple[str, ...]
    reference: str
    values: tuple[Any, ...] | npt.NDArray[np.float64]

    @property
    def measured(self) -> bool:
        """Whether the term is a measurement."""
        return not self.levels


def checked_terms(
    rows: nw.LazyFrame[Any], outcome: str, terms: Sequence[str] | str, references: Mapping[str, Any] | None
) -> tuple[str, ...]:
    """Refuse an outcome that is not true/false, and terms that no model can hold.

    Parameters
    ----------
    rows
        A frame inside DuckDB.
    outcome, terms, references
        As a caller gives them.

    Returns
    -------
    The names of the terms.

    Raises
    ------
    ColumnError, InputError
        When a column is missing, of the wrong kind or given twice, or there is no term.
    OptionError
        When a reference belongs to no term.
    DataError
        When a column has no value.

    Examples
    --------
    >>> from registry.door import enter
    >>> checked_terms(enter({"a2": [True, False], "grip": ["jam", "pinch"]}), "a2", "grip", None)
    ('grip',)
    """
    names = (terms,) if isinstance(terms, str) else () if terms is None else tuple(terms)
    for name in (outcome, *names):
        if not isinstance(name, str):
            raise InputError(f"outcome and terms are names of columns, each a text; got {type(name).__name__}.")
    if not names:
        raise InputError("terms is empty; name at least one column whose levels are to be compared.")
    require(rows, [(outcome, "outcome"), *((name, "term") for name in names)])
    twice = sorted({name for name in (outcome, *names) if (outcome, *names).count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice; the outcome and the terms are different columns.")
    check_outcome(rows, outcome)
    schema = rows.collect_schema()
    for name in names:
        if schema[name] not in (nw.Boolean, nw.String) and not schema[name].is_numeric():
            raise InputError(
                f"term '{name}' holds {kind_of(schema[name])}; text, categories, true/false or numbers are needed. Cut "
                f"it into named groups first."
            )
    for name in references or {}:
        if name not in names:
            raise OptionError(
                f"references names '{name}', which is no term of the model; there are {', '.join(names)}."
                f"{suggestion(name, names)}"
            )
    return names


def column_of(counts: pd.DataFrame, name: str, *, measured: bool, rows: npt.NDArray[np.int64] | None = None) -> Column:
    """Number the cells of one column of a tally.

    Parameters
    ----------
    counts
        The tally.
    name
        The column.
    measured
        Whether it is a measurement; else its words are levels.
    rows
        How many rows each line of the tally stands for; None takes its column ``n``.

    Raises
    ------
    DataError
        When a measurement is infinite.

    Examples
    --------
    >>> column_of(pd.DataFrame({"grip": ["jam", None, "jam"]}), "grip", measured=False).place.tolist()
    [0, 1, 0]
    """
    place, uniques = pd.factorize(counts[name], use_na_sentinel=False)
    values = list(uniques)
    if measured:
        numbers = np.array([np.nan if value is None else value for value in values], dtype=float)
        if np.isinf(numbers).any():
            each = counts["n"].to_numpy() if rows is None else rows
            n = int(each[np.isinf(numbers)[place]].sum())
            raise DataError(f"term '{name}' is infinite in {n} rows; a measurement has to be a finite number.")
        missing = np.isnan(numbers)
        words = tuple(NOT_RECORDED if gone else "" for gone in missing)
    else:
        words = tuple(level_word(value) for value in values)
        missing = np.array([word in MISSING_LEVELS for word in words], dtype=bool)
    return Column(
        name=name, measured=measured, words=words, values=values, place=place.astype(np.int64), missing=missing
    )


def is_measured(rows: nw.LazyFrame[Any], name: str, references: Mapping[str, Any] | None) -> bool:
    """Tell whether a term is a measurement: numbers are, unless a reference makes levels of them.

    Examples
    --------
    >>> from registry.door import enter
    >>> rows = enter({"tries": [1, 2]})
    >>> is_measured(rows, "tries", None), is_measured(rows, "tries", {"tries": 1})
    (True, False)
    """
    return bool(rows.collect_schema()[name].is_numeric()) and name not in (references or {})


def term_of(
    column: Column, used: npt.NDArray[np.bool_], n: int, references: Mapping[str, Any] | None
) -> tuple[Term, tuple[Note, ...]]:
    """Make a term of a column.

    Parameters
    ----------
    column
        The column.
    used
        One flag a row of the tally: can it be compared?
    n
        How many rows can be compared.
    references
        The references that the caller wants.

    Raises
    ------
    DataError
        When there is one level only.
    InputError, OptionError
        When a reference was named for a measurement that holds no codes, or does not exist.

    Returns
    -------
    The term, and notes on its reference or on numbers that may be codes.

    Examples
    --------
    >>> column = column_of(pd.DataFrame({"cold": [True, False]}), "cold", measured=False)
    >>> term, _ = term_of(column, np.array([True, True]), 2, None)
    >>> term.levels, term.reference
    (('no', 'yes'), 'no')
    """
    present = np.flatnonzero(np.bincount(column.place[used], minlength=len(column.values))).tolist()
    if column.measured:
        values = np.sort(np.array([column.values[at] for at in present], dtype=float))
        _refuse_single(column.name, [level_word(value) for value in values[:2]], n)
        return Term(name=column.name, levels=(), reference="", values=values), _measured_notes(column.name, values)
    raw = {column.words[at]: column.values[at] for at in present}
    if len(raw) > MOST_CODES and isinstance(next(iter(raw.values())), int | float | np.number):
        raise InputError(
            f"term '{column.name}' holds {len(raw)} different numbers, which is a measurement and has no reference; "
            f"leave the reference out, or cut the term into named groups first."
        )
    refuse_names(column.name, len(raw), "term")
    levels = ordered_levels(column.name, raw.values())
    _refuse_single(column.name, levels, n)
    reference, notes = chosen_reference(column.name, levels, (references or {}).get(column.name))
    return (
        Term(name=column.name, levels=tuple(levels), reference=reference, values=tuple(raw[level] for level in levels)),
        notes,
    )


def _refuse_single(name: str, levels: Sequence[str], n: int) -> None:
    if len(levels) < 2:
        raise DataError(
            f"term '{name}' has the single level '{levels[0]}' in the {n} rows that can be compared; an odds ratio "
            f"needs two levels. Leave the term out."
        )


def _measured_notes(name: str, values: npt.NDArray[np.float64]) -> tuple[Note, ...]:
    """Say that a few whole numbers, which may be meant as codes, are taken as a measurement."""
    if not 2 < len(values) <= MOST_CODES or (values != np.round(values)).any():
        return ()
    sentence = (
        f"'{name}' holds the whole numbers {', '.join(level_word(value) for value in values)} and is taken as a "
        f"measurement: its ratio is that of one more. Name its reference if they are codes."
    )
    return (Note("measured_codes", sentence),)


def checked_interactions(terms: Sequence[str], interactions: Iterable[Any]) -> tuple[tuple[str, str], ...]:
    """Read interactions, each 'a:b' or a pair of terms.

    Raises
    ------
    OptionError
        When an interaction is not one of two different terms.

    Examples
    --------
    >>> checked_interactions(["grip", "sex"], ["grip:sex"])
    (('grip', 'sex'),)
    """
    known = {f"{one}:{two}": (one, two) for a, b in combinations(terms, 2) for one, two in ((a, b), (b, a))}
    pairs: list[tuple[str, str]] = []
    given = [interactions] if isinstance(interactions, str) else list(interactions)
    for each in given:
        word = each if isinstance(each, str) else ":".join(str(part) for part in each)
        if word not in known:
            raise OptionError(
                f"interaction '{word}' is not one of two different terms, written 'a:b'; the terms are "
                f"{', '.join(terms)}.{suggestion(word, known)}"
            )
        if not {known[word], known[word][::-1]} & set(pairs):
            pairs.append(known[word])
    return tuple(pairs)
