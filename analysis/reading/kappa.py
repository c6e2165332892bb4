"""Agreement beyond chance in a table of counts: Cohen's and weighted kappa of two readers, Fleiss' of several."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
CHANCE_ALONE = 1e-12
"""How near to 1 expected agreement must be to leave nothing beyond chance: rounding of sums of shares."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Kappa:
    """A kappa: NaN where chance alone would agree always.

    Attributes
    ----------
    observed, expected
        Share of agreement, and what chance would give (weighted where weights were used).
    std_error, std_error_null
        For limits, and for testing that there is no agreement beyond chance.
    influence
        What one case of each cell (Cohen: k by k; Fleiss: one a pattern) adds to the estimate, times n; sums to 0 over
        the cases. Its sums over climbers give the variance where climbers repeat.
    """

    n: int
    observed: float
    expected: float
    estimate: float
    std_error: float
    std_error_null: float
    influence: Floats


def agreement_weights(kind: str, scores: Sequence[float | None]) -> Floats:
    """Return weights of agreement: 1 for the same grade, less the farther two grades lie apart.

    Parameters
    ----------
    kind
        none, linear (1 - d) or quadratic (1 - d * d), d being the distance as a part of the whole scale.
    scores
        Score of each of k grades; None for a grade that is no step of the scale: it agrees with itself alone.

    Examples
    --------
    >>> agreement_weights("linear", [0, 1, 2, None]).tolist()[0]
    [1.0, 0.5, 0.0, 0.0]
    """
    if kind == "none":
        return np.eye(len(scores))
    places = np.array([np.nan if score is None else float(score) for score in scores])
    apart = np.abs(np.subtract.outer(places, places))
    widest = np.nanmax(apart, initial=0.0)
    distance = apart / widest if widest > 0 else apart
    weights: Floats = np.where(np.isnan(distance), 0.0, 1 - distance ** (1 if kind == "linear" else 2))
    np.fill_diagonal(weights, 1.0)
    return weights


def cohen(table: Any, weights: Any) -> Kappa:
    """Compute Cohen's kappa, or the weighted one, of two readers.

    Parameters
    ----------
    table
        k by k counts of cases: first reader's grade down, second reader's across.
    weights
        k by k weights of agreement; the identity gives Cohen's kappa.

    References
    ----------
    Cohen J 1968, Psychol Bull 70:213-220 (from memory). Fleiss JL, Cohen J & Everitt BS 1969, Psychol Bull 72:323-327
    (both standard errors).

    Examples
    --------
    >>> round(cohen([[20, 5], [10, 15]], [[1, 0], [0, 1]]).estimate, 3)
    0.4
    """
    counts, weight = np.asarray(table, dtype=float), np.asarray(weights, dtype=float)
    n = counts.sum()
    shares = counts / n
    first, second = shares.sum(axis=1), shares.sum(axis=0)
    observed, expected = float((weight * shares).sum()), float(first @ weight @ second)
    if expected > 1 - CHANCE_ALONE:
        return _undefined(int(n), observed, expected, counts.shape)
    estimate = (observed - expected) / (1 - expected)
    pull = np.add.outer(weight @ second, first @ weight)
    influence = (weight - pull * (1 - estimate) - (estimate - expected * (1 - estimate))) / (1 - expected)
    # Around its mean, which is -expected: the difference of two near equals would leave rounding for a spread.
    null = (np.outer(first, second) * (weight - pull + expected) ** 2).sum()
    return Kappa(
        n=int(n),
        observed=observed,
        expected=expected,
        estimate=estimate,
        std_error=_root((shares * influence**2).sum() / n),
        std_error_null=_root(null / n) / (1 - expected),
        influence=influence,
    )


def fleiss(votes: Any, cases: Any) -> Kappa:
    """Compute Fleiss' kappa of several readers.

    Parameters
    ----------
    votes
        p by k counts: how many of m readers gave each grade, one row a pattern; m is the same in every row.
    cases
        How many cases show each of the p patterns.

    Returns
    -------
    Kappa. ``std_error`` is linearised over cases (n/(n-1)); ``std_error_null`` is that of no agreement.

    References
    ----------
    Fleiss JL 1971, Psychol Bull 76:378-382. Fleiss JL, Nee JCM & Landis JR 1979, Psychol Bull 86:974-977 (standard
    error without agreement; from memory). Gwet KL 2008, Br J Math Stat Psychol 61:29-48 (linearisation; from memory).

    Examples
    --------
    >>> round(fleiss([[3, 0], [0, 3], [2, 1]], [4, 4, 2]).estimate, 4)
    0.7321
    """
    counts, sizes = np.asarray(votes, dtype=float), np.asarray(cases, dtype=float)
    n, readers = sizes.sum(), counts[0].sum()
    within = (counts**2 - counts).sum(axis=1) / (readers * (readers - 1))
    shares = sizes @ counts / (n * readers)
    observed, expected = float(sizes @ within / n), float(shares @ shares)
    if expected > 1 - CHANCE_ALONE:
        return _undefined(int(n), observed, expected, sizes.shape)
    drift = 2 * (counts @ shares / readers - expected)
    influence = (within - observed) / (1 - expected) - (1 - observed) / (1 - expected) ** 2 * drift
    others = 1 - shares
    spread = shares @ others
    null = (
        np.sqrt(2 / (n * readers * (readers - 1))) / spread * _root(spread**2 - (shares * others) @ (others - shares))
    )
    return Kappa(
        n=int(n),
        observed=observed,
        expected=expected,
        estimate=(observed - expected) / (1 - expected),
        std_error=float(_root(n / (n - 1) * (sizes @ influence**2)) / n) if n > 1 else float("nan"),
        std_error_null=float(null),
        influence=influence,
    )


def clustered_error(influence: Floats, products: Any, *, clusters: int, n: int) -> float:
    """Return the standard error of a kappa whose cases belong to climbers that repeat.

    Parameters
    ----------
    influence
        Of p cells or patterns.
    products
        p by p: sum over climbers of the product of their cases in two cells.
    clusters, n
        Climbers and cases.

    Examples
    --------
    >>> clustered_error(np.array([1.0, -1.0]), np.eye(2) * 2, clusters=4, n=4).__round__(4)
    0.5774
    """
    each = influence.ravel()
    return _root(clusters / (clusters - 1) * float(each @ np.asarray(products) @ each)) / n


def _undefined(n: int, observed: float, expected: float, shape: tuple[int, ...]) -> Kappa:
    nan = float("nan")
    return Kappa(
        n=n,
        observed=observed,
        expected=expected,
        estimate=nan,
        std_error=nan,
        std_error_null=nan,
        influence=np.full(shape, np.nan),
    )


def _root(value: float) -> float:
    """Take a root of what rounding may have pushed a hair below 0."""
    return float(np.sqrt(max(0.0, float(value))))
