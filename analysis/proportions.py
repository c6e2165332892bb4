"""A proportion with its limits: nine methods, and Wilson's on an effective sample size where climbers repeat."""

from __future__ import annotations

from numbers import Real
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtri

from analysis.given_counts import chosen, so_many_of
from analysis.proportion_limits import LIMITS, METHOD_NAMES, score_limits
from analysis.results import Interval, Note
from analysis.thresholds import CONF_LEVEL
from registry.errors import OptionError

Array = npt.NDArray[np.float64]
ProportionMethod = Literal[
    "wilson",
    "wilson_cc",
    "clopper_pearson",
    "exact",
    "mid_p",
    "likelihood",
    "agresti_coull",
    "jeffreys",
    "wald",
    "wald_cc",
]
SIDES: Final = ("two", "upper", "lower")
OTHER_NAMES: Final = {
    "exact": "clopper_pearson",
    "score": "wilson",
    "normal": "wald",
    "likelihood_ratio": "likelihood",
    "profile_likelihood": "likelihood",
}
"""Of the methods; capitals, hyphens and spaces do not count anyway."""


def normal_quantile(conf_level: float) -> float:
    """Return the standard normal quantile of two-sided limits at a level.

    Parameters
    ----------
    conf_level
        Between 0 and 1, without the ends.

    Raises
    ------
    OptionError
        When the level lies outside, or is no number.

    Examples
    --------
    >>> round(normal_quantile(0.95), 4)
    1.96
    """
    if not isinstance(conf_level, Real) or not 0 < conf_level < 1:
        raise OptionError(f"conf_level is {conf_level}; a level between 0 and 1 is needed, such as 0.95 for 95 %.")
    return float(ndtri((1 + conf_level) / 2))


def proportion(
    n: int,
    *,
    of: int,
    method: ProportionMethod = "wilson",
    conf_level: float = CONF_LEVEL,
    sided: Literal["two", "upper", "lower"] = "two",
) -> Interval:
    """Give a proportion with its limits.

    Parameters
    ----------
    n, of
        Counts: so many of so many independent units.
    method
        wilson (or score), wilson_cc (with continuity correction), clopper_pearson (or exact), mid_p, likelihood,
        agresti_coull, jeffreys, wald, wald_cc. Capitals, hyphens and spaces do not count: "Clopper-Pearson".
    conf_level
        Level of the limits.
    sided
        'two': the level is shared by two limits. 'upper', 'lower': the whole level belongs to the one limit, the
        other is 1 or 0; the level is then 0.5 or more, as a limit below it lies on the wrong side of the estimate.

    Returns
    -------
    Interval. ``table``: n, of, method, estimate (n / of), conf_low, conf_high. With ``of`` = 0 these are NaN, with
    the note no_units. Limits of wald, wald_cc and agresti_coull are not cut at 0 and 1, so that the formula stays
    visible; where they overstep, the note limit_outside says so. Wald's have no width at 0 and 1: the note no_width.

    Raises
    ------
    InputError
        When a count is not a whole number of 0 or more, or n is more than ``of``.
    OptionError
        When the method or side does not exist, or the level lies outside 0 to 1 (of one side: below 0.5).

    References
    ----------
    Newcombe RG 1998, Stat Med 17:857-872 (methods 1 to 7). Brown LD, Cai TT & DasGupta A 2001, Stat Sci
    16:101-133 (Agresti-Coull; Jeffreys, whose limit is 0 or 1 itself at n = 0 or n = of; from memory). Hanley JA
    & Lippman-Hand A 1983, JAMA 249:1743-1745 (one-sided limit of no events).

    Examples
    --------
    >>> share = proportion(81, of=263)
    >>> round(share.estimate, 4), round(share.conf_low, 4), round(share.conf_high, 4)
    (0.308, 0.2553, 0.3662)
    >>> round(proportion(0, of=30, method="exact", sided="upper").conf_high, 4)
    0.095
    """
    n, of = so_many_of(n, of, names=("n", "of"))
    word = chosen(method, LIMITS, "method", aliases=OTHER_NAMES)
    side = chosen(sided, SIDES, "sided", aliases={"two_sided": "two"})
    normal_quantile(conf_level)
    if side != "two" and conf_level < 0.5:
        raise OptionError(
            f"conf_level is {conf_level}; a one-sided limit below 0.5 lies on the wrong side of the estimate. Give 0.5 "
            f"or more, such as 0.95."
        )
    tail = (1 - conf_level) / 2 if side == "two" else 1 - conf_level
    low, high = LIMITS[word](n, of, tail) if of else (np.nan, np.nan)
    if of and side != "two":
        low, high = (0.0, high) if side == "upper" else (low, 1.0)
    what = f"{METHOD_NAMES[word]} limits" if side == "two" else f"one-sided {side} {METHOD_NAMES[word]} limit"
    estimate = n / of if of else np.nan
    row = {"n": n, "of": of, "method": word, "estimate": estimate, "conf_low": low, "conf_high": high}
    return Interval(
        table=pd.DataFrame([row]),
        method=f"Proportion {n} of {of} with {conf_level * 100:g} % {what}.",
        unit="units",
        conf_level=conf_level,
        n_rows_in=of,
        n_rows_used=of,
        notes=_notes(low, high, of, METHOD_NAMES[word]),
    )


def _notes(low: float, high: float, of: int, name: str) -> tuple[Note, ...]:
    if not of:
        return (Note("no_units", "of is 0: there is no proportion of nothing, and no limits."),)
    if low == high:
        sentence = f"The {name} limits have no width because the proportion is 0 or 1; use another method."
        return (Note("no_width", sentence),)
    if low < 0 or high > 1:
        sentence = f"A {name} limit lies outside 0 to 1, as its formula has it; Wilson's never does."
        return (Note("limit_outside", sentence),)
    return ()


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
    size = total if effective is None else np.asarray(effective, dtype=float)
    return score_limits(count, total, z=z, size=size)


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
