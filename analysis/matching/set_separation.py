"""Covariates that tell cases from referents in every matched set: where a conditional estimate is infinite.

A direction d separates when in each set no case has a smaller x'd than a referent, and in some set a larger one.
The likelihood then rises along d without end. What remains in the limit are the sets, and the members of sets,
that d does not part; they hold the other coefficients.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.modelling.separation import PARTED, SAME, find_separation

Array = npt.NDArray[np.float64]
Counts = npt.NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Endless:
    """Coefficients without a finite estimate, and what is left of the sets in the limit."""

    sign: Array
    """(p,) 1 or -1 where the coefficient goes to plus or minus infinity, 0 where the data leave it open."""
    finite: npt.NDArray[np.bool_]
    """(p,) coefficients that the remaining sets hold."""
    kept: Counts
    """Columns, the finite ones included, that the remaining sets tell apart."""
    remaining: tuple[tuple[int, Counts, Counts, int], ...]
    """Group, rows of it, their remaining members (s, n; cases first), their number of cases."""


def endless_directions(patterns: Array, groups: Sequence[tuple[Counts, int]]) -> Endless | None:
    """Look for directions in which the conditional likelihood of matched sets rises without end.

    Parameters
    ----------
    patterns
        (g, p) the distinct rows of covariates, of similar scale.
    groups
        For each group of sets of one size its members (s, n rows of ``patterns``, cases first) and the cases.

    Returns
    -------
    Endless, or None when the maximum is finite.

    Notes
    -----
    A direction separates the sets when it separates the differences between cases and referents from zero: the problem
    of a logistic model without intercept in which every difference is an event.

    Examples
    --------
    >>> pairs = [(np.array([[1, 0]]), 1)]
    >>> endless_directions(np.array([[0.0], [1.0]]), pairs).sign.tolist()
    [1.0]
    """
    pairs = _differences(patterns, groups)
    found = find_separation(pairs, np.ones(len(pairs)), np.zeros(len(pairs))) if len(pairs) else None
    if found is None:
        return None
    direction = np.linalg.lstsq(pairs, found.heights, rcond=None)[0]
    tied = pairs[found.kept]
    order = np.concatenate([np.flatnonzero(found.finite), np.flatnonzero(~found.finite)])
    return Endless(
        sign=found.sign,
        finite=found.finite,
        kept=np.sort(order[independent_columns(tied[:, order])]),
        remaining=tuple(_remaining(patterns @ direction, groups)),
    )


def independent_columns(matrix: Array) -> Counts:
    """Return the first columns that add something to those before them.

    Parameters
    ----------
    matrix
        (n, p).

    Examples
    --------
    >>> independent_columns(np.array([[1.0, 2.0, 0.0], [2.0, 4.0, 1.0]])).tolist()
    [0, 2]
    """
    kept: list[int] = []
    basis = np.zeros((matrix.shape[0], 0))
    for column in range(matrix.shape[1]):
        values = matrix[:, column]
        rest = values - basis @ (basis.T @ values)
        rest = rest - basis @ (basis.T @ rest)
        if np.linalg.norm(rest) > SAME * max(1.0, float(np.linalg.norm(values))):
            basis = np.column_stack([basis, rest / np.linalg.norm(rest)])
            kept.append(column)
    return np.array(kept, dtype=np.int64)


def _differences(patterns: Array, groups: Sequence[tuple[Counts, int]]) -> Array:
    """Return the distinct covariate differences between a case and a referent of one set."""
    n = len(patterns)
    keys = [
        np.unique(members[:, :cases, None].astype(np.int64) * n + members[:, None, cases:]) for members, cases in groups
    ]
    both = np.unique(np.concatenate(keys)) if keys else np.zeros(0, dtype=np.int64)
    differences = patterns[both // n] - patterns[both % n]
    return np.unique(np.round(differences[np.abs(differences).max(axis=1) > SAME], 12), axis=0)


def _remaining(heights: Array, groups: Sequence[tuple[Counts, int]]) -> list[tuple[int, Counts, Counts, int]]:
    """Keep of each set the members that stand where its lowest case and highest referent meet."""
    kept: list[tuple[int, Counts, Counts, int]] = []
    for place, (members, cases) in enumerate(groups):
        values = heights[members]
        level = values[:, :cases].min(axis=1)
        meet = np.abs(level - values[:, cases:].max(axis=1)) < PARTED
        inside = np.abs(values - level[:, None]) < PARTED
        shapes = np.stack([inside[:, :cases].sum(axis=1), inside.sum(axis=1)], axis=1)
        for many, size in np.unique(shapes[meet], axis=0).tolist():
            rows = np.flatnonzero(meet & (shapes[:, 0] == many) & (shapes[:, 1] == size))
            kept.append((place, rows, members[rows][inside[rows]].reshape(len(rows), size), many))
    return kept
