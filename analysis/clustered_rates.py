"""Limits of rates and rate ratios that respect that climbers repeat and that squads share their hours."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import t as student

from analysis.rates import RATIO_COLUMNS, cells_in_order, name_of
from analysis.thresholds import MIN_CLUSTERS, MIN_EVENTS


@dataclass(frozen=True)
class RobustLimits:
    """Limits of a rate for one unit of exposure; NaN where there are too few events or clusters for them."""

    low: float
    high: float
    few: bool = False
    """Whether they are missing although there are events: of too few climbers or squads, or too few of them."""


def robust_limits(part: pd.DataFrame, keys: Sequence[str], cell: tuple[Any, ...], conf_level: float) -> RobustLimits:
    """Return limits of a cell's rate on the log scale, linearised over clusters, no narrower than Poisson's.

    Parameters
    ----------
    part
        Columns of ``keys``, cluster (climber or squad, the uninjured too), events, exposure.
    keys, cell
        The cell: a level for each column.
    conf_level
        Level of the limits, by Student's t with clusters - 1 degrees of freedom.

    Returns
    -------
    RobustLimits; NaN with fewer than ``MIN_EVENTS`` events or ``MIN_CLUSTERS`` clusters with exposure.

    References
    ----------
    Cochran WG (1977). Sampling techniques, 3rd ed., section 6.3 (variance of a ratio; from memory).
    """
    here = _part(part, keys, cell)
    events, exposure = _sums(here, sorted(set(here["cluster"]))).T
    total, amount, clusters = events.sum(), exposure.sum(), len(events)
    if not total or not amount:
        return RobustLimits(float("nan"), float("nan"))
    if total < MIN_EVENTS or (exposure > 0).sum() < MIN_CLUSTERS:
        return RobustLimits(float("nan"), float("nan"), few=True)
    rate = total / amount
    residual = (events - rate * exposure) / total
    reach = _t_quantile(clusters, conf_level) * _error(residual, clusters, poisson=1 / total)
    return RobustLimits(rate * float(np.exp(-reach)), rate * float(np.exp(reach)))


def robust_ratios(
    part: pd.DataFrame, keys: Sequence[str], against: tuple[Any, ...] | None, conf_level: float
) -> pd.DataFrame:
    """Return one row, method robust_log, for each cell with events, compared with a reference with events.

    A climber who climbs in both cells counts once: the ratio is linearised over clusters as a whole. Limits and
    p-value are NaN where either cell has fewer than ``MIN_EVENTS`` events or ``MIN_CLUSTERS`` clusters.
    """
    rows = []
    cells = dict.fromkeys(zip(*[part[key] for key in keys], strict=True)) if keys else {}
    for cell in cells_in_order(cells, keys):
        if against is None or cell == against:
            continue
        ratio = _ratio(_part(part, keys, cell), _part(part, keys, against), conf_level)
        if ratio is not None:
            rows.append((*cell, name_of(against), "robust_log", *ratio))
    return pd.DataFrame(rows, columns=[*keys, *RATIO_COLUMNS])


def _ratio(part: pd.DataFrame, reference: pd.DataFrame, conf_level: float) -> tuple[float, float, float, float] | None:
    clusters = sorted(set(part["cluster"]) | set(reference["cluster"]))
    sums = [_sums(each, clusters) for each in (part, reference)]
    totals = [each.sum(axis=0) for each in sums]
    if not all((total > 0).all() for total in totals):
        return None
    log_ratio = float(np.log(totals[0][0] / totals[0][1]) - np.log(totals[1][0] / totals[1][1]))
    exposed = min(int((each[:, 1] > 0).sum()) for each in sums)
    if exposed < MIN_CLUSTERS or min(total[0] for total in totals) < MIN_EVENTS:
        return float(np.exp(log_ratio)), float("nan"), float("nan"), float("nan")
    # What a cluster adds to log(events / exposure), to first order.
    influence = [(each / total) @ np.array([1.0, -1.0]) for each, total in zip(sums, totals, strict=True)]
    residual = influence[0] - influence[1]
    error = _error(residual, len(clusters), poisson=1 / totals[0][0] + 1 / totals[1][0])
    reach = _t_quantile(len(clusters), conf_level) * error
    p_value = float(2 * student.sf(abs(log_ratio) / error, len(clusters) - 1))
    limits = np.exp([log_ratio, log_ratio - reach, log_ratio + reach])
    return float(limits[0]), float(limits[1]), float(limits[2]), p_value


def _sums(part: pd.DataFrame, clusters: Sequence[str]) -> npt.NDArray[np.float64]:
    sums = part.groupby("cluster")[["events", "exposure"]].sum().reindex(list(clusters), fill_value=0)
    return sums.to_numpy(dtype=np.float64)


def _t_quantile(clusters: int, conf_level: float) -> float:
    return float(student.ppf((1 + conf_level) / 2, clusters - 1))


def _error(residual: npt.NDArray[np.float64], clusters: int, *, poisson: float) -> float:
    # Floored at Poisson's variance: where few clusters vary less than that, it is chance.
    return float(np.sqrt(max(poisson, clusters / (clusters - 1) * np.sum(residual**2))))


def _part(part: pd.DataFrame, keys: Sequence[str], cell: tuple[Any, ...]) -> pd.DataFrame:
    here = np.ones(len(part), dtype=bool)
    for key, level in zip(keys, cell, strict=True):
        here &= (part[key] == level).to_numpy()
    return part[here]
