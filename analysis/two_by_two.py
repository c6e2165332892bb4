"""The odds ratio of one 2x2 table: conditional with exact and mid-P limits, and Woolf's.

Layout: a events and b others among the exposed, c events and d others in the reference. Given both margins, a
follows Fisher's noncentral hypergeometric distribution with the odds ratio as its one parameter. Our own
solver, because the limits of the common libraries are right only to about 1e-5 and cost a pass over the whole
support in each step; here a step looks at a window around the mode, so that a million rows cost milliseconds.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import expit, logsumexp, ndtr

from analysis.proportions import normal_quantile
from analysis.thresholds import CONF_LEVEL

Array = npt.NDArray[np.float64]

WHOLE_SUPPORT = 4_000
"""Supports up to this length are not windowed."""
WINDOW_DEVIATIONS, WINDOW_COUNTS = 12, 60
"""A window reaches this many standard deviations plus counts to each side of the mode. The tails are thinner
than those of a Poisson distribution, so less than 1e-20 lies outside."""
SAME_PROBABILITY = 1e-7
"""Relative difference below which two tables count as equally likely in the two-sided p-value (as in R)."""
NOT_GIVEN = float("nan")


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """An odds ratio: estimate 0 or infinite at an empty cell, NaN where nothing can be compared."""

    estimate: float
    conf_low: float
    conf_high: float
    p_value: float
    std_error: float = NOT_GIVEN
    statistic: float = NOT_GIVEN
    """Both on the scale of the logarithm, where limits come from a normal distribution."""


@dataclass(frozen=True)
class TwoByTwo:
    """A 2x2 table of counts.

    Examples
    --------
    >>> table = TwoByTwo(3, 1, 1, 3)
    >>> round(conditional_exact(table).estimate, 4), round(woolf(table).estimate, 4)
    (6.4083, 9.0)
    """

    exposed_events: int
    exposed_others: int
    reference_events: int
    reference_others: int

    @property
    def cells(self) -> tuple[int, int, int, int]:
        """The four counts, row by row."""
        return (self.exposed_events, self.exposed_others, self.reference_events, self.reference_others)

    @property
    def zero_cell(self) -> bool:
        """Whether a cell is empty."""
        return 0 in self.cells

    @cached_property
    def conditional(self) -> Conditional:
        """The distribution of the exposed events given both margins."""
        return Conditional(self)


class Conditional:
    """Fisher's noncentral hypergeometric distribution of the exposed events given both margins."""

    def __init__(self, table: TwoByTwo) -> None:
        a, b, c, d = table.cells
        self.observed, self.exposed, self.reference, self.events = a, a + b, c + d, a + c
        self.low, self.high = max(0, self.events - self.reference), min(self.exposed, self.events)
        # Half a count keeps the start of a search finite; it enters no result.
        self.start = float(np.log((a + 0.5) * (d + 0.5) / ((b + 0.5) * (c + 0.5))))

    @cached_property
    def estimate(self) -> float:
        """The conditional maximum-likelihood estimate: that whose mean is the observed count."""
        if self.low == self.high:
            return float("nan")
        if self.observed == self.low:
            return 0.0
        if self.observed == self.high:
            return float("inf")
        return self._solve(lambda log_ratio: self._mean(log_ratio) - self.observed)

    def limits(self, conf_level: float, *, weight: float) -> tuple[float, float]:
        """Return the central limits; ``weight`` is the part of the observed table that a tail includes.

        A weight of 1 gives exact (Cornfield, Gart) limits, 1/2 mid-P limits.
        """
        tail = (1 - conf_level) / 2
        low, high = 0.0, float("inf")
        if self.observed > self.low:
            low = self._solve(lambda log_ratio: self._tail(log_ratio, weight, upper=True) - tail)
        if self.observed < self.high:
            high = self._solve(lambda log_ratio: tail - self._tail(log_ratio, weight, upper=False))
        return low, high

    @cached_property
    def p_exact(self) -> float:
        """Fisher's two-sided p: all tables that are not more likely than the observed one."""
        log_p = self._null
        as_likely = log_p <= log_p[self.observed - self.low] + np.log1p(SAME_PROBABILITY)
        return min(1.0, float(np.exp(logsumexp(log_p[as_likely]))))

    @cached_property
    def p_mid(self) -> float:
        """Twice the smaller one-sided mid-P, at most 1."""
        probabilities, at = np.exp(self._null), self.observed - self.low
        half = probabilities[at] / 2
        smaller = min(probabilities[:at].sum(), probabilities[at + 1 :].sum())
        return min(1.0, float(2 * (smaller + half)))

    @cached_property
    def _null(self) -> Array:
        counts = np.arange(self.low, self.high + 1, dtype=float)
        return _normalised(self._steps(counts))

    @cached_property
    def _support(self) -> tuple[Array, Array]:
        counts = np.arange(self.low, self.high + 1, dtype=float)
        return counts, np.concatenate([[0.0], np.cumsum(self._steps(counts))])

    def _steps(self, counts: Array) -> Array:
        """Return the logarithms of P(k+1)/P(k) at an odds ratio of 1, for all but the last count."""
        k = counts[:-1]
        return np.log((self.exposed - k) * (self.events - k) / ((k + 1) * (self.reference - self.events + k + 1)))

    def around_mode(self, log_ratio: float) -> tuple[Array, Array]:
        """Return counts and their probabilities at an odds ratio, over the whole support or where the mass lies."""
        if self.high - self.low <= WHOLE_SUPPORT:
            counts, weights = self._support
            return counts, np.exp(_log_share(weights + log_ratio * (counts - self.low)))
        mode = self._mode(log_ratio)
        reach = WINDOW_DEVIATIONS * self._deviation(mode) + WINDOW_COUNTS
        first, last = max(self.low, int(mode - reach)), min(self.high, int(mode + reach) + 1)
        counts = np.arange(first, last + 1, dtype=float)
        return counts, np.exp(_normalised(self._steps(counts) + log_ratio))

    def _mode(self, log_ratio: float) -> float:
        """Solve P(k) = P(k-1), a quadratic in k, in the form that loses no digits."""
        ratio_part, one_part = expit(log_ratio), expit(-log_ratio)
        square = one_part - ratio_part
        linear = one_part * (self.reference - self.events) + ratio_part * (self.exposed + self.events + 2)
        constant = ratio_part * (self.exposed + 1.0) * (self.events + 1.0)
        root = np.sqrt(max(0.0, linear**2 + 4 * square * constant))
        mode = 2 * constant / (linear + root) if linear > 0 else (root - linear) / (2 * square)
        return float(np.clip(mode, self.low, self.high))

    def _deviation(self, mode: float) -> float:
        cells = (mode, self.exposed - mode, self.events - mode, self.reference - self.events + mode)
        return float(1 / np.sqrt(sum(1 / max(cell, 0.5) for cell in cells)))

    def _mean(self, log_ratio: float) -> float:
        counts, probabilities = self.around_mode(log_ratio)
        return float(counts @ probabilities)

    def _tail(self, log_ratio: float, weight: float, *, upper: bool) -> float:
        counts, probabilities = self.around_mode(log_ratio)
        beyond = counts > self.observed if upper else counts < self.observed
        at = probabilities[counts == self.observed].sum()
        return float(probabilities[beyond].sum() + weight * at)

    def _solve(self, rising: Callable[[float], float]) -> float:
        """Find the odds ratio at which a function that rises with its logarithm is zero."""
        low = high = self.start
        step = 1.0
        while rising(low) > 0:
            low, step = low - step, 2 * step
        step = 1.0
        while rising(high) < 0:
            high, step = high + step, 2 * step
        if low == high:
            return float(np.exp(low))
        return float(np.exp(brentq(rising, low, high, xtol=1e-13, rtol=8.9e-16)))


def _log_share(weights: Array) -> Array:
    shares: Array = weights - logsumexp(weights)
    return shares


def _normalised(steps: Array) -> Array:
    return _log_share(np.concatenate([[0.0], np.cumsum(steps)]))


def conditional_exact(table: TwoByTwo, *, conf_level: float = CONF_LEVEL) -> Ratio:
    """Estimate the odds ratio by conditional maximum likelihood with exact limits and Fisher's p-value.

    Parameters
    ----------
    table
        The counts.
    conf_level
        Level of the limits.

    Returns
    -------
    Ratio. The limits are central while the two-sided p-value adds up the tables that are not more likely: the
    two can contradict each other close to the level.

    References
    ----------
    Gart JJ 1970, Biometrika 57:471-475. Fisher RA 1935, J R Stat Soc 98:39-54 (both from memory).

    Examples
    --------
    >>> round(conditional_exact(TwoByTwo(3, 1, 1, 3)).p_value, 4)
    0.4857
    """
    low, high = table.conditional.limits(conf_level, weight=1.0)
    return Ratio(estimate=table.conditional.estimate, conf_low=low, conf_high=high, p_value=table.conditional.p_exact)


def conditional_mid_p(table: TwoByTwo, *, conf_level: float = CONF_LEVEL) -> Ratio:
    """Estimate the odds ratio by conditional maximum likelihood with mid-P limits and p-value.

    Parameters
    ----------
    table
        The counts.
    conf_level
        Level of the limits; on average they cover about that often, the exact ones more often.

    Returns
    -------
    Ratio; the p-value is twice the smaller one-sided mid-P.

    References
    ----------
    Lancaster HO 1961, J Am Stat Assoc 56:223-234. Rothman KJ & Greenland S 1998, Modern Epidemiology, chapter
    14 (both from memory).

    Examples
    --------
    >>> round(conditional_mid_p(TwoByTwo(3, 1, 1, 3)).conf_low, 4)
    0.3101
    """
    low, high = table.conditional.limits(conf_level, weight=0.5)
    return Ratio(estimate=table.conditional.estimate, conf_low=low, conf_high=high, p_value=table.conditional.p_mid)


def woolf(table: TwoByTwo, *, conf_level: float = CONF_LEVEL, variance: float | None = None) -> Ratio:
    """Compute the sample odds ratio with Woolf's limits and Wald's p-value.

    Parameters
    ----------
    table
        The counts. With an empty cell the ratio is 0, infinite or NaN and has no limits: nothing is added to
        a cell.
    conf_level
        Level of the limits.
    variance
        Of the logarithm of the ratio; None for Woolf's sum of reciprocal counts.

    Returns
    -------
    Ratio.

    References
    ----------
    Woolf B 1955, Ann Hum Genet 19:251-253 (from memory).

    Examples
    --------
    >>> round(woolf(TwoByTwo(16, 2, 7, 6)).conf_high, 3)
    42.758
    """
    z = normal_quantile(conf_level)
    a, b, c, d = (float(cell) for cell in table.cells)
    nan = float("nan")
    if table.zero_cell:
        above, below = a * d, b * c
        estimate = nan if above == below == 0 else float("inf") if below == 0 else 0.0
        return Ratio(estimate=estimate, conf_low=nan, conf_high=nan, p_value=nan)
    log_ratio = np.log(a * d / (b * c))
    error = np.sqrt(1 / a + 1 / b + 1 / c + 1 / d if variance is None else variance)
    statistic = float(log_ratio / error) if error > 0 else nan
    low, high = np.exp(log_ratio - z * error), np.exp(log_ratio + z * error)
    return Ratio(
        estimate=a * d / (b * c),
        conf_low=float(low),
        conf_high=float(high),
        p_value=float(2 * ndtr(-abs(statistic))),
        std_error=float(error),
        statistic=statistic,
    )
