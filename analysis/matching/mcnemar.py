"""Pairs of a case and a referent: McNemar's test and the exact odds ratio of the discordant pairs.

Pairs in which both or neither were exposed say nothing about the ratio. Of the others, the number in which the
case was the exposed one is binomial.
"""

from __future__ import annotations

from math import inf, nan

import pandas as pd
from scipy.special import bdtr, betaincinv, chdtrc

from analysis.proportions import normal_quantile
from analysis.thresholds import CONF_LEVEL
from analysis.two_by_two import Ratio


def paired_odds_ratio(case_only: int, referent_only: int, *, conf_level: float = CONF_LEVEL) -> Ratio:
    """Estimate the odds ratio of matched pairs with exact limits and the exact two-sided p-value.

    Parameters
    ----------
    case_only, referent_only
        Pairs in which only the case, and in which only the referent, was exposed.
    conf_level
        Level of the limits.

    Returns
    -------
    Ratio. The estimate is case_only / referent_only, 0 or infinite where one of them is 0, all NaN where both are.
    Limits are those of Clopper and Pearson for the share of discordant pairs with an exposed case, as odds.

    Raises
    ------
    OptionError
        When the level lies outside 0 to 1.

    References
    ----------
    McNemar Q 1947, Psychometrika 12:153-157. Breslow NE & Day NE 1980, Statistical Methods in Cancer Research I,
    section 5.2 (both from memory).

    Examples
    --------
    >>> ratio = paired_odds_ratio(150, 86)
    >>> [round(value, 4) for value in (ratio.estimate, ratio.conf_low, ratio.conf_high)]
    [1.7442, 1.3292, 2.301]
    """
    normal_quantile(conf_level)
    b, c = case_only, referent_only
    if b + c == 0:
        return Ratio(estimate=nan, conf_low=nan, conf_high=nan, p_value=nan)
    tail = (1 - conf_level) / 2
    # The share and its complement apart, so that no digit is lost where one of them is small.
    low = 0.0 if b == 0 else _odds(b, c + 1, tail)
    high = inf if c == 0 else 1 / _odds(c, b + 1, tail)
    return Ratio(estimate=b / c if c else inf, conf_low=low, conf_high=high, p_value=_exact_p(b, c))


def mcnemar_tests(case_only: int, referent_only: int) -> pd.DataFrame:
    """Test whether cases and referents of pairs were exposed equally often.

    Parameters
    ----------
    case_only, referent_only
        Pairs in which only the case, and in which only the referent, was exposed.

    Returns
    -------
    DataFrame with test (mcnemar, mcnemar_corrected, mcnemar_exact, mcnemar_mid_p), statistic, df, p_value. The
    statistics are chi-square, without and with correction for continuity; the exact tests have none. NaN
    without a discordant pair.

    References
    ----------
    McNemar Q 1947, Psychometrika 12:153-157; mid-P: Fagerland MW, Lydersen S & Laake P 2013, BMC Med Res Methodol
    13:91 (both from memory).

    Examples
    --------
    >>> mcnemar_tests(150, 86)["statistic"].round(3).tolist()
    [17.356, 16.818, nan, nan]
    """
    b, c = case_only, referent_only
    records: list[tuple[str, float, float, float]] = []
    for name, correction in (("mcnemar", 0), ("mcnemar_corrected", 1)):
        statistic = max(abs(b - c) - correction, 0) ** 2 / (b + c) if b + c else nan
        records.append((name, statistic, 1.0, float(chdtrc(1, statistic)) if b + c else nan))
    exact = _exact_p(b, c) if b + c else nan
    records.append(("mcnemar_exact", nan, nan, exact))
    records.append(("mcnemar_mid_p", nan, nan, _mid_p(b, c) if b + c else nan))
    return pd.DataFrame(records, columns=["test", "statistic", "df", "p_value"])


def _odds(successes: int, failures: int, tail: float) -> float:
    share = float(betaincinv(successes, failures, tail))
    return share / (1 - share)


def _exact_p(b: int, c: int) -> float:
    return min(1.0, 2 * float(bdtr(min(b, c), b + c, 0.5)))


def _mid_p(b: int, c: int) -> float:
    """Twice the smaller tail that counts half of the observed table."""
    fewer, n = min(b, c), b + c
    below = float(bdtr(fewer - 1, n, 0.5)) if fewer else 0.0
    return below + float(bdtr(fewer, n, 0.5))
