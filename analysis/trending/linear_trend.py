"""The trend in a table of counts: Cochran-Armitage, what departs from it, and linear-by-linear association."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.stats import chi2 as chi_square

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class Trend:
    """A trend and its two-sided p-value; NaN where rows or columns do not vary.

    Attributes
    ----------
    z
        Signed: positive when the column score rises with the row score.
    """

    z: float

    @property
    def chi_square(self) -> float:
        """The square of z, on one degree of freedom."""
        return self.z**2

    @property
    def p_value(self) -> float:
        """Two-sided."""
        return float(chi_square.sf(self.chi_square, 1))


def linear_by_linear(counts: Any, rows: Any, columns: Any) -> Trend:
    """Test the correlation of row and column scores in a table of counts.

    Parameters
    ----------
    counts
        r by c whole numbers, each unit in one cell.
    rows, columns
        r and c scores.

    Returns
    -------
    Trend with z = r sqrt(N - 1), r being Pearson's correlation of the scores: the variance given both margins.

    References
    ----------
    Mantel N 1963, J Am Stat Assoc 58:690-700 (from memory). Agresti A 2002, Categorical Data Analysis, section 3.4.

    Examples
    --------
    >>> round(linear_by_linear([[10, 5], [5, 10]], [1, 2], [0, 1]).chi_square, 4)
    3.2222
    """
    return Trend(z=_correlation(counts, rows, columns) * float(np.sqrt(np.sum(counts, dtype=float) - 1)))


def cochran_armitage(counts: Any, scores: Any) -> Trend:
    """Test whether a share rises or falls with a score.

    Parameters
    ----------
    counts
        k by 2 whole numbers: those with the outcome and those without it, at each level.
    scores
        k scores.

    Returns
    -------
    Trend with the binomial variance of the pooled share (N; ``linear_by_linear`` has N - 1).

    References
    ----------
    Cochran WG 1954, Biometrics 10:417-451. Armitage P 1955, Biometrics 11:375-386 (both from memory).

    Examples
    --------
    >>> round(cochran_armitage([[10, 5], [5, 10]], [1, 2]).chi_square, 4)
    3.3333
    """
    return Trend(z=_correlation(counts, scores, [1.0, 0.0]) * float(np.sqrt(np.sum(counts, dtype=float))))


def heterogeneity(counts: Any) -> tuple[float, int]:
    """Return Pearson's chi-square of k shares against one, and its degrees of freedom.

    Examples
    --------
    >>> chi2, df = heterogeneity([[10, 5], [5, 10]])
    >>> round(chi2, 4), df
    (3.3333, 1)
    """
    table = np.asarray(counts, dtype=float)
    expected = expected_counts(table)
    return float(((table - expected) ** 2 / expected).sum()), len(table) - 1


def expected_counts(counts: Any) -> Floats:
    """Return the counts that independence of rows and columns expects."""
    table = np.asarray(counts, dtype=float)
    expected: Floats = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
    return expected


def centred(counts: Any, rows: Any, columns: Any) -> Floats:
    """Return each cell's contribution to the covariance of the scores: r by c products of centred scores."""
    table = np.asarray(counts, dtype=float)
    down, across = np.asarray(rows, dtype=float), np.asarray(columns, dtype=float)
    down = down - table.sum(axis=1) @ down / table.sum()
    across = across - table.sum(axis=0) @ across / table.sum()
    product: Floats = np.outer(down, across)
    return product


def _correlation(counts: Any, rows: Any, columns: Any) -> float:
    table = np.asarray(counts, dtype=float)
    down, across = np.asarray(rows, dtype=float), np.asarray(columns, dtype=float)
    in_row, in_column, total = table.sum(axis=1), table.sum(axis=0), table.sum()
    spread = _variance(down, in_row, total) * _variance(across, in_column, total)
    if spread <= 0:
        return float("nan")
    return float((table * centred(table, down, across)).sum() / total / np.sqrt(spread))


def _variance(scores: Floats, weights: Floats, total: float) -> float:
    mean = weights @ scores / total
    return float(weights @ (scores - mean) ** 2 / total)
