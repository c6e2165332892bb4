"""Rows summed to covariate patterns: all that a logistic model needs of a registry, however many cases it holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.modelling.model_terms import PER_UNIT, Column, Term, column_of, is_measured, term_of
from analysis.modelling.pattern_codes import PatternCoder
from analysis.results import Note, no_rows_left_out
from analysis.tallies import counts_by_cell
from registry.door import quoted
from registry.errors import DataError

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]

INTERCEPT: Final = "(intercept)"


@dataclass(frozen=True)
class Parameter:
    """What a coefficient compares: a level of a term with the reference; the intercept has the term '(intercept)'."""

    term: str
    level: str
    reference: str
    columns: tuple[str, ...] = ()
    """The columns of an interaction; of a single term its name."""
    levels: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """Name the column, and the level where there is one."""
        return f"'{self.term}' at '{self.level}'" if self.level not in ("", PER_UNIT) else f"'{self.term}'"


@dataclass(frozen=True, eq=False)
class Design:
    """The patterns of a model.

    Attributes
    ----------
    matrix
        p patterns by k columns, the intercept first.
    events, others
        p counts each: rows with and without the outcome.
    parameters
        One for each column.
    empty
        Products for which no row stands; they have no column.
    """

    matrix: Array
    events: Counts
    others: Counts
    parameters: tuple[Parameter, ...]
    empty: tuple[Parameter, ...] = ()


@dataclass(frozen=True, eq=False)
class Membership:
    """Which climbers (or other clusters) have rows in which pattern.

    Attributes
    ----------
    climber, pattern, events, others
        m numbers each, one entry for each pattern of a climber with several rows; climbers are numbered from 0
        without a gap and stand together.
    alone_events, alone_others
        p counts each: the rows of all who occur once, and those without a climber.
    """

    climber: Counts
    pattern: Counts
    events: Counts
    others: Counts
    alone_events: Counts
    alone_others: Counts

    @property
    def repeaters(self) -> int:
        """How many climbers have several rows."""
        return int(self.climber[-1]) + 1 if len(self.climber) else 0

    @property
    def their_rows(self) -> int:
        """How many rows these have."""
        return int(self.events.sum() + self.others.sum())

    @property
    def clusters(self) -> int:
        """How many clusters there are, a row that stands alone counted as one."""
        return self.repeaters + int(self.alone_events.sum() + self.alone_others.sum())


@dataclass(frozen=True, kw_only=True, eq=False)
class Patterns:
    """Rows of a model summed to patterns, with what was left out.

    Attributes
    ----------
    outcome, terms
        What the model is of.
    levels
        p x t: where the pattern stands among the levels (of a measurement: its values) of each term.
    events, others
        p counts each.
    left_out
        reason, n.
    n_rows, n_used
        Rows in all, and those that can be compared.
    notes
        On the choice of references and of measurements.
    """

    outcome: str
    terms: tuple[Term, ...]
    levels: Counts
    events: Counts
    others: Counts
    left_out: pd.DataFrame
    n_rows: int
    n_used: int
    notes: tuple[Note, ...]
    coder: PatternCoder
    """Numbers the same patterns in the database."""

    def design(self, interactions: Sequence[tuple[str, str]] = ()) -> Design:
        """Lay out the columns of the model: intercept, terms in their order, products.

        Parameters
        ----------
        interactions
            Pairs of terms.
        """
        blocks = {term.name: _block(term, self.levels[:, at]) for at, term in enumerate(self.terms)}
        columns = [np.ones((len(self.events), 1)), *(matrix for matrix, _ in blocks.values())]
        parameters = [Parameter(INTERCEPT, "", ""), *(each for _, listed in blocks.values() for each in listed)]
        empty: list[Parameter] = []
        for one, two in interactions:
            (left, left_listed), (right, right_listed) = blocks[one], blocks[two]
            for (i, a), (j, b) in product(enumerate(left_listed), enumerate(right_listed)):
                values = (left[:, i] * right[:, j])[:, None]
                against = ":".join(word for word in (a.reference, b.reference) if word)
                both = Parameter(f"{one}:{two}", f"{a.level}:{b.level}", against, (one, two), (a.level, b.level))
                if not values.any():
                    empty.append(both)
                    continue
                columns.append(values)
                parameters.append(both)
        return Design(np.hstack(columns), self.events, self.others, tuple(parameters), tuple(empty))

    def cells(self, at: Mapping[str, str]) -> tuple[int, int]:
        """Count rows with and without the outcome at given levels; a term of measurements restricts nothing."""
        here = np.ones(len(self.events), dtype=bool)
        for place, term in enumerate(self.terms):
            if term.name in at and not term.measured:
                here &= self.levels[:, place] == term.levels.index(at[term.name])
        return int(self.events[here].sum()), int(self.others[here].sum())

    def membership(self, rows: nw.LazyFrame[Any], cluster: str) -> Membership:
        """Collect which clusters repeat, and in which patterns; the columns of the model and the cluster, no more.

        Parameters
        ----------
        rows
            The rows of which the patterns were made.
        cluster
            Column that names the cluster; a row without one is a cluster of its own.
        """
        codes = self.coder.sql()
        known = " AND ".join(f"({code}) IS NOT NULL" for code in (*codes, quoted(self.outcome)))
        places = [f"{code} AS digit_{at}" for at, code in enumerate(codes)]
        # Names are only compared, never shown. A hash costs a tenth of their text; what is left of its 64 bits beside
        # the cell (about 50) two of a million climbers share with a chance of 1 in 2000, which would move an error by
        # a millionth of itself. Sorted by it, row order leaves no trace.
        columns = f"hash({quoted(cluster)}) AS cluster, {quoted(cluster)} IS NOT NULL AS named"
        flags = f"{quoted(self.outcome)} IS TRUE AS happened, {known} AS used"
        relation: Any = rows.to_native()
        found = relation.project(", ".join([columns, flags, *places])).fetchnumpy()
        used = np.asarray(found.pop("used"))
        keep = slice(None) if used.all() else used
        kept = {name: np.ma.getdata(values)[keep] for name, values in found.items()}
        digits = [kept[f"digit_{at}"] for at in range(len(codes))]
        cell = self.coder.patterns(self.coder.as_places(digits)) * 2 + kept["happened"]
        return _membership(kept["cluster"], kept["named"], cell, len(self.events))


def tally_patterns(
    rows: nw.LazyFrame[Any], *, outcome: str, terms: Sequence[str], references: Mapping[str, Any] | None = None
) -> Patterns:
    """Count the rows with and without the outcome in each covariate pattern.

    Parameters
    ----------
    rows
        A frame inside DuckDB.
    outcome
        True/false column.
    terms
        Columns of text, true/false or numbers.
    references
        Reference levels by term.

    Returns
    -------
    Patterns, in a total order: the same rows give the same patterns whatever their order.

    Raises
    ------
    DataError
        When no row has all columns, the outcome always or never happens, or a term has one level.
    OptionError, InputError
        When a reference does not exist or cannot be.

    Examples
    --------
    >>> from registry.door import enter
    >>> rows = enter({"a2": [True, True, False, None], "grip": ["jam", "pinch", "jam", "jam"]})
    >>> patterns = tally_patterns(rows, outcome="a2", terms=["grip"])
    >>> patterns.events.tolist(), patterns.others.tolist(), patterns.left_out["reason"].tolist()
    ([1, 1], [0, 1], ['a2: not known'])
    """
    measured = [name for name in terms if is_measured(rows, name, references)]
    exact = rows.with_columns(*(nw.col(name).cast(nw.Float64) for name in measured)) if measured else rows
    counts = counts_by_cell(exact, [outcome, *terms])
    n = counts["n"].to_numpy(dtype=np.int64)
    columns = [column_of(counts, name, measured=name in measured) for name in terms]
    happened = column_of(counts, outcome, measured=False)
    left_out, used = _left_out(n, happened, columns)
    n_used = int(n[used].sum())
    yes = np.array([word == "yes" for word in happened.words])[happened.place]
    _refuse_nothing(outcome, terms, left_out, int(n.sum()), n_used)
    events = int(n[used & yes].sum())
    made = [term_of(column, used, n_used, references) for column in columns]
    if events in (0, n_used):
        raise DataError(_one_outcome(outcome, [term for term, _ in made], n_used, events))
    chosen = tuple(term for term, _ in made)
    places = [_places(column, term)[column.place[used]] for column, term in zip(columns, chosen, strict=True)]
    coder = PatternCoder.of(chosen, places)
    pattern = coder.patterns(coder.merged(places))
    size = int(pattern.max()) + 1
    levels = np.zeros((size, len(chosen)), dtype=np.int64)
    levels[pattern] = np.stack(places, axis=1)
    return Patterns(
        outcome=outcome,
        terms=chosen,
        levels=levels,
        events=_summed(pattern, n[used] * yes[used], size),
        others=_summed(pattern, n[used] * ~yes[used], size),
        left_out=left_out,
        n_rows=int(n.sum()),
        n_used=n_used,
        notes=tuple(note for _, notes in made for note in notes),
        coder=coder,
    )


def _places(column: Column, term: Term) -> Counts:
    """Return where each distinct value of a column stands in a term; values of rows left out stand at 0."""
    if term.measured:
        numbers = np.nan_to_num(np.array([0.0 if gone else value for value, gone in _cells(column)], dtype=float))
        return np.asarray(np.minimum(np.searchsorted(np.asarray(term.values), numbers), len(term.values) - 1))
    order = {word: at for at, word in enumerate(term.levels)}
    return np.array([order.get(word, 0) for word in column.words], dtype=np.int64)


def _cells(column: Column) -> Any:
    return zip(column.values, column.missing, strict=True)


def _block(term: Term, places: Counts) -> tuple[Array, list[Parameter]]:
    if term.measured:
        return np.asarray(term.values, dtype=float)[places][:, None], [_parameter(term, PER_UNIT)]
    others = [at for at, level in enumerate(term.levels) if level != term.reference]
    matrix = np.stack([(places == at).astype(float) for at in others], axis=1)
    return matrix, [_parameter(term, term.levels[at]) for at in others]


def _parameter(term: Term, level: str) -> Parameter:
    return Parameter(term.name, level, term.reference, (term.name,), (level,))


def _left_out(n: Counts, happened: Column, columns: Sequence[Column]) -> tuple[pd.DataFrame, npt.NDArray[np.bool_]]:
    """Give every row that misses something its first reason."""
    used = np.ones(len(n), dtype=bool)
    lines: list[tuple[str, int]] = []
    for column in (happened, *columns):
        for at in np.flatnonzero(column.missing):
            here = used & (column.place == at)
            word = "not known" if column is happened else column.words[at].replace("_", " ")
            if here.any():
                lines.append((f"{column.name}: {word}", int(n[here].sum())))
        used &= ~column.missing[column.place]
    if not lines:
        return no_rows_left_out(), used
    table = pd.DataFrame(lines, columns=["reason", "n"])
    return table.sort_values("reason", kind="stable", ignore_index=True), used


def _refuse_nothing(outcome: str, terms: Sequence[str], left_out: pd.DataFrame, n_rows: int, n_used: int) -> None:
    if n_used:
        return
    listed = ", ".join(f"'{name}'" for name in terms)
    why = ", ".join(f"{row.n} {row.reason}" for row in left_out.itertuples())
    raise DataError(
        f"none of {n_rows} rows has outcome '{outcome}' and all of the terms {listed}{f' ({why})' if why else ''}; "
        f"there is nothing to compare. Leave out the term that is missing most."
    )


def _one_outcome(outcome: str, terms: Sequence[Term], n_used: int, events: int) -> str:
    levels = "; ".join(f"'{term.name}': {', '.join(term.levels)}" for term in terms if not term.measured)
    return (
        f"outcome '{outcome}' {'always' if events else 'never'} happened in the {n_used} rows that can be compared"
        f"{f' (levels of {levels})' if levels else ''}; an odds ratio needs rows with and without it."
    )


def _summed(pattern: Counts, weights: npt.NDArray[Any], size: int) -> Counts:
    return np.bincount(pattern, weights=weights, minlength=size).astype(np.int64)


def _membership(cluster: npt.NDArray[Any], named: npt.NDArray[np.bool_], cell: Counts, patterns: int) -> Membership:
    """Part repeaters from the rest; a cell is twice the pattern, and one more where the outcome happened."""
    alone = np.bincount(cell[~named], minlength=2 * patterns)
    if not named.all():
        cluster, cell = cluster[named], cell[named]
    # One sort of hash and cell together, the cell in the lowest bits: in the order of climbers and cells, so that
    # sums of fractions come out the same whatever the order of rows.
    bits = np.uint64(max(1, (2 * patterns - 1).bit_length()))
    packed = np.sort((cluster.astype(np.uint64) >> bits << bits) | cell.astype(np.uint64))
    owner, cell = packed >> bits, (packed & ((np.uint64(1) << bits) - np.uint64(1))).astype(np.int64)
    new = np.ones(len(owner) + 1, dtype=bool)
    new[1:-1] = owner[1:] != owner[:-1]
    again = ~(new[:-1] & new[1:])
    alone = alone + np.bincount(cell[~again], minlength=2 * patterns)
    climber_of, cell = np.cumsum(new[:-1][again]) - 1, cell[again]
    both = climber_of * patterns + cell // 2
    starts = (
        np.flatnonzero(np.concatenate([[True], both[1:] != both[:-1]])) if len(both) else np.zeros(0, dtype=np.int64)
    )
    events = np.add.reduceat(cell & 1, starts) if len(both) else starts
    return Membership(
        climber=climber_of[starts],
        pattern=cell[starts] // 2,
        events=events,
        others=np.diff(np.append(starts, len(both))) - events,
        alone_events=alone[1::2],
        alone_others=alone[::2],
    )
