"""One odds ratio of several 2x2 tables by conditional maximum likelihood, with exact limits.

Given all margins the exposed events of the strata are independent, each with Fisher's noncentral hypergeometric
distribution, and their sum carries all that the tables say about a common odds ratio.
"""

from __future__ import annotations

from collections import Counter
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, logsumexp

from analysis.thresholds import CONF_LEVEL
from analysis.two_by_two import SAME_PROBABILITY, Conditional, Ratio, TwoByTwo

Array = npt.NDArray[np.float64]

NEGLIGIBLE: Final = 1e-25
"""Probabilities of a stratum below this are left out of a sum of strata: limits look at tails of 1e-3 and more."""
FAST_SUM: Final = 1_000_000
"""Beyond this many products limits use the fast Fourier transform, which is exact to 1e-16 of the whole."""
WHOLE_SUM: Final = 30_000
"""Up to this many possible sums the p-value looks at all of them; beyond, at those around the mode of the null."""


class CommonConditional(Conditional):
    """The distribution of the exposed events of all strata together, given the margins of each.

    Examples
    --------
    >>> common = CommonConditional([TwoByTwo(3, 1, 1, 3), TwoByTwo(5, 2, 2, 6)])
    >>> common.observed, common.low, common.high
    (8, 0, 11)
    """

    def __init__(self, tables: list[TwoByTwo]) -> None:
        self.strata = [stratum for stratum in map(Conditional, tables) if stratum.low < stratum.high]
        # Sets by the thousand have a handful of margins: what is alike is worked out once.
        margins = Counter((each.exposed, each.reference, each.events) for each in self.strata)
        first = {(each.exposed, each.reference, each.events): each for each in self.strata}
        self.alike = [(first[margin], times) for margin, times in margins.items()]
        self.observed = sum(stratum.observed for stratum in self.strata)
        self.low = sum(stratum.low for stratum in self.strata)
        self.high = sum(stratum.high for stratum in self.strata)
        cells = np.array([table.cells for table in tables], dtype=float).reshape(-1, 4) + 0.5
        total = cells.sum(axis=1)
        above, below = (cells[:, 0] * cells[:, 3] / total).sum(), (cells[:, 1] * cells[:, 2] / total).sum()
        self.start = float(np.log(above / below)) if len(cells) else 0.0

    def around_mode(self, log_ratio: float) -> tuple[Array, Array]:
        """Return sums and their probabilities, where the mass lies."""
        return self._summed(log_ratio, NEGLIGIBLE, fast=True)

    @cached_property
    def p_exact(self) -> float:
        """Fisher's two-sided p over the sums; where it is below about 1e-20, twice its nearer tail."""
        counts, probabilities = self._summed(0.0, 0.0 if self.high - self.low <= WHOLE_SUM else NEGLIGIBLE)
        at = probabilities[counts == self.observed].sum()
        if at > 0:
            return min(1.0, float(probabilities[probabilities <= at * (1 + SAME_PROBABILITY)].sum()))
        return min(1.0, 2 * self._nearer_tail())

    def _summed(self, log_ratio: float, negligible: float, *, fast: bool = False) -> tuple[Array, Array]:
        first, whole = 0, np.ones(1)
        for stratum, times in self.alike:
            counts, probabilities = stratum.around_mode(log_ratio)
            kept = np.flatnonzero(probabilities > negligible)
            first += times * int(counts[kept[0]])
            whole = _sum_of(whole, _sum_of_alike(probabilities[kept[0] : kept[-1] + 1], times, fast=fast), fast=fast)
        return np.arange(first, first + len(whole), dtype=float), whole / whole.sum()

    def _nearer_tail(self) -> float:
        """Sum the null's tail from the observed sum on, by way of the distribution at the estimate."""
        estimate = self.estimate
        away = self.observed > sum(self._null_mean(stratum) for stratum in self.strata)
        if estimate in (0.0, np.inf):
            return float(np.exp(sum(_log_chance(stratum, stratum.observed) for stratum in self.strata)))
        log_ratio = float(np.log(estimate))
        constant = 0.0
        for stratum, times in self.alike:
            counts, probabilities = stratum.around_mode(log_ratio)
            top = int(probabilities.argmax())
            share = _log_chance(stratum, int(counts[top])) - np.log(probabilities[top]) + log_ratio * counts[top]
            constant += times * share
        sums, probabilities = self._summed(log_ratio, NEGLIGIBLE)
        tail = (sums >= self.observed if away else sums <= self.observed) & (probabilities > 0)
        return float(np.exp(logsumexp(np.log(probabilities[tail]) - log_ratio * sums[tail] + constant)))

    @staticmethod
    def _null_mean(stratum: Conditional) -> float:
        return stratum.exposed * stratum.events / (stratum.exposed + stratum.reference)


def _sum_of(one: Array, two: Array, *, fast: bool) -> Array:
    """Return the probabilities of the sum of two independent counts."""
    if fast and len(one) * len(two) > FAST_SUM:
        from scipy.signal import fftconvolve

        return np.asarray(np.maximum(fftconvolve(one, two), 0.0))
    # Products of positive numbers: nothing cancels, so that small tails keep their digits.
    return np.convolve(one, two)


def _sum_of_alike(part: Array, times: int, *, fast: bool) -> Array:
    """Return the probabilities of the sum of so many independent counts, all distributed alike."""
    whole, power = np.ones(1), part
    while times:
        if times & 1:
            whole = _sum_of(whole, power, fast=fast)
        times >>= 1
        if times:
            power = _sum_of(power, power, fast=fast)
    return whole


def _log_chance(stratum: Conditional, count: int) -> float:
    """Return the logarithm of the hypergeometric probability of a count, at an odds ratio of 1."""

    def log_choose(n: int, k: int) -> float:
        return float(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1))

    return (
        log_choose(stratum.exposed, count)
        + log_choose(stratum.reference, stratum.events - count)
        - log_choose(stratum.exposed + stratum.reference, stratum.events)
    )


def common_exact(tables: Any, *, conf_level: float = CONF_LEVEL) -> Ratio:
    """Estimate the odds ratio that several 2x2 tables share, given the margins of each.

    Parameters
    ----------
    tables
        k by 2 by 2 counts: in each stratum the rows exposed and reference, the columns events and others.
    conf_level
        Level of the limits.

    Returns
    -------
    Ratio: conditional maximum-likelihood estimate, central exact limits and the two-sided p-value (all sums of exposed
    events that are not more likely). Strata with an empty margin say nothing; the estimate is NaN where all have one.

    References
    ----------
    Gart JJ 1970, Biometrika 57:471-475. Mehta CR, Patel NR & Gray R 1985, J Am Stat Assoc 80:969-973 (both from
    memory).

    Examples
    --------
    >>> result = common_exact([[[3, 1], [1, 3]], [[5, 2], [2, 6]]])
    >>> round(result.estimate, 3), round(result.conf_low, 3), round(result.p_value, 4)
    (6.401, 0.907, 0.0442)
    """
    counts = np.asarray(tables, dtype=np.int64).reshape(-1, 4)
    common = CommonConditional([TwoByTwo(*row) for row in counts.tolist()])
    low, high = common.limits(conf_level, weight=1.0)
    return Ratio(estimate=common.estimate, conf_low=low, conf_high=high, p_value=common.p_exact)
