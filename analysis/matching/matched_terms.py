"""Exposures and covariates of matched sets as columns of numbers, and which of them sets can say something about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.matching.conditional_logistic import MatchedSets
from analysis.matching.matched_sets import listed
from analysis.matching.set_separation import independent_columns
from analysis.modelling.model_terms import PER_UNIT, column_of, term_of
from analysis.modelling.patterns import Parameter
from analysis.modelling.separation import SAME
from analysis.results import Note
from registry.errors import DataError

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class Coded:
    """The terms of n rows as numbers."""

    matrix: Array
    """(n, p): 1 at the level and 0 elsewhere, or the measurement."""
    parameters: tuple[Parameter, ...]
    words: dict[str, npt.NDArray[np.object_]]
    """For each term with levels the (n,) words."""
    notes: tuple[Note, ...]


def code_terms(values: pd.DataFrame, references: Mapping[str, Any] | None = None) -> Coded:
    """Turn terms into columns of numbers: levels against a reference, measurements as they are.

    Parameters
    ----------
    values
        n rows, one column a term, no gaps.
    references
        Level to compare with, by term; see ``chosen_reference``.

    Raises
    ------
    DataError
        When a term has one level, or no row has the reference.
    InputError, OptionError
        When a reference does not exist, or is named for a measurement.

    Examples
    --------
    >>> coded = code_terms(pd.DataFrame({"grip": ["half_crimp", "open_hand"], "age": [20, 31]}), {"grip": "open_hand"})
    >>> coded.matrix.tolist(), [each.words for each in coded.parameters]
    ([[1.0, 20.0], [0.0, 31.0]], ["'grip' at 'half_crimp'", "'age'"])
    """
    n, chosen = len(values), references or {}
    columns: list[Array] = []
    parameters: list[Parameter] = []
    words: dict[str, npt.NDArray[np.object_]] = {}
    notes: list[Note] = []
    for name in values.columns:
        numbers = pd.api.types.is_numeric_dtype(values[name]) and not pd.api.types.is_bool_dtype(values[name])
        column = column_of(values, name, measured=numbers and name not in chosen, rows=np.ones(n, dtype=np.int64))
        term, said = term_of(column, np.ones(n, dtype=bool), n, chosen)
        notes += said
        if term.measured:
            columns.append(np.asarray(column.values, dtype=np.float64)[column.place])
            parameters.append(Parameter(term=name, level=PER_UNIT, reference=""))
            continue
        words[name] = np.array(column.words, dtype=object)[column.place]
        for level in term.levels:
            if level != term.reference:
                columns.append((words[name] == level).astype(np.float64))
                parameters.append(Parameter(term=name, level=level, reference=term.reference))
    return Coded(matrix=np.column_stack(columns), parameters=tuple(parameters), words=words, notes=tuple(notes))


def comparable(sets: MatchedSets, parameters: Sequence[Parameter]) -> tuple[Flags, npt.NDArray[np.int64]]:
    """Say which parameters the differences within sets determine.

    Parameters
    ----------
    sets
        The sets whose members differ.
    parameters
        The p columns of their patterns.

    Returns
    -------
    (p,) whether the sets determine it, and the columns to fit. A parameter is not determined when no set tells its
    level, directly or through other levels, from the reference.

    Raises
    ------
    DataError
        When a term is the same for all members of every set, or several terms say the same within sets.
    """
    differences = np.concatenate([_within(sets.patterns[group.members]) for group in sets.groups])
    triangle: Array = np.asarray(np.linalg.qr(differences / _spread(differences), mode="r"))
    kept = independent_columns(triangle)
    moving = np.abs(triangle).max(axis=0) > SAME
    for term in dict.fromkeys(each.term for each in parameters):
        if not any(moves for moves, each in zip(moving, parameters, strict=True) if each.term == term):
            raise DataError(
                f"'{term}' is the same for all members of every matched set, so that sets say nothing about it (was "
                f"it matched on?). Leave it out of the terms."
            )
    held = np.ones(len(parameters), dtype=bool)
    for column in sorted(set(range(len(parameters))) - set(kept.tolist())):
        weights = np.linalg.lstsq(triangle[:, kept], triangle[:, column], rcond=None)[0]
        bound = [column, *kept[np.abs(weights) > SAME].tolist()]
        tied = [parameters[place] for place in bound]
        if len({each.term for each in tied}) > 1:
            raise DataError(
                f"within the matched sets {', '.join(each.words for each in tied)} are collinear: each follows from "
                f"the others, so that their ratios cannot be told apart. Leave out one of "
                f"{listed(sorted({each.term for each in tied}))}, or join levels."
            )
        held[bound] = False
    return held, kept


def _within(x: Array) -> Array:
    """Return the differences of members (s, n, p) to the first of their set, set after set."""
    differences = x[:, 1:] - x[:, :1]
    return differences.reshape(-1, x.shape[2])


def _spread(differences: Array) -> Array:
    spread = np.sqrt((differences**2).mean(axis=0))
    return np.where(spread > 0, spread, 1.0)
