"""Limits of a proportion: Wilson's, and Wilson's on an effective sample size where climbers repeat."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from analysis.thresholds import CONF_LEVEL
from registry.errors import OptionError

Array = npt.NDArray[np.float64]


def normal_quantile(conf_level: float) -> float:
    """Return the standard normal quantile of two-sided limits at a level.

    Parameters
    ----------
    conf_level
        Between 0 and 1, without the ends.

    Raises
    ------
    OptionError
        When the level lies outside.

    Examples
    --------
    >>> round(normal_quantile(0.95), 4)
    1.96
    """
    if not 0 < conf_level < 1:
        raise OptionError(f"conf_level is {conf_level}; a level between 0 and 1 is needed, such as 0.95 for 95 %.")
    return float(ndtri((1 + conf_level) / 2))


def wilson_limits(n: Any, of: Any, *, conf_level: float = CONF_LEVEL, effective: Any = None) -> Array:
    """Compute Wilson score limits of n / of.

    Parameters
    ----------
    n, of
        Counts, single or arrays of one shape: so many of so many. ``of`` = 0 gives NaN.
    conf_level
        Level of the limits.
    effective
        Sample size that takes the place of ``of`` in the limits, where the units are not independent; the
        estimate stays n / of.

    Returns
    -------
    Array of the shape of ``n`` with a last axis (low, high), both in [0, 1].

    Raises
    ------
    OptionError
        When the level lies outside 0 to 1.

    References
    ----------
    Wilson EB 1927, J Am Stat Assoc 22:209-212. Newcombe RG 1998, Stat Med 17:857-872 (method 3).

    Examples
    --------
    >>> wilson_limits(81, 263).round(4)
    array([0.2553, 0.3662])
    """
    z = normal_quantile(conf_level)
    count, total = np.broadcast_arrays(np.asarray(n, dtype=float), np.asarray(of, dtype=float))
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(total > 0, count / total, np.nan)
        size = total if effective is None else np.asarray(effective, dtype=float)
        centre = (share + z**2 / (2 * size)) / (1 + z**2 / size)
        half = z / (1 + z**2 / size) * np.sqrt(share * (1 - share) / size + z**2 / (4 * size**2))
    # Rounding must not push the limit of an empty or full cell past the end.
    low = np.where(count == 0, np.where(np.isnan(share), np.nan, 0.0), np.clip(centre - half, 0, 1))
    high = np.where(count == total, np.where(np.isnan(share), np.nan, 1.0), np.clip(centre + half, 0, 1))
    return np.stack([low, high], axis=-1)


def effective_size(n: Any, of: int, *, clusters: int, squares: Any, products: Any, sizes: int) -> Array:
    """Compute the sample size of independent units that would pin a share down as well as these clusters do.

    Parameters
    ----------
    n
        Units in each of k cells.
    of
        Units in all.
    clusters
        Number of clusters (climbers).
    squares, products
        For each cell the sum over clusters of x*x and of x*m, where x is a cluster's units in the cell and m
        its units in all.
    sizes
        Sum over clusters of m*m.

    Returns
    -------
    Array of k sizes, at most ``of``. The share's linearised (ultimate cluster) variance is divided by
    p(1-p)/(of-1) to give the design effect, floored at 1 because a gain from few clusters is chance. Where
    the cell is empty or full, or there is one cluster, no variance can be estimated: Kish's (sum m)^2 / sum
    m^2 takes its place.

    References
    ----------
    Kish L 1965, Survey Sampling (design effect, ultimate clusters; from memory). Korn EL & Graubard BI 1998,
    Survey Methodology 24:193-201 (limits of a proportion on an effective sample size; from memory).

    Examples
    --------
    Ten climbers with two fingers each, always both or none: ten independent units, not twenty.

    >>> effective_size([10], 20, clusters=10, squares=[20], products=[20], sizes=40).round(2)
    array([9.47])
    """
    count = np.asarray(n, dtype=float)
    kish = of**2 / sizes if sizes else 0.0
    if clusters < 2 or of < 2:
        return np.full(count.shape, kish)
    share = count / of
    spread = np.asarray(squares, dtype=float) - 2 * share * np.asarray(products) + share**2 * sizes
    variance = clusters / (clusters - 1) * spread / of**2
    simple = share * (1 - share) / (of - 1)
    with np.errstate(invalid="ignore", divide="ignore"):
        size = of / np.maximum(1.0, variance / simple)
    return np.where((count == 0) | (count == of), kish, size)
