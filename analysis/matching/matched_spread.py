"""Errors of conditional ratios that allow for climbers who are in several matched sets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array

from analysis.matching.conditional_logistic import ConditionalFit
from analysis.matching.matched_sets import Informative, MatchedRows

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class SetSpread:
    """Covariance of the coefficients when sets that share a climber are taken as one whole."""

    covariance: Array
    """(p, p); NaN where a coefficient is not finite."""
    clusters: int
    """Climbers or sets, whichever are fewer: G of the factor G / (G - 1)."""
    repeaters: int
    """Climbers in more than one set."""
    their_sets: int
    """Sets with such a climber."""


def spread_over_clusters(rows: MatchedRows, informative: Informative, fit: ConditionalFit) -> SetSpread | None:
    """Compute the covariance from the scores of sets, summed over sets that share a climber.

    Parameters
    ----------
    rows
        The rows, with the cluster of each.
    informative
        The sets whose members differ.
    fit
        The estimate from these sets.

    Returns
    -------
    SetSpread, or None when the rows have no clusters. Of a single cluster the covariance is NaN.

    Notes
    -----
    The scores of a set are one number for each coefficient: its members are not independent of each other, since one
    of them had to be the case. Two sets go together when any climber is in both, as case or as referent; where each
    set belongs to one climber this is the usual sandwich by climber.
    """
    if rows.cluster is None:
        return None
    number = np.full(rows.sets, -1, dtype=np.int64)
    number[informative.which] = np.arange(len(informative.which))
    inside = number[rows.set_of] >= 0
    named = inside & (rows.cluster >= 0)
    nameless = int((inside & (rows.cluster < 0)).sum())
    members, sets = _distinct_pairs(rows.cluster[named], number[rows.set_of[named]])
    n = len(informative.which)
    climbers = len(np.unique(members))
    clusters = min(n, climbers + nameless)
    factor = clusters / (clusters - 1) if clusters > 1 else np.nan
    scores = _scores_of_sets(informative, fit)
    together = _sets_together(members, sets, n)
    meat = scores.T @ (together @ scores) * factor
    covariance = fit.bread @ meat @ fit.bread
    finite = fit.finite
    in_sets = np.bincount(members) if len(members) else np.zeros(0, dtype=np.int64)
    again = np.flatnonzero(in_sets > 1)
    return SetSpread(
        covariance=np.where(np.outer(finite, finite), covariance, np.nan),
        clusters=clusters,
        repeaters=len(again),
        their_sets=len(np.unique(sets[np.isin(members, again)])),
    )


def _distinct_pairs(members: Counts, sets: Counts) -> tuple[Counts, Counts]:
    if not len(members):
        return members, sets
    width = int(sets.max()) + 1
    keys = np.unique(members * width + sets)
    return keys // width, keys % width


def _scores_of_sets(informative: Informative, fit: ConditionalFit) -> Array:
    scores = np.zeros((len(informative.which), len(fit.coefficients)))
    for place, each in enumerate(fit.scores):
        chosen = informative.place == place
        scores[chosen] = each[informative.row[chosen]]
    return scores


def _sets_together(members: Counts, sets: Counts, n: int) -> csr_array:
    """Mark each pair of sets that share a climber, and each set with itself."""
    everywhere = np.arange(n)
    # A set without a named climber still goes with itself.
    columns = np.concatenate([members, members.max(initial=-1) + 1 + everywhere])
    links = csr_array((np.ones(len(columns)), (np.concatenate([sets, everywhere]), columns)))
    shared = csr_array(links @ links.T)
    shared.data[:] = 1.0
    return shared
