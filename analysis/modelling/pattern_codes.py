"""Numbers for covariate patterns, the same in a tally and in the database."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt

from analysis.modelling.model_terms import Term
from registry.door import quoted

Counts = npt.NDArray[np.int64]

WIDEST_CODE: Final = 2**40
"""Categories are numbered together as long as their combinations stay below this."""
LISTED_UP_TO: Final = 2**22
"""Codes up to this size are looked up in an array, larger ones by search."""


@dataclass(frozen=True, kw_only=True, eq=False)
class PatternCoder:
    """Number covariate patterns, in a tally and in the database alike.

    Attributes
    ----------
    terms
        The terms of the model.
    groups
        Places of terms that the database numbers together; a measurement stands alone.
    sizes
        How many combinations of levels each group has.
    steps
        After each group the codes that occur, sorted.
    """

    terms: tuple[Term, ...]
    groups: tuple[tuple[int, ...], ...]
    sizes: tuple[int, ...]
    steps: tuple[Counts, ...]

    @classmethod
    def of(cls, terms: tuple[Term, ...], places: Sequence[Counts]) -> PatternCoder:
        """Learn the patterns of a tally.

        Parameters
        ----------
        terms
            The terms of the model.
        places
            For each term where the rows of the tally stand among its values.
        """
        groups = _groups(terms)
        sizes = tuple(int(np.prod([_size(terms[at]) for at in group])) for group in groups)
        blank = cls(terms=terms, groups=groups, sizes=sizes, steps=())
        steps: list[Counts] = []
        key = np.zeros(len(places[0]), dtype=np.int64)
        for digit, size in zip(blank.merged(places), sizes, strict=True):
            codes, key = np.unique(key * size + digit, return_inverse=True)
            steps.append(codes)
        return cls(terms=terms, groups=groups, sizes=sizes, steps=tuple(steps))

    def merged(self, places: Sequence[Counts]) -> list[Counts]:
        """Number the terms of each group together."""
        digits = []
        for group in self.groups:
            digit = np.zeros(len(places[0]), dtype=np.int64)
            for at in group:
                digit = digit * _size(self.terms[at]) + places[at]
            digits.append(digit)
        return digits

    def sql(self) -> list[str]:
        """Return the same numbers as SQL; of a measurement its value; NULL where a row is left out."""
        listed = []
        for group in self.groups:
            if self.terms[group[0]].measured:
                # A relation that has not passed the door may hold NaN, which is no number here either.
                listed.append(f"nullif(CAST({quoted(self.terms[group[0]].name)} AS DOUBLE), CAST('nan' AS DOUBLE))")
                continue
            code = "CAST(0 AS BIGINT)"
            for at in group:
                code = f"({code} * {_size(self.terms[at])} + {_place_in_database(self.terms[at])})"
            listed.append(code)
        return listed

    def as_places(self, digits: Sequence[npt.NDArray[Any]]) -> list[Counts]:
        """Turn the values of measurements into their places."""
        terms = [self.terms[group[0]] for group in self.groups]
        return [
            np.searchsorted(np.asarray(term.values), digit) if term.measured else digit
            for term, digit in zip(terms, digits, strict=True)
        ]

    def patterns(self, digits: Sequence[Counts]) -> Counts:
        """Return the number of the pattern of each row."""
        key = np.zeros(len(digits[0]), dtype=np.int64)
        for digit, size, codes in zip(digits, self.sizes, self.steps, strict=True):
            key = _looked_up(key * size + digit, codes)
        return key


def _size(term: Term) -> int:
    return len(term.values)


def _groups(terms: Sequence[Term]) -> tuple[tuple[int, ...], ...]:
    groups: list[tuple[int, ...]] = []
    product = WIDEST_CODE
    for at, term in enumerate(terms):
        if not term.measured and product * _size(term) < WIDEST_CODE:
            groups[-1] = (*groups[-1], at)
            product *= _size(term)
        else:
            groups.append((at,))
            product = WIDEST_CODE if term.measured else _size(term)
    return tuple(groups)


def _looked_up(keys: Counts, codes: Counts) -> Counts:
    if codes[-1] >= LISTED_UP_TO:
        return np.searchsorted(codes, keys)
    table = np.zeros(int(codes[-1]) + 1, dtype=np.int64)
    table[codes] = np.arange(len(codes))
    return np.asarray(table[keys])


def _place_in_database(term: Term) -> str:
    """Return SQL for the place of a level; an enumeration is looked up far faster than a chain of comparisons."""
    name = quoted(term.name)
    if all(isinstance(value, str) for value in term.values):
        words = ", ".join(_text(value) for value in term.values)
        return f"enum_code(TRY_CAST({name} AS ENUM({words})))"
    places = " ".join(f"WHEN {value} THEN {at}" for at, value in enumerate(term.values))
    return f"(CASE {name} {places} END)"


def _text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"
