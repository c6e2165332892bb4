"""Are two labels related? Answered by exchanging labels between whole climbers, never between single units.

A climber's injuries resemble each other, in one label and in the other. Under no relation the set of row labels of one
climber could as well have come with the column labels of another who was hurt as often; so these are exchanged, and
both resemblances stay as they are. A unit may have several column labels: they move together.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from analysis.crossing.climber_blocks import Blocks
from analysis.thresholds import PERMUTATIONS

Whole = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

AT_ONCE = 2_000_000
"""Labels that are exchanged in one sweep, so that memory stays small."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Permuted:
    """What exchanging labels between climbers gives.

    Attributes
    ----------
    statistic
        Sum over the cells of (count - expected)^2 / expected; Pearson's where each unit has one label.
    p_value
        Share of the exchanges with a statistic at least as large, the observed one counted in.
    variance
        Rows by columns: mean square of count - expected over the exchanges. It is about the expectation of independent
        units, so that a climber who cannot be exchanged (no other is hurt as often) makes it larger, not smaller.
    mean_statistic
        Mean of the statistic over the exchanges.
    """

    statistic: float
    p_value: float
    variance: Floats
    mean_statistic: float


def permuted_by_climber(blocks: Blocks, *, seed: int = 1, permutations: int = PERMUTATIONS) -> Permuted:
    """Test independence of row and column labels by exchanging row labels between climbers.

    Parameters
    ----------
    blocks
        The units, climber by climber.
    seed
        Of the exchanges.
    permutations
        How many.

    Returns
    -------
    Permuted. The p-value is valid at any size when the row labels of a climber are independent of the column labels,
    whatever ties there are within each; climbers exchange with those who have as many units, and within a climber
    the units are exchanged at random.

    References
    ----------
    Good P 2005, Permutation, Parametric and Bootstrap Tests of Hypotheses, chapter 3 (blocks are exchanged whole).
    Phipson B & Smyth GK 2010, Stat Appl Genet Mol Biol 9:39 (p-values are never 0). Agresti A & Liu IM 1999, Biometrics
    55:936-943 (several labels a unit; all from memory).

    Examples
    --------
    >>> one = Blocks(climber=np.arange(8), row=np.repeat([0, 1], 4), unit=np.arange(8), column=np.repeat([0, 1], 4),
    ...              shape=(2, 2))
    >>> result = permuted_by_climber(one)
    >>> result.statistic, result.p_value < 0.1
    (8.0, True)
    """
    random = np.random.default_rng(seed)
    expected, cells = blocks.expected, blocks.shape[0] * blocks.shape[1]
    statistic = statistic_of(blocks.counts, expected)
    strata = _strata(blocks.climber)
    squares = np.zeros(cells)
    as_large, done, summed = 0, 0, 0.0
    while done < permutations:
        times = min(permutations - done, max(1, AT_ONCE // max(1, len(blocks.column))))
        rows = _exchanged(blocks.row, strata, times, random)
        place = np.arange(times)[:, None] * cells
        drawn = np.bincount(
            (place + rows[:, blocks.unit] * blocks.shape[1] + blocks.column).ravel(), minlength=times * cells
        ).reshape(times, cells)
        off = drawn - expected.ravel()
        each = np.divide(off**2, expected.ravel(), out=np.zeros(off.shape), where=expected.ravel() > 0).sum(axis=1)
        # Sums in another order differ in the last digits; ties must count.
        as_large += int((each >= statistic * (1 - 1e-9)).sum())
        summed += float(each.sum())
        squares += (off**2).sum(axis=0)
        done += times
    return Permuted(
        statistic=statistic,
        p_value=(as_large + 1) / (permutations + 1),
        variance=(squares / permutations).reshape(blocks.shape),
        mean_statistic=summed / permutations,
    )


def statistic_of(counts: Floats, expected: Floats) -> float:
    """Return the sum of (count - expected)^2 / expected over the cells that are expected at all."""
    some = expected > 0
    return float(((counts - expected)[some] ** 2 / expected[some]).sum())


def _strata(climber: Whole) -> list[Whole]:
    """Group climbers by how many units they have: for each size a table of places, one line a climber."""
    sizes = np.bincount(climber) if len(climber) else np.zeros(0, dtype=np.int64)
    starts = np.concatenate(([0], np.cumsum(sizes)[:-1])).astype(np.int64)
    return [starts[sizes == size][:, None] + np.arange(size) for size in np.unique(sizes)]


def _exchanged(row: Whole, strata: list[Whole], times: int, random: np.random.Generator) -> Whole:
    """Return the row labels after so many exchanges: times by units."""
    rows = np.empty((times, len(row)), dtype=np.int64)
    for places in strata:
        count, size = places.shape
        order = random.permuted(np.tile(np.arange(count), (times, 1)), axis=1)
        taken = row[places][order]
        if size > 1:
            taken = random.permuted(taken, axis=2)
        rows[:, places.ravel()] = taken.reshape(times, count * size)
    return rows
