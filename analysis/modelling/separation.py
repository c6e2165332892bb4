"""Covariates that foretell the outcome without fail: where a logistic estimate is infinite.

A direction d separates when x'd is nowhere negative in patterns that have events only, nowhere positive in those that
have none, and 0 in all others. The likelihood then rises along d without end. In the limit the patterns with x'd other
than 0 are foretold, and those that remain hold the other coefficients.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import linprog
from scipy.sparse import csr_array, eye_array, hstack

from analysis.modelling.logistic import LogisticFit, logistic_fit

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

PARTED: Final = 0.5
"""The program pushes every pattern that can be foretold to a distance of 1; what is nearer than half stays."""
FAR: Final = 100.0
"""A column whose middle lies further from 0 than this many times its range is moved before anything is sought."""
SAME: Final = 1e-7
"""Relative size below which a direction does not move a coefficient."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Separation:
    """Coefficients without a finite estimate, and what is left in the limit.

    Attributes
    ----------
    sign
        k values: 1 or -1 where the coefficient goes to plus or minus infinity, 0 where it is finite or the data leave
        its way open.
    finite
        k flags: the patterns that remain hold this coefficient.
    kept
        p flags: patterns that remain in the limit.
    basis
        k x r: combinations of coefficients that the remaining patterns hold.
    heights
        p values: x'd along the direction that foretells the most patterns.
    """

    sign: Array
    finite: Flags
    kept: Flags
    basis: Array
    heights: Array


def find_separation(matrix: Any, events: Any, others: Any) -> Separation | None:
    """Look for directions in which the likelihood rises without end.

    Parameters
    ----------
    matrix
        p patterns by k independent columns.
    events, others
        p counts each; patterns without a row say nothing.

    Returns
    -------
    Separation, or None when the maximum is finite.

    References
    ----------
    Albert A & Anderson JA 1984, Biometrika 71:1-10. Konis K 2007, Linear programming algorithms for detecting separated
    data in binary logistic regression models, thesis, Oxford (both from memory).

    Examples
    --------
    >>> found = find_separation([[1, 0], [1, 1]], [2, 3], [2, 0])
    >>> found.sign.tolist(), found.finite.tolist()
    ([0.0, 1.0], [True, False])
    """
    origins = _far_origins(np.asarray(matrix, dtype=float))
    x = np.asarray(matrix, dtype=float) - origins
    yes, no = np.asarray(events) > 0, np.asarray(others) > 0
    reach = np.abs(x).max(axis=0)
    scaled = x / np.where(reach > 0, reach, 1.0)
    # Patterns with both outcomes must not move at all: what is left to search is often nothing.
    free = _unmoved(scaled[yes & no], scaled.shape[1])
    if not free.shape[1]:
        return None
    turned = (scaled * np.where(yes, 1.0, -1.0)[:, None])[yes ^ no] @ free
    turned = np.unique(np.round(turned, 12), axis=0)
    direction = _most_parting(turned)
    if direction is None:
        return None
    heights = scaled @ (free @ direction)
    kept = (np.abs(heights) < PARTED) & (yes | no)
    loose = _unmoved(scaled[kept], scaled.shape[1])
    finite = np.abs(loose).max(axis=1, initial=0.0) < SAME
    sign = np.zeros(x.shape[1])
    for column in np.flatnonzero(~finite):
        sign[column] = _way(turned, free[column])
    width = np.where(reach > 0, reach, 1.0)[:, None]
    found = Separation(sign=sign, finite=finite, kept=kept, basis=_held(loose) / width, heights=heights)
    return _moved_back(found, origins, matrix) if origins.any() else found


def _far_origins(x: Array) -> Array:
    """Return what to take off columns (k values) that lie far from 0: next to a constant column it changes nothing."""
    if not len(_constant(x)):
        return np.zeros(x.shape[1])
    middle, spread = (x.max(axis=0) + x.min(axis=0)) / 2, np.ptp(x, axis=0)
    return np.where((spread > 0) & (np.abs(middle) > FAR * spread), middle, 0.0)


def _constant(x: Array) -> npt.NDArray[np.int64]:
    return np.flatnonzero((x == x[:1]).all(axis=0) & (x[:1] != 0).any(axis=0))


def _moved_back(found: Separation, origins: Array, matrix: Any) -> Separation:
    """Let the constant column take up the origins of the others."""
    x = np.asarray(matrix, dtype=float)
    constant = int(_constant(x)[0])
    basis, sign, finite = found.basis.copy(), found.sign.copy(), found.finite.copy()
    basis[constant] -= origins @ basis / x[0, constant]
    if (origins[~finite] != 0).any():
        finite[constant] = False
        ways = set(-np.sign(sign * origins)[~finite & (origins != 0)])
        sign[constant] = ways.pop() * np.sign(x[0, constant]) if len(ways) == 1 else 0.0
    return replace(found, basis=basis, sign=sign, finite=finite)


def limiting_fit(matrix: Any, events: Any, others: Any, found: Separation) -> LogisticFit:
    """Fit what remains in the limit.

    Parameters
    ----------
    matrix, events, others
        As for ``find_separation``.
    found
        What it returned.

    Returns
    -------
    LogisticFit: infinite coefficients are infinite (NaN where their way is open); rows of ``root`` mean
    something for the finite ones only. Probabilities of foretold patterns are 0 or 1, the likelihood is its
    supremum.

    Examples
    --------
    >>> model = [[1, 0], [1, 1]], [2, 3], [2, 0]
    >>> limiting_fit(*model, find_separation(*model)).coefficients.tolist()
    [0.0, inf]
    """
    x = np.asarray(matrix, dtype=float)
    yes, no = np.asarray(events, dtype=float), np.asarray(others, dtype=float)
    probabilities = (found.heights > 0).astype(float)
    infinite = np.select([found.sign > 0, found.sign < 0], [np.inf, -np.inf], np.nan)
    if not found.basis.shape[1]:
        width = x.shape[1]
        return LogisticFit(
            coefficients=infinite,
            root=np.zeros((width, 0)),
            probabilities=probabilities,
            log_likelihood=0.0,
            settled=True,
        )
    inner = logistic_fit(x[found.kept] @ found.basis, yes[found.kept], no[found.kept])
    probabilities[found.kept] = inner.probabilities
    return LogisticFit(
        coefficients=np.where(found.finite, found.basis @ inner.coefficients, infinite),
        root=found.basis @ inner.root,
        probabilities=probabilities,
        log_likelihood=inner.log_likelihood,
        settled=inner.settled,
    )


def _unmoved(rows: Array, width: int) -> Array:
    """Return an orthonormal basis (width, r) of the directions that move none of the rows."""
    if not len(rows):
        return np.eye(width)
    triangle = np.linalg.qr(rows, mode="r") if len(rows) > width else rows
    _, sizes, turns = np.linalg.svd(triangle)
    rank = int((sizes > SAME * max(1.0, float(sizes.max(initial=0.0)))).sum())
    return np.asarray(turns[rank:].T)


def _held(loose: Array) -> Array:
    """Return an orthonormal basis of all directions at a right angle to those given."""
    if not loose.shape[1]:
        return np.eye(len(loose))
    return np.asarray(np.linalg.svd(loose)[0][:, loose.shape[1] :])


def _most_parting(turned: Array) -> Array | None:
    """Return the direction along which most rows become positive and none negative."""
    if not len(turned):
        return None
    n, k = turned.shape
    # Unknowns: the direction (free), then for each row how far it is moved (0 to 1).
    upper = hstack([csr_array(-turned), eye_array(n)], format="csr")
    cost = np.concatenate([np.zeros(k), -np.ones(n)])
    found = linprog(cost, A_ub=upper, b_ub=np.zeros(n), bounds=[(None, None)] * k + [(0, 1)] * n, method="highs")
    if not found.success or -found.fun < PARTED:
        return None
    return np.asarray(found.x[:k], dtype=float)


def _way(turned: Array, pull: Array) -> float:
    """Say whether all separating directions move a coefficient up (1) or down (-1), or some either way (0)."""
    limits = [(-1, 1)] * len(pull)
    reach = [
        turn * linprog(turn * pull, A_ub=-turned, b_ub=np.zeros(len(turned)), bounds=limits, method="highs").fun
        for turn in (1.0, -1.0)
    ]
    return float(reach[1] > SAME) - float(reach[0] < -SAME)
