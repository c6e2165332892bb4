"""Covariances of logistic coefficients that respect that climbers repeat."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from analysis.modelling.patterns import Design, Membership

Array = npt.NDArray[np.float64]

Correction = Literal["clusters", "none", "clusters_and_parameters"]
"""What the covariance is multiplied with, of G clusters, n rows and k coefficients: G / (G - 1); 1; or
G / (G - 1) * (n - 1) / (n - k)."""
DRAWN_IN: Final = 1e-12
"""A variance below this part of what independent rows would give is rounding: no spread between clusters."""


def clustered_covariance(
    design: Design,
    membership: Membership,
    *,
    probabilities: Array,
    root: Array,
    correction: Correction = "clusters",
) -> Array:
    """Compute the covariance of coefficients linearised by cluster.

    Parameters
    ----------
    design
        The patterns with all their rows.
    membership
        Which clusters of several rows have rows in which pattern, and the rows of all others.
    probabilities
        p values: chance of the event in each pattern.
    root
        k x r: a root of the inverse of Fisher's information, as ``LogisticFit`` has it.
    correction
        Small-sample factor of G clusters: clusters, G / (G - 1); none, 1; clusters_and_parameters,
        G / (G - 1) * (n - 1) / (n - k).

    Returns
    -------
    k x k covariance; equal to the sandwich of single rows. NaN with fewer than two clusters.

    References
    ----------
    Liang KY & Zeger SL 1986, Biometrika 73:13-22. Zeileis A, Köll S & Graham N 2020, J Stat Softw 95(1) (the factors;
    both from memory).

    Examples
    --------
    >>> from analysis.modelling.logistic import logistic_fit
    >>> design = Design(np.array([[1.0]]), np.array([2]), np.array([2]), ())
    >>> none = np.zeros(1, dtype=np.int64)
    >>> pair = np.array([0, 1])
    >>> alike = Membership(pair, 0 * pair, np.array([2, 0]), np.array([0, 2]), none, none)
    >>> fit = logistic_fit(design.matrix, design.events, design.others)
    >>> root = fit.root
    >>> clustered_covariance(design, alike, probabilities=fit.probabilities, root=root, correction="none").tolist()
    [[2.0]]
    """
    clusters = membership.clusters
    n, k = int((design.events + design.others).sum()), len(root)
    if clusters < 2:
        return np.full((k, k), np.nan)
    # Rows as the root turns them: of about the same size, whatever the units and origins of the columns.
    turned = design.matrix @ root
    meat = _together(turned, membership, probabilities) + _alone(turned, membership, probabilities)
    factor = {
        "none": 1.0,
        "clusters": clusters / (clusters - 1),
        "clusters_and_parameters": clusters / (clusters - 1) * (n - 1) / max(n - k, 1),
    }[correction]
    covariance = factor * root @ meat @ root.T
    covariance[np.diag(covariance) <= DRAWN_IN * (root**2).sum(axis=1)] = np.nan
    return np.asarray(covariance)


def _together(turned: Array, membership: Membership, probabilities: Array) -> Array:
    """Sum over repeaters the square of what their rows add to the score."""
    k = turned.shape[1]
    if not len(membership.climber):
        return np.zeros((k, k))
    chance = probabilities[membership.pattern]
    pull = membership.events * (1 - chance) - membership.others * chance
    ends = np.concatenate([[0], np.cumsum(np.bincount(membership.climber))])
    scores = csr_array((pull, membership.pattern, ends), shape=(len(ends) - 1, len(turned))) @ turned
    return np.asarray(scores.T @ scores)


def _alone(turned: Array, membership: Membership, probabilities: Array) -> Array:
    squares = membership.alone_events * (1 - probabilities) ** 2 + membership.alone_others * probabilities**2
    return np.asarray(turned.T @ (squares[:, None] * turned))
