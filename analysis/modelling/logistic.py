"""Logistic regression by maximum likelihood, on covariate patterns instead of rows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.linalg import LinAlgError, cho_factor, cho_solve
from scipy.special import expit, log_expit

Array = npt.NDArray[np.float64]

MOST_STEPS: Final = 60
"""Newton's method needs fewer than ten; a maximum that lies at infinity is never reached."""
STILL: Final = 1e-9
"""A step of all coefficients (of orthonormal columns) below this ends the search: convergence is
quadratic, so that the next step would be lost in rounding."""
SURE: Final = 12.0
"""Logarithm of the odds beyond which one row in 160 000 would be otherwise."""
DEPENDENT: Final = 1e-13
"""A column whose part that the others do not explain is below this share of its length is one of them."""
SLACK: Final = 1e-10
"""Relative loss of likelihood that is rounding and no reason to halve a step."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LogisticFit:
    """The maximum of the likelihood.

    Attributes
    ----------
    coefficients
        k values, on the scale of the logarithm of the odds.
    root
        k x r: root root' is the inverse of Fisher's information. The root keeps the digits that its square loses when
        a measurement has a far origin.
    probabilities
        p values: chance of the event in each pattern.
    log_likelihood
        Of single rows (no binomial coefficients).
    settled
        False when no maximum was found, as happens where the data separate.
    extreme
        Whether a pattern is foretold so surely that steps towards infinity may be lost in rounding: the maximum may
        be at infinity although the search has settled.
    """

    coefficients: Array
    root: Array
    probabilities: Array
    log_likelihood: float
    settled: bool
    extreme: bool = False

    @property
    def covariance(self) -> Array:
        """The inverse of Fisher's information (k x k): right when rows are independent."""
        return np.asarray(self.root @ self.root.T)

    @property
    def std_errors(self) -> Array:
        """Square roots of the variances."""
        return np.asarray(np.sqrt((self.root**2).sum(axis=1)))


def logistic_fit(matrix: Any, events: Any, others: Any, *, offset: Any = None) -> LogisticFit:
    """Fit a logistic regression.

    Parameters
    ----------
    matrix
        p patterns by k columns, linearly independent; an intercept is a column of ones.
    events, others
        p counts each: rows of the pattern with and without the event.
    offset
        p values added to the logarithm of the odds; None adds nothing.

    Returns
    -------
    LogisticFit. The numbers are those of a fit to single rows.

    References
    ----------
    McCullagh P & Nelder JA 1989, Generalized Linear Models, 2nd ed., section 4.4 (from memory).

    Examples
    --------
    >>> fit = logistic_fit([[1, 0], [1, 1]], [2, 6], [4, 3])
    >>> [round(float(value), 6) for value in np.exp(fit.coefficients)]
    [0.5, 4.0]
    """
    x = np.asarray(matrix, dtype=float)
    yes, no = np.asarray(events, dtype=float), np.asarray(others, dtype=float)
    shift = np.zeros(len(yes)) if offset is None else np.asarray(offset, dtype=float)
    triangle = _triangle(x, yes + no)
    if triangle is None:
        return _unsettled(x, yes, no, shift)
    level = np.asarray(np.linalg.solve(triangle.T, x.T).T)
    place, settled = _climb(level, yes, no, shift)
    eta = level @ place + shift
    root = _root(_information(level, eta, yes + no))
    return LogisticFit(
        coefficients=np.asarray(np.linalg.solve(triangle, place)),
        root=np.asarray(np.linalg.solve(triangle, root)),
        probabilities=np.asarray(expit(eta)),
        log_likelihood=log_likelihood(eta, yes, no),
        settled=settled and bool(np.isfinite(root).all()),
        extreme=bool(np.abs(eta[yes + no > 0]).max(initial=0.0) > SURE),
    )


def _triangle(x: Array, totals: Array) -> Array | None:
    """Return the triangle that makes the columns orthonormal over the rows; None where they depend on each other.

    Neither units nor an origin far away, alone or in a product, then cost digits.
    """
    weighted = x * np.sqrt(totals / totals.sum())[:, None]
    if len(x) < x.shape[1]:
        return None
    triangle = np.asarray(np.linalg.qr(weighted, mode="r"))
    lengths = np.linalg.norm(weighted, axis=0)
    return triangle if (np.abs(np.diag(triangle)) > DEPENDENT * lengths).all() else None


def _unsettled(x: Array, events: Array, others: Array, shift: Array) -> LogisticFit:
    width = x.shape[1]
    return LogisticFit(
        coefficients=np.zeros(width),
        root=np.full((width, width), np.nan),
        probabilities=np.asarray(expit(shift)),
        log_likelihood=log_likelihood(shift, events, others),
        settled=False,
    )


def _climb(x: Array, events: Array, others: Array, shift: Array) -> tuple[Array, bool]:
    place = np.zeros(x.shape[1])
    eta = x @ place + shift
    height = log_likelihood(eta, events, others)
    for _ in range(MOST_STEPS):
        score = x.T @ (events * expit(-eta) - others * expit(eta))
        step = _solved(_information(x, eta, events + others), score)
        if step is None:
            return place, False
        for _ in range(40):
            eta_next = x @ (place + step) + shift
            height_next = log_likelihood(eta_next, events, others)
            if height_next >= height - SLACK * abs(height):
                break
            step = step / 2
        place, eta, height = place + step, eta_next, height_next
        if np.abs(step).max() < STILL:
            return place, True
    return place, False


def _information(x: Array, eta: Array, totals: Array) -> Array:
    weights = totals * expit(eta) * expit(-eta)
    return np.asarray(x.T @ (weights[:, None] * x))


def _solved(information: Array, score: Array) -> Array | None:
    try:
        return np.asarray(cho_solve(cho_factor(information), score))
    except LinAlgError:
        return None


def _root(information: Array) -> Array:
    """Return a root of the inverse."""
    try:
        return np.asarray(np.linalg.inv(np.linalg.cholesky(information)).T)
    except np.linalg.LinAlgError:
        return np.full(information.shape, np.nan)


def log_likelihood(eta: Array, events: Array, others: Array) -> float:
    """Sum the logarithm of the likelihood of single rows.

    Parameters
    ----------
    eta
        p logarithms of the odds.
    events, others
        p counts each.
    """
    return float(events @ log_expit(eta) + others @ log_expit(-eta))
