"""Is one label independent of another? Chi-square for tables in which some cells cannot occur.

A thumb has no A4 pulley: that cell is a structural zero, not a small count. The expected counts are those of
quasi-independence (independence among the cells that can occur), the degrees of freedom leave the impossible
cells out, and a Monte-Carlo p-value keeps them empty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.special import xlogy
from scipy.stats import chi2 as chi_square

from analysis.drawn_tables import drawn_sums, nested
from analysis.results import Note, no_tests
from analysis.thresholds import MIN_FOR_TEST, MONTE_CARLO_TABLES, SPARSE_EXPECTED

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MARGIN_TOLERANCE = 1e-10
MAX_ROUNDS = 5_000


@dataclass(frozen=True, kw_only=True, eq=False)
class CrossTable:
    """A table of counts beside what independence expects.

    Attributes
    ----------
    expected, residual
        r by c arrays: expected counts (0 where impossible) and adjusted residuals (NaN where the margins
        alone fix the count).
    tests
        test (pearson or pearson_monte_carlo, g_squared, cramers_v), statistic, df, p_value; empty when
        nothing can be tested.
    notes
        What the reader has to know.
    simulated
        Was the p-value simulated?
    tested_shape
        Rows and columns that take part in the test.
    """

    expected: Floats
    residual: Floats
    tests: pd.DataFrame
    notes: tuple[Note, ...]
    simulated: bool
    tested_shape: tuple[int, int] = (0, 0)


def cross_table(counts: Any, possible: Any = None, *, seed: int = 1, tables: int = MONTE_CARLO_TABLES) -> CrossTable:
    """Compare a table of counts with independence of its rows and columns.

    Parameters
    ----------
    counts
        r by c whole numbers, each unit in one cell.
    possible
        r by c flags: can the cell occur? Counts in impossible cells take no part. None: all can.
    seed
        Of the tables drawn when expected counts lie below 5.
    tables
        How many are drawn.

    Returns
    -------
    CrossTable. Pearson's X², the likelihood ratio G² and Cramér's V (with impossible cells its largest value
    lies below 1). G² has no p-value where Pearson's is simulated; fewer than 10 rows are not tested. Residuals
    are adjusted: observed minus expected by its standard error under (quasi-)independence.

    References
    ----------
    Goodman LA 1968, J Am Stat Assoc 63:1091-1131 (quasi-independence; from memory). Haberman SJ 1973,
    Biometrics 29:205-220 (adjusted residuals; from memory). Agresti A 2002, Categorical Data Analysis,
    sections 3.2-3.3.

    Examples
    --------
    >>> result = cross_table([[30, 10], [10, 30]])
    >>> round(float(result.tests["statistic"][0]), 6), round(float(result.residual[0, 0]), 3)
    (20.0, 4.472)
    """
    observed = np.asarray(counts, dtype=float)
    can_be = np.ones(observed.shape, dtype=bool) if possible is None else np.asarray(possible, dtype=bool)
    expected, free = _settle_fixed_cells(observed, can_be)
    nothing = np.full(observed.shape, np.nan)
    if not free.any():
        note = Note("no_test", "Fewer than two levels can be compared, so there is nothing to test.")
        return CrossTable(expected=expected, residual=nothing, tests=no_tests(), notes=(note,), simulated=False)
    rows, columns = free.any(axis=1), free.any(axis=0)
    part, cells = observed[np.ix_(rows, columns)] * free[np.ix_(rows, columns)], free[np.ix_(rows, columns)]
    fit, settled = _quasi_independence(part, cells)
    expected[free] = fit[cells]
    nothing[free] = _adjusted_residuals(part, fit, cells)[cells]
    if part.sum() < MIN_FOR_TEST:
        note = Note("too_few_to_test", f"Fewer than {MIN_FOR_TEST} rows can be compared; nothing is tested.")
        return CrossTable(expected=expected, residual=nothing, tests=no_tests(), notes=(note,), simulated=False)
    tests, simulated, notes = _tests(part, fit, cells, seed=seed, tables=tables)
    if not settled:
        sentence = "Expected counts of some cells tend to zero; the degrees of freedom may be too many."
        notes = (*notes, Note("fit_not_settled", sentence))
    return CrossTable(
        expected=expected,
        residual=nothing,
        tests=tests,
        notes=notes,
        simulated=simulated,
        tested_shape=(int(rows.sum()), int(columns.sum())),
    )


def _settle_fixed_cells(observed: Floats, possible: Flags) -> tuple[Floats, Flags]:
    """Set aside cells whose count the margins fix: alone in a row or column, or in one that is empty."""
    expected, free = np.zeros(observed.shape), possible.copy()
    while True:
        in_row, in_column = free.sum(axis=1, keepdims=True), free.sum(axis=0, keepdims=True)
        row_total = (observed * free).sum(axis=1, keepdims=True)
        column_total = (observed * free).sum(axis=0, keepdims=True)
        alone = (in_row == 1) | (in_column == 1) | (row_total == 0) | (column_total == 0)
        fixed = free & alone
        if not fixed.any():
            return expected, free
        expected[fixed] = observed[fixed]
        free &= ~fixed


def _quasi_independence(observed: Floats, cells: Flags) -> tuple[Floats, bool]:
    """Fit row and column margins over the cells that can occur, by iterative proportional fitting."""
    row_total, column_total = observed.sum(axis=1, keepdims=True), observed.sum(axis=0, keepdims=True)
    if cells.all():
        return row_total * column_total / observed.sum(), True
    fit = cells.astype(float)
    for _ in range(MAX_ROUNDS):
        fit *= row_total / fit.sum(axis=1, keepdims=True)
        fit *= column_total / fit.sum(axis=0, keepdims=True)
        if np.abs(fit.sum(axis=1, keepdims=True) - row_total).max() <= MARGIN_TOLERANCE * observed.sum():
            return fit, True
    return fit, False


def _adjusted_residuals(observed: Floats, expected: Floats, cells: Flags) -> Floats:
    total = observed.sum()
    if cells.all():
        rows, columns = (
            observed.sum(axis=1, keepdims=True) / total,
            observed.sum(axis=0, keepdims=True) / total,
        )
        left = (1 - rows) * (1 - columns)
    else:
        left = 1 - _leverages(expected, cells)
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = expected * left
        # Rounding leaves a hair of variance where the margins fix the count.
        return np.where(left > 1e-9, (observed - expected) / np.sqrt(variance), np.nan)


def _leverages(expected: Floats, cells: Flags) -> Floats:
    """Return each cell's leverage in the log-linear model of row and column effects."""
    row_of, column_of = np.nonzero(cells)
    design = np.hstack([np.eye(cells.shape[0])[row_of], np.eye(cells.shape[1])[column_of]])
    weighted = design * np.sqrt(expected[cells])[:, None]
    inverse = np.linalg.pinv(weighted.T @ weighted, hermitian=True)
    leverages = np.ones(cells.shape)
    leverages[cells] = np.einsum("ij,jk,ik->i", weighted, inverse, weighted)
    return leverages


def _tests(
    observed: Floats, expected: Floats, cells: Flags, *, seed: int, tables: int
) -> tuple[pd.DataFrame, bool, tuple[Note, ...]]:
    total = observed.sum()
    df = int(cells.sum()) - sum(cells.shape) + _components(cells)
    pearson = float((((observed - expected) ** 2)[cells] / expected[cells]).sum())
    ratio = float(2 * xlogy(observed[cells], observed[cells] / expected[cells]).sum())
    few = int((expected[cells] < SPARSE_EXPECTED).sum())
    simulate = few > 0 and nested(cells)
    p_value = float(chi_square.sf(pearson, df))
    notes: tuple[Note, ...] = ()
    if few:
        sentence = f"{few} of {int(cells.sum())} expected counts lie below {SPARSE_EXPECTED}; the p-value "
        if simulate:
            p_value = _monte_carlo(observed, expected, cells, pearson, seed=seed, tables=tables)
            sentence += (
                f"comes from {tables} tables drawn with the same margins (seed {seed}); the likelihood ratio has none."
            )
        else:
            sentence += "is approximate."
        notes = (Note("sparse", sentence),)
    table = pd.DataFrame(
        {
            "test": ["pearson_monte_carlo" if simulate else "pearson", "g_squared", "cramers_v"],
            "statistic": [pearson, ratio, float(np.sqrt(pearson / (total * (min(cells.shape) - 1))))],
            "df": [float(df), float(df), np.nan],
            # Where Pearson's p-value cannot come from chi-square, that of G² cannot either.
            "p_value": [p_value, np.nan if simulate else float(chi_square.sf(ratio, df)), np.nan],
        }
    )
    return table, simulate, notes


def _components(cells: Flags) -> int:
    """Count the blocks into which impossible cells split the table; each block costs one parameter less."""
    rows, columns = np.nonzero(cells)
    size = sum(cells.shape)
    graph = coo_array((np.ones(len(rows)), (rows, cells.shape[0] + columns)), shape=(size, size))
    return int(connected_components(graph, directed=False, return_labels=False))


def _monte_carlo(observed: Floats, expected: Floats, cells: Flags, pearson: float, *, seed: int, tables: int) -> float:
    """Draw tables given both margins and count those at least as far from what is expected."""

    def distance(row: int, column: int, drawn: npt.NDArray[np.int64]) -> Floats:
        return np.asarray((drawn - expected[row, column]) ** 2 / expected[row, column])

    statistic = drawn_sums(observed.astype(np.int64), cells, distance, tables=tables, seed=seed)
    # Sums in another order differ in the last digits; ties must count.
    return float((np.sum(statistic >= pearson * (1 - 1e-9)) + 1) / (tables + 1))
