"""One odds ratio from several strata: Mantel-Haenszel, and whether the strata agree on it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import chdtrc

from analysis.common_ratio import common_exact
from analysis.results import no_tests
from analysis.thresholds import CONF_LEVEL
from analysis.two_by_two import Ratio

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Stratified:
    """The common odds ratio.

    Attributes
    ----------
    ratio
        Mantel-Haenszel estimate with Robins-Breslow-Greenland limits; the p-value is
        Cochran-Mantel-Haenszel's, without continuity correction.
    common
        Conditional maximum-likelihood estimate of the ratio that the strata share, with exact limits and p-value.
    tests
        test (cochran_mantel_haenszel, breslow_day, tarone, woolf_homogeneity), statistic, df, p_value. Where a cell is
        empty Woolf's test needs a half in every cell of every stratum and is called woolf_homogeneity_haldane.
    strata, empty
        Strata in all, and those with an empty margin: they say nothing about the ratio.
    """

    ratio: Ratio
    common: Ratio
    tests: pd.DataFrame
    strata: int
    empty: int


def mantel_haenszel(tables: Any, *, conf_level: float = CONF_LEVEL) -> Stratified:
    """Pool 2x2 tables of several strata.

    Parameters
    ----------
    tables
        k by 2 by 2 counts: in each stratum the rows exposed and reference, the columns events and others.
    conf_level
        Level of the limits.

    Returns
    -------
    Stratified. Where no stratum has an event on one side of the diagonal the ratio is 0 or infinite, Mantel-Haenszel's
    without limits, and homogeneity is not tested.

    References
    ----------
    Mantel N & Haenszel W 1959, J Natl Cancer Inst 22:719-748. Robins J, Breslow N & Greenland S 1986,
    Biometrics 42:311-323. Breslow NE & Day NE 1980, Statistical Methods in Cancer Research I, section 4.4.
    Tarone RE 1985, Biometrika 72:91-95. Woolf B 1955, Ann Hum Genet 19:251-253; Haldane JBS 1956, Ann Hum Genet
    20:309-311 (the half). The common ratio: see ``common_exact`` (all from memory).

    Examples
    --------
    >>> result = mantel_haenszel([[[10, 20], [5, 25]], [[8, 12], [6, 14]]])
    >>> round(result.ratio.estimate, 3), result.tests["test"].tolist()
    (2.01, ['cochran_mantel_haenszel', 'breslow_day', 'tarone', 'woolf_homogeneity'])
    """
    counts = np.asarray(tables, dtype=float).reshape(-1, 2, 2)
    telling = (counts.sum(axis=1) > 0).all(axis=1) & (counts.sum(axis=2) > 0).all(axis=1)
    kept = counts[telling]
    ratio, tests = _pooled(kept, conf_level)
    return Stratified(
        ratio=ratio,
        common=common_exact(kept, conf_level=conf_level),
        tests=tests,
        strata=len(counts),
        empty=int((~telling).sum()),
    )


def _pooled(counts: Floats, conf_level: float) -> tuple[Ratio, pd.DataFrame]:
    nan = float("nan")
    if not len(counts):
        return Ratio(estimate=nan, conf_low=nan, conf_high=nan, p_value=nan), no_tests()
    from statsmodels.stats.contingency_tables import StratifiedTable

    pooled = StratifiedTable(list(counts))
    # The library's own p-value is 1 - cdf, which is 0 below 1e-16.
    statistic = float(pooled.test_null_odds(correction=False).statistic)
    rows = [("cochran_mantel_haenszel", statistic, 1.0)]
    totals = counts.sum(axis=(1, 2))
    above = float((counts[:, 0, 0] * counts[:, 1, 1] / totals).sum())
    below = float((counts[:, 0, 1] * counts[:, 1, 0] / totals).sum())
    p_value = float(chdtrc(1, statistic))
    if above > 0 and below > 0:
        low, high = pooled.oddsratio_pooled_confint(alpha=1 - conf_level)
        error = float(pooled.logodds_pooled_se)
        ratio = Ratio(
            estimate=above / below,
            conf_low=float(low),
            conf_high=float(high),
            p_value=p_value,
            std_error=error,
            statistic=float(np.log(above / below)) / error,
        )
        rows += [*_homogeneity(counts, above / below), *_woolf_homogeneity(counts)]
    else:
        estimate = nan if above == below else float("inf") if below == 0 else 0.0
        ratio = Ratio(estimate=estimate, conf_low=nan, conf_high=nan, p_value=p_value)
    tests = pd.DataFrame(rows, columns=["test", "statistic", "df"])
    return ratio, tests.assign(p_value=chdtrc(tests["df"], tests["statistic"]))


def _homogeneity(counts: Floats, ratio: float) -> list[tuple[str, float, float]]:
    """Test whether the strata share one ratio.

    Written out because statsmodels 0.15.0 divides by zero when the pooled ratio is exactly 1.
    """
    if len(counts) < 2:
        return []
    exposed, events = counts.sum(axis=2)[:, 0], counts.sum(axis=1)[:, 0]
    others = counts.sum(axis=(1, 2)) - exposed - events
    # Expected a: (1 - ratio) a^2 + (others + ratio (exposed + events)) a - ratio exposed events = 0.
    linear = others + ratio * (exposed + events)
    product = ratio * exposed * events
    root = np.sqrt(linear**2 + 4 * (1 - ratio) * product)
    # Each form of the root loses its digits where the other keeps them.
    with np.errstate(invalid="ignore", divide="ignore"):
        expected = np.where(linear > 0, 2 * product / (linear + root), (root - linear) / (2 * (1 - ratio)))
    cells = (expected, exposed - expected, events - expected, others + expected)
    variance = 1 / sum(1 / cell for cell in cells)
    difference = counts[:, 0, 0] - expected
    breslow_day = float((difference**2 / variance).sum())
    tarone = breslow_day - float(difference.sum() ** 2 / variance.sum())
    df = float(len(counts) - 1)
    return [("breslow_day", breslow_day, df), ("tarone", tarone, df)]


def _woolf_homogeneity(counts: Floats) -> list[tuple[str, float, float]]:
    """Test homogeneity by the spread of the strata's log ratios around their weighted mean."""
    if len(counts) < 2:
        return []
    empty = bool((counts == 0).any())
    cells = counts + 0.5 if empty else counts
    log_ratio = np.log(cells[:, 0, 0] * cells[:, 1, 1] / (cells[:, 0, 1] * cells[:, 1, 0]))
    weight = 1 / (1 / cells).sum(axis=(1, 2))
    statistic = float((weight * (log_ratio - np.average(log_ratio, weights=weight)) ** 2).sum())
    return [("woolf_homogeneity_haldane" if empty else "woolf_homogeneity", statistic, float(len(counts) - 1))]
