"""Exact limits of Poisson counts and of the ratio of two rates."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq
from scipy.stats import beta, binom, binomtest, chi2, norm

from analysis.proportions import normal_quantile


@dataclass(frozen=True)
class Ratio:
    """A rate ratio with its limits; NaN where a method gives none."""

    estimate: float
    conf_low: float
    conf_high: float
    p_value: float


def exact_limits(events: int, *, conf_level: float) -> tuple[float, float]:
    """Return the exact (Garwood) limits of the mean of a Poisson count.

    Parameters
    ----------
    events
        Observed count, zero or more.
    conf_level
        Level of the limits. At zero events the lower limit is 0 and the upper one still leaves half of the
        error on its side.

    Returns
    -------
    Lower and upper limit, in events.

    References
    ----------
    Garwood F (1936). Fiducial limits for the Poisson distribution. Biometrika 28:437-442.

    Examples
    --------
    >>> [round(limit, 3) for limit in exact_limits(10, conf_level=0.95)]
    [4.795, 18.39]
    """
    tail = (1 - conf_level) / 2
    low = float(chi2.ppf(tail, 2 * events) / 2) if events else 0.0
    return low, float(chi2.isf(tail, 2 * events + 2) / 2)


def rate_ratio(
    events: int, exposure: float, reference_events: int, reference_exposure: float, *, conf_level: float
) -> dict[str, Ratio]:
    """Compare two Poisson rates by each method.

    Given the sum of both counts, the count of the first is binomial; its limits give those of the ratio.

    Parameters
    ----------
    events, exposure
        Of the group; the exposure is above zero.
    reference_events, reference_exposure
        Of the reference, in the same unit.
    conf_level
        Level of the limits.

    Returns
    -------
    dict of method to Ratio. conditional_exact: Clopper-Pearson limits; its p-value adds up all tables no more
    likely than the one seen (as R's poisson.test), so that it can disagree with the limits, which cut equal
    tails. conditional_mid_p: mid-P limits, p-value twice the smaller mid-P tail. wald_log: normal on the log
    scale, nothing where a count is zero.

    References
    ----------
    Rothman KJ, Greenland S, Lash TL (2008). Modern epidemiology, 3rd ed., chapter 14 (from memory).
    Cohen GR, Yang SY (1994). Mid-P confidence intervals for the Poisson expectation. Stat Med 13:2189.

    Examples
    --------
    >>> both = rate_ratio(41, 28010, 15, 19017, conf_level=0.95)
    >>> round(both["conditional_exact"].conf_low, 3)
    1.006
    """
    scale = reference_exposure / exposure
    if events + reference_events == 0:
        nothing = Ratio(float("nan"), 0.0, float("inf"), 1.0)
        return {
            "conditional_exact": nothing,
            "conditional_mid_p": nothing,
            "wald_log": Ratio(*[float("nan")] * 4),
        }
    estimate = events * scale / reference_events if reference_events else float("inf")
    total, chance = events + reference_events, exposure / (exposure + reference_exposure)
    tail = (1 - conf_level) / 2
    exact = (
        float(beta.ppf(tail, events, reference_events + 1)) if events else 0.0,
        float(beta.isf(tail, events + 1, reference_events)) if reference_events else 1.0,
    )
    mid = _mid_p_limits(events, total, tail)
    exact_p = float(binomtest(events, total, chance).pvalue)
    mid_p = min(1.0, 2 * min(_mid_p_upper(events, total, chance), _mid_p_lower(events, total, chance)))
    return {
        "conditional_exact": Ratio(estimate, _odds(exact[0]) * scale, _odds(exact[1]) * scale, exact_p),
        "conditional_mid_p": Ratio(estimate, _odds(mid[0]) * scale, _odds(mid[1]) * scale, mid_p),
        "wald_log": _wald(events, reference_events, estimate, conf_level),
    }


def _wald(events: int, reference_events: int, estimate: float, conf_level: float) -> Ratio:
    if not events or not reference_events:
        return Ratio(estimate, float("nan"), float("nan"), float("nan"))
    error = float(np.sqrt(1 / events + 1 / reference_events))
    reach = normal_quantile(conf_level) * error
    p_value = float(2 * norm.sf(abs(np.log(estimate)) / error))
    return Ratio(estimate, estimate * float(np.exp(-reach)), estimate * float(np.exp(reach)), p_value)


def _odds(probability: float) -> float:
    return probability / (1 - probability) if probability < 1 else float("inf")


def _mid_p_upper(events: int, total: int, chance: float) -> float:
    return float(binom.sf(events, total, chance) + binom.pmf(events, total, chance) / 2)


def _mid_p_lower(events: int, total: int, chance: float) -> float:
    # Not 1 - upper: that is rounding, not probability, where the tail lies below 1e-16.
    return float(binom.cdf(events - 1, total, chance) + binom.pmf(events, total, chance) / 2)


def _mid_p_limits(events: int, total: int, tail: float) -> tuple[float, float]:
    def solve(gap: Callable[[float], float]) -> float:
        return float(brentq(gap, 0.0, 1.0, xtol=1e-15, rtol=1e-14))

    low = solve(lambda chance: _mid_p_upper(events, total, chance) - tail) if events else 0.0
    if events == total:
        return low, 1.0
    return low, solve(lambda chance: tail - _mid_p_lower(events, total, chance))
