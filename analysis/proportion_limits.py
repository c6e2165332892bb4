"""Limits of one proportion, one function a method; each takes counts and the probability left out in one tail.

Our own formulas, because the common libraries lack mid-P, likelihood and corrected Wald limits, cut Wald's and
Agresti-Coull's at 0 and 1 without a word, and give Jeffreys' lower limit at no events as more than 0.
"""

from __future__ import annotations

from collections.abc import Callable
from math import exp, log1p, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import betaincinv, ndtri, xlogy

Array = npt.NDArray[np.float64]
Limits = tuple[float, float]

PRECISION: Final = 1e-15
"""Absolute error of a limit that is solved for."""


def score_limits(count: Array, total: Array, *, z: float, size: Array) -> Array:
    """Compute score limits of count / total at a normal quantile.

    Parameters
    ----------
    count, total
        Arrays of one shape. ``total`` = 0 gives NaN.
    z
        Normal quantile; simultaneous limits put the root of a chi-square quantile here.
    size
        Sample size that the limits use: ``total``, or the effective one.

    Returns
    -------
    Array of the shape of ``count`` with a last axis (low, high), both in [0, 1].

    References
    ----------
    Wilson EB 1927, J Am Stat Assoc 22:209-212.
    """
    with np.errstate(invalid="ignore", divide="ignore"):
        share = np.where(total > 0, count / total, np.nan)
        centre = (share + z**2 / (2 * size)) / (1 + z**2 / size)
        half = z / (1 + z**2 / size) * np.sqrt(share * (1 - share) / size + z**2 / (4 * size**2))
    # Rounding must not push the limit of an empty or full cell past the end.
    low = np.where(count == 0, np.where(np.isnan(share), np.nan, 0.0), np.clip(centre - half, 0, 1))
    high = np.where(count == total, np.where(np.isnan(share), np.nan, 1.0), np.clip(centre + half, 0, 1))
    return np.stack([low, high], axis=-1)


def _quantile(tail: float) -> float:
    return -float(ndtri(tail))


def _wald(n: int, of: int, tail: float) -> Limits:
    share = n / of
    half = _quantile(tail) * sqrt(share * (1 - share) / of)
    return share - half, share + half


def _wald_corrected(n: int, of: int, tail: float) -> Limits:
    low, high = _wald(n, of, tail)
    return low - 0.5 / of, high + 0.5 / of


def _wilson(n: int, of: int, tail: float) -> Limits:
    low, high = score_limits(np.array(float(n)), np.array(float(of)), z=_quantile(tail), size=np.array(float(of)))
    return float(low), float(high)


def _wilson_corrected(n: int, of: int, tail: float) -> Limits:
    # Newcombe 1998, method 4. R's prop.test caps the correction at |n - of/2| and so drops it at one half.
    return _lower_wilson_corrected(n, of, tail), 1 - _lower_wilson_corrected(of - n, of, tail)


def _lower_wilson_corrected(n: int, of: int, tail: float) -> float:
    if n == 0:
        return 0.0
    z, share = _quantile(tail), n / of
    root = sqrt(max(0.0, z**2 - 2 - 1 / of + 4 * share * (of - n + 1)))
    return max(0.0, (2 * n + z**2 - 1 - z * root) / (2 * (of + z**2)))


def _clopper_pearson(n: int, of: int, tail: float) -> Limits:
    low = 0.0 if n == 0 else float(betaincinv(n, of - n + 1, tail))
    high = 1.0 if n == of else 1 - float(betaincinv(of - n, n + 1, tail))
    return low, high


def _mid_p(n: int, of: int, tail: float) -> Limits:
    return _lower_mid_p(n, of, tail), 1 - _lower_mid_p(of - n, of, tail)


def _lower_mid_p(n: int, of: int, tail: float) -> float:
    if n == 0:
        return 0.0
    from scipy.stats import binom  # half a second to load, for those who ask only

    def too_much(share: float) -> float:
        return float(binom.sf(n, of, share) + 0.5 * binom.pmf(n, of, share)) - tail

    # At a share of 1 the mid-P of n = of is one half: a wider tail has no solution inside.
    return 1.0 if too_much(1.0) <= 0 else float(brentq(too_much, 0.0, 1.0, xtol=PRECISION))


def _likelihood(n: int, of: int, tail: float) -> Limits:
    return _lower_likelihood(n, of, tail), 1 - _lower_likelihood(of - n, of, tail)


def _lower_likelihood(n: int, of: int, tail: float) -> float:
    if n == 0:
        return 0.0
    drop = _quantile(tail) ** 2 / 2
    share, others = n / of, of - n
    if others == 0:
        return exp(-drop / n)
    best = n * np.log(share) + others * log1p(-share)

    def below(candidate: float) -> float:
        return float(best - xlogy(n, candidate) - others * log1p(-candidate)) - drop

    lowest = share * exp((others * log1p(-share) - drop) / n)  # there the likelihood has fallen far enough for sure
    return float(brentq(below, lowest, share, xtol=PRECISION))


def _agresti_coull(n: int, of: int, tail: float) -> Limits:
    z = _quantile(tail)
    size = of + z**2
    centre = (n + z**2 / 2) / size
    half = z * sqrt(centre * (1 - centre) / size)
    return centre - half, centre + half


def _jeffreys(n: int, of: int, tail: float) -> Limits:
    # Brown, Cai & DasGupta 2001: the limit is the end itself where no or every unit has the property.
    low = 0.0 if n == 0 else float(betaincinv(n + 0.5, of - n + 0.5, tail))
    high = 1.0 if n == of else 1 - float(betaincinv(of - n + 0.5, n + 0.5, tail))
    return low, high


LIMITS: Final[dict[str, Callable[[int, int, float], Limits]]] = {
    "wilson": _wilson,
    "wilson_cc": _wilson_corrected,
    "clopper_pearson": _clopper_pearson,
    "mid_p": _mid_p,
    "likelihood": _likelihood,
    "agresti_coull": _agresti_coull,
    "jeffreys": _jeffreys,
    "wald": _wald,
    "wald_cc": _wald_corrected,
}
"""Every method: (n, of, probability in one tail) -> (low, high)."""

METHOD_NAMES: Final = {
    "wilson": "Wilson score",
    "wilson_cc": "Wilson score (continuity corrected, Newcombe's method 4)",
    "clopper_pearson": "Clopper-Pearson exact",
    "mid_p": "mid-P exact",
    "likelihood": "profile likelihood",
    "agresti_coull": "Agresti-Coull",
    "jeffreys": "Jeffreys",
    "wald": "Wald",
    "wald_cc": "Wald (continuity corrected)",
}
"""How a method is called in a sentence."""
