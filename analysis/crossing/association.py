"""How strongly two labels go together: Cramér's V and its limits."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import chndtr

from analysis.proportions import normal_quantile
from analysis.results import ASSOCIATION_COLUMNS
from analysis.thresholds import CONF_LEVEL


def noncentral_limits(statistic: float, df: float, *, conf_level: float = CONF_LEVEL) -> tuple[float, float]:
    """Compute limits of the noncentrality of a chi-square statistic by inverting its two one-sided tests.

    Parameters
    ----------
    statistic
        The observed chi-square.
    df
        Its degrees of freedom.
    conf_level
        Level of the limits.

    Returns
    -------
    The noncentralities under which a value as large (as small) as the observed one has half of 1 - conf_level; 0
    where even a central chi-square makes it less likely.

    References
    ----------
    Steiger JH & Fouladi RT 1997, in Harlow et al., What If There Were No Significance Tests?, 221-257; Smithson M
    2003, Confidence Intervals, chapter 4 (both from memory).

    Examples
    --------
    >>> low, high = noncentral_limits(20, 1)
    >>> round(low, 3), round(high, 3)
    (6.311, 41.372)
    """
    normal_quantile(conf_level)
    tail = (1 - conf_level) / 2
    return _noncentrality(statistic, df, 1 - tail), _noncentrality(statistic, df, tail)


def _noncentrality(statistic: float, df: float, probability: float) -> float:
    def excess(noncentrality: float) -> float:
        return float(chndtr(statistic, df, noncentrality)) - probability

    if excess(0.0) <= 0:
        return 0.0
    high = max(1.0, statistic)
    while excess(high) > 0:
        high *= 2
    return float(brentq(excess, 0.0, high, xtol=1e-10, rtol=1e-13))


def cramers_v(
    statistic: float,
    df: float,
    *,
    n: int,
    shape: tuple[int, int],
    design_effect: float = 1.0,
    conf_level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """Compute Cramér's V of a table, its value corrected for bias, and the limits of both.

    Parameters
    ----------
    statistic, df
        Pearson's chi-square and its degrees of freedom.
    n
        Units in the table.
    shape
        Rows and columns.
    design_effect
        By what the chi-square has to be divided because units come in clusters.
    conf_level
        Level of the limits.

    Returns
    -------
    DataFrame with measure (cramers_v, cramers_v_corrected), estimate, conf_low, conf_high. The limits are those of
    the population's V, n V^2 (k - 1) being the noncentrality of the chi-square; they belong to both rows. The
    sample's own V cannot be 0 where counts vary, so that it can lie above them; the corrected one takes off what
    independence alone would give.

    References
    ----------
    Cramér H 1946, Mathematical Methods of Statistics, 282. Bergsma W 2013, J Korean Stat Soc 42:323-328 (both from
    memory). See ``noncentral_limits``.

    Examples
    --------
    >>> cramers_v(20, 1, n=80, shape=(2, 2)).round(3).to_numpy().tolist()
    [['cramers_v', 0.5, 0.281, 0.719], ['cramers_v_corrected', 0.49, 0.281, 0.719]]
    """
    smaller = min(shape) - 1
    limits = noncentral_limits(statistic / design_effect, df, conf_level=conf_level)
    low, high = (min(1.0, float(np.sqrt(value * design_effect / (n * smaller)))) for value in limits)
    sides = [side - (side - 1) ** 2 / (n - 1) for side in shape]
    excess = max(0.0, statistic / n - design_effect * df / (n - 1))
    corrected = min(1.0, float(np.sqrt(excess / (min(sides) - 1)))) if min(sides) > 1 else 0.0
    rows: list[tuple[Any, ...]] = [
        ("cramers_v", float(np.sqrt(statistic / (n * smaller))), low, high),
        ("cramers_v_corrected", corrected, low, high),
    ]
    return pd.DataFrame(rows, columns=list(ASSOCIATION_COLUMNS))
