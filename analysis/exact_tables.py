"""Exact and stratified tests of r by c tables: Fisher-Freeman-Halton, and the generalised Cochran-Mantel-Haenszel test.

The exact test walks through the table column by column. Partial tables that leave the same row totals and are equally
likely are one, so that their number stays small where that of the tables does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, gammaln

from analysis.drawn_tables import drawn_sums, nested
from analysis.thresholds import MONTE_CARLO_TABLES
from analysis.two_by_two import SAME_PROBABILITY
from registry.errors import DataError

Floats = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]

EXACT_LIMIT: Final = 2_000_000
"""Partial tables that the exact test looks at before it draws tables instead: about a second (our own choice)."""
SAME_PLACE: Final = 1e-9
"""Partial tables whose log probabilities agree to this are equally likely: far below what decides a tie."""


@dataclass(frozen=True, kw_only=True)
class ExactP:
    """The p-value of a table given its margins.

    Attributes
    ----------
    p_value
        Sum over the tables that are not more likely than the observed one; NaN where none can be given.
    test
        fisher_exact (exact) or fisher_monte_carlo (share among drawn tables).
    std_error
        Of the drawn share; 0 where exact.
    tables, seed
        How many were drawn, and the seed; 0 and None where exact.
    sentence
        What the reader has to know; empty where exact.
    """

    p_value: float
    test: str
    std_error: float = 0.0
    tables: int = 0
    seed: int | None = None
    sentence: str = ""


@dataclass(frozen=True, kw_only=True)
class Association:
    """A chi-square statistic with its degrees of freedom and p-value; NaN with 0 degrees where nothing can be told."""

    statistic: float
    df: float
    p_value: float


def exact_p(
    table: Any, possible: Any = None, *, limit: int = EXACT_LIMIT, tables: int = MONTE_CARLO_TABLES, seed: int = 1
) -> ExactP:
    """Test an r by c table exactly, given both margins.

    Parameters
    ----------
    table
        r by c whole numbers.
    possible
        r by c flags: can the cell occur? Counts in impossible cells take no part, and stay out of every other table.
        None: all can.
    limit
        Partial tables to look at; beyond it tables are drawn, and the result says so.
    tables, seed
        How many are drawn, and the seed.

    Returns
    -------
    ExactP. Tables whose probabilities differ by less than 1e-7 of themselves are equally likely.

    Raises
    ------
    DataError
        When the counts are not whole numbers of a table with two sides, or the flags have another shape.

    References
    ----------
    Freeman GH & Halton JH 1951, Biometrika 38:141-149. Mehta CR & Patel NR 1983, J Am Stat Assoc 78:427-434 (the
    walk from column to column; both from memory).

    Examples
    --------
    >>> result = exact_p([[3, 1], [1, 3]])
    >>> round(result.p_value, 4), result.test
    (0.4857, 'fisher_exact')
    """
    counts, cells = _laid_out(table, possible)
    walk = _Walk(counts, cells, limit)
    p_value = walk.p_value()
    if p_value is not None:
        return ExactP(p_value=p_value, test="fisher_exact")
    if not nested(cells):
        sentence = "The table is too large for the exact test, and its impossible cells let no table be drawn."
        return ExactP(p_value=float("nan"), test="fisher_monte_carlo", std_error=float("nan"), sentence=sentence)
    share = _drawn_share(counts, cells, tables=tables, seed=seed)
    sentence = (
        f"The table is too large for the exact test; its p-value comes from {tables} tables drawn with the same "
        f"margins (seed {seed})."
    )
    error = float(np.sqrt(share * (1 - share) / tables))
    return ExactP(
        p_value=share, test="fisher_monte_carlo", std_error=error, tables=tables, seed=seed, sentence=sentence
    )


def general_association(tables: Any) -> Association:
    """Test whether rows and columns go together within strata: the generalised Cochran-Mantel-Haenszel test.

    Parameters
    ----------
    tables
        k strata by r rows by c columns of counts; no order of rows or columns is used.

    Returns
    -------
    Association. Strata of fewer than two rows, and rows and columns that are empty throughout, say nothing. The
    degrees of freedom are (r - 1)(c - 1), fewer where strata leave comparisons out.

    Raises
    ------
    DataError
        When the array has not three sides.

    References
    ----------
    Landis JR, Heyman ER & Koch GG 1978, Int Stat Rev 46:237-254. Agresti A 2002, Categorical Data Analysis, section
    7.5.3 (both from memory).

    Examples
    --------
    >>> result = general_association([[[10, 20], [5, 25]], [[8, 12], [6, 14]]])
    >>> round(result.statistic, 4), result.df
    (2.3587, 1.0)
    """
    counts = np.asarray(tables, dtype=float)
    if counts.ndim != 3:
        raise DataError(f"strata by rows by columns are asked for; the array has {counts.ndim} sides.")
    counts = counts[counts.sum(axis=(1, 2)) > 1]
    counts = counts[:, counts.sum(axis=(0, 2)) > 0][:, :, counts.sum(axis=(0, 1)) > 0]
    if min(counts.shape) < 1 or min(counts.shape[1:]) < 2:
        return Association(statistic=float("nan"), df=0.0, p_value=float("nan"))
    difference, spread = _moments(counts)
    values, directions = np.linalg.eigh(spread)
    told = values > 1e-9 * values[-1]
    if not told.any() or values[-1] <= 0:
        return Association(statistic=float("nan"), df=0.0, p_value=float("nan"))
    along = directions.T[told] @ difference
    statistic, df = float((along**2 / values[told]).sum()), float(told.sum())
    return Association(statistic=statistic, df=df, p_value=float(chdtrc(df, statistic)))


def _moments(counts: Floats) -> tuple[Floats, Floats]:
    """Return observed minus expected of all cells but the last row and column, and its covariance, over strata."""
    total = counts.sum(axis=(1, 2))
    rows, columns = counts.sum(axis=2), counts.sum(axis=1)
    expected = rows[:, :, None] * columns[:, None, :] / total[:, None, None]
    difference = (counts - expected).sum(axis=0)[:-1, :-1].ravel()
    size = len(difference)
    spread = np.zeros((size, size))
    for n, row, column in zip(total, rows, columns, strict=True):
        by_row = n * np.diag(row[:-1]) - np.outer(row[:-1], row[:-1])
        by_column = n * np.diag(column[:-1]) - np.outer(column[:-1], column[:-1])
        spread += np.kron(by_row, by_column) / (n * n * (n - 1))
    return difference, spread


def _laid_out(table: Any, possible: Any) -> tuple[Whole, Flags]:
    """Return counts and flags with the shorter side as rows, fullest column last, and without empty sides."""
    numbers = np.asarray(table, dtype=float)
    if numbers.ndim != 2 or not numbers.size:
        raise DataError(f"a table of rows and columns is asked for; this one has shape {numbers.shape}.")
    cells = np.ones(numbers.shape, dtype=bool) if possible is None else np.asarray(possible, dtype=bool)
    if cells.shape != numbers.shape:
        raise DataError(f"a table of shape {numbers.shape} does not go with flags of shape {cells.shape}.")
    if not np.array_equal(numbers, np.floor(numbers)) or (numbers < 0).any():
        raise DataError("an exact test counts rows: the table holds a number that is negative, missing or not whole.")
    counts = numbers.astype(np.int64) * cells
    kept = counts.sum(axis=1) > 0, counts.sum(axis=0) > 0
    counts, cells = counts[np.ix_(*kept)], cells[np.ix_(*kept)]
    if counts.shape[0] > counts.shape[1]:
        counts, cells = counts.T, cells.T
    order = np.argsort(counts.sum(axis=0), kind="stable")
    return counts[:, order], cells[:, order]


def _ways(left: Whole, places: Flags, to_place: int) -> Floats:
    """Count, for each state of row totals, the ways to take a column of ``to_place`` out of them."""
    ways = np.zeros((len(left), to_place + 1))
    ways[:, 0] = 1
    sums = np.arange(to_place + 1)
    for row in np.flatnonzero(places):
        running = np.concatenate([np.zeros((len(left), 1)), np.cumsum(ways, axis=1)], axis=1)
        below = np.maximum(sums - left[:, [row]], 0)
        ways = running[:, 1:] - np.take_along_axis(running, below, axis=1)
    return ways[:, to_place]


def _columns_out_of(left: Whole, places: Flags, to_place: int) -> tuple[Whole, Whole]:
    """List every column of ``to_place`` that the states of row totals allow: number of the state, column."""
    state = np.arange(len(left))
    taken = np.zeros((len(left), left.shape[1]), dtype=np.int64)
    rest = np.full(len(left), to_place, dtype=np.int64)
    later = np.where(places, left, 0)
    later = later[:, ::-1].cumsum(axis=1)[:, ::-1]
    for row in np.flatnonzero(places):
        after = later[state, row] - left[state, row]
        first, last = np.maximum(rest - after, 0), np.minimum(left[state, row], rest)
        choices = np.maximum(last - first + 1, 0)
        again = np.repeat(np.arange(len(state)), choices)
        within = np.arange(len(again)) - np.repeat(np.cumsum(choices) - choices, choices)
        state, taken, rest = state[again], taken[again], rest[again]
        taken[:, row] = first[again] + within
        rest = rest - taken[:, row]
    whole = rest == 0
    return state[whole], taken[whole]


class _Walk:
    """The tables with the observed margins, column by column."""

    def __init__(self, counts: Whole, cells: Flags, limit: int) -> None:
        self.counts, self.cells, self.limit = counts, cells, limit
        self.columns = counts.sum(axis=0)
        self.logs = gammaln(np.arange(int(counts.sum()) + 2) + 1.0)
        self.rows_alike = bool(cells.all())
        self.observed = self._chances(counts.sum(axis=1)[None, :], counts, len(self.columns))

    def p_value(self) -> float | None:
        """Return the p-value, or None where the limit stops the walk."""
        if min(self.counts.shape) < 2:
            return 1.0
        state, chance, mass = self.counts.sum(axis=1)[None, :], np.zeros(1), np.ones(1)
        looked_at = 0.0
        for place, to_place in enumerate(self.columns[:-2]):
            looked_at += self._partial_tables(state, place)
            if looked_at > self.limit:
                return None
            entry, column = _columns_out_of(state, self.cells[:, place], int(to_place))
            step = self._chance(state[entry], column, int(to_place))
            state, chance, mass = self._merged(state[entry] - column, chance[entry] + step, mass[entry] * np.exp(step))
        return self._finish(state, chance, mass, looked_at)

    def _partial_tables(self, state: Whole, place: int) -> float:
        return float(_ways(state, self.cells[:, place], int(self.columns[place])).sum())

    def _chance(self, state: Whole, column: Whole, to_place: int) -> Floats:
        """Return the logarithm of the (multivariate hypergeometric) chance of a column given the row totals left."""
        logs, total = self.logs, state.sum(axis=1)
        ways = (logs[state] - logs[column] - logs[state - column]).sum(axis=1)
        result: Floats = ways - (logs[total] - logs[to_place] - logs[total - to_place])
        return result

    def _chances(self, state: Whole, table: Whole, columns: int) -> float:
        chance = 0.0
        for place in range(columns):
            column = table[:, place][None, :]
            chance += float(self._chance(state, column, int(self.columns[place]))[0])
            state = state - column
        return chance

    def _merged(self, state: Whole, chance: Floats, mass: Floats) -> tuple[Whole, Floats, Floats]:
        """Make one of the partial tables that leave the same and are equally likely."""
        if self.rows_alike:
            state = np.sort(state, axis=1)
        rounded = np.rint(chance / SAME_PLACE).astype(np.int64)
        order = np.lexsort((rounded, *state.T[:-1]))
        state, rounded = state[order], rounded[order]
        fresh = np.concatenate([[True], (np.diff(rounded) != 0) | (np.diff(state, axis=0) != 0).any(axis=1)])
        starts = np.flatnonzero(fresh)
        return state[fresh], chance[order][fresh], np.add.reduceat(mass[order], starts)

    def _finish(self, state: Whole, chance: Floats, mass: Floats, looked_at: float) -> float | None:
        """Add up over the last two columns: of the second last every choice is listed, the last takes the rest."""
        place = len(self.columns) - 2
        nodes, node_of = np.unique(state, axis=0, return_inverse=True)
        if looked_at + self._partial_tables(nodes, place) > self.limit:
            return None
        allowed = self.observed + np.log1p(SAME_PROBABILITY)
        by_node = np.argsort(node_of.ravel(), kind="stable")
        starts = np.searchsorted(node_of.ravel()[by_node], np.arange(len(nodes) + 1))
        as_likely = total = 0.0
        for number, node in enumerate(nodes):
            ends = np.sort(self._ends(node, place))
            entries = by_node[starts[number] : starts[number + 1]]
            sums = np.concatenate([[0.0], np.cumsum(np.exp(ends))])
            below = np.searchsorted(ends, allowed - chance[entries], side="right")
            as_likely += float(mass[entries] @ sums[below])
            total += float(mass[entries].sum() * sums[-1])
        return min(1.0, as_likely / total)

    def _ends(self, node: Whole, place: int) -> Floats:
        _, column = _columns_out_of(node[None, :], self.cells[:, place], int(self.columns[place]))
        left = node - column
        fits = (left[:, ~self.cells[:, place + 1]] == 0).all(axis=1)
        column = column[fits]
        return self._chance(np.broadcast_to(node, column.shape), column, int(self.columns[place]))


def _drawn_share(counts: Whole, cells: Flags, *, tables: int, seed: int) -> float:
    """Return the share of drawn tables that are not more likely than the counts."""
    logs = gammaln(np.arange(int(counts.sum()) + 1) + 1.0)
    rarity = drawn_sums(counts, cells, lambda _row, _column, drawn: logs[drawn], tables=tables, seed=seed)
    observed = float(logs[counts[cells]].sum())
    return float((np.sum(rarity >= observed - SAME_PROBABILITY) + 1) / (tables + 1))
