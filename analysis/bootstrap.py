"""Bootstrap limits of shares: climbers are drawn again, never rows.

A share needs of each climber only two numbers: units in the cell and units in all. Climbers with the same two are
interchangeable, so that a million rows become a few dozen kinds of climber, and a resample draws how many there are
of each kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import ndtr, ndtri

from analysis.clusters import CLIMBER
from analysis.proportions import normal_quantile
from analysis.thresholds import BOOTSTRAP_REPLICATES, CONF_LEVEL

Array = npt.NDArray[np.float64]
Whole = npt.NDArray[np.int64]


def climber_kinds(items: nw.LazyFrame[Any], by: Sequence[str], *, units: nw.LazyFrame[Any]) -> pd.DataFrame:
    """Count the climbers of each kind: so many units in a cell, of so many in all.

    Parameters
    ----------
    items
        One row for each unit and cell in which it counts; columns ``climber`` and ``by``.
    by
        The columns that make the cells.
    units
        One row a unit, with ``climber``. A unit without a climber is a climber of its own.

    Returns
    -------
    DataFrame with the columns of ``by``, x (units in the cell, 1 or more), m (units in all), climbers; in no order.

    Examples
    --------
    >>> from registry.door import enter
    >>> two = enter({"climber": ["a", "a", "b"], "digit": ["ring", "index", "ring"]})
    >>> climber_kinds(two, ["digit"], units=two).sort_values(["digit", "m"]).to_numpy().tolist()
    [['index', 1, 2, 1], ['ring', 1, 1, 1], ['ring', 1, 2, 1]]
    """
    keys = list(dict.fromkeys(by))
    each = (
        items.group_by(list(dict.fromkeys([*keys, CLIMBER])))
        .agg(x_=nw.len().cast(nw.Int64))
        .join(units.group_by(CLIMBER).agg(m_=nw.len().cast(nw.Int64)), on=CLIMBER, how="left")
    )
    named, one = ~nw.col(CLIMBER).is_null(), nw.lit(1).cast(nw.Int64)
    kinds = each.select(
        *keys,
        x=nw.when(named).then(nw.col("x_")).otherwise(one),
        m=nw.when(named).then(nw.col("m_")).otherwise(one),
        f_=nw.when(named).then(one).otherwise(nw.col("x_")),
    )
    table: pd.DataFrame = (
        kinds.group_by([*keys, "x", "m"]).agg(climbers=nw.col("f_").sum().cast(nw.Int64)).collect().to_pandas()
    )
    return table


def climber_sizes(units: nw.LazyFrame[Any]) -> pd.DataFrame:
    """Count the climbers with so many units: m, climbers; sorted by m.

    Examples
    --------
    >>> from registry.door import enter
    >>> climber_sizes(enter({"climber": ["a", "a", "b", None]})).to_numpy().tolist()
    [[1, 2], [2, 1]]
    """
    each = units.group_by(CLIMBER).agg(m_=nw.len().cast(nw.Int64))
    named, one = ~nw.col(CLIMBER).is_null(), nw.lit(1).cast(nw.Int64)
    sizes = each.select(
        m=nw.when(named).then(nw.col("m_")).otherwise(one), f_=nw.when(named).then(one).otherwise(nw.col("m_"))
    )
    table: pd.DataFrame = sizes.group_by("m").agg(climbers=nw.col("f_").sum().cast(nw.Int64)).collect().to_pandas()
    return table.sort_values("m", ignore_index=True)


def share_limits(
    kinds: pd.DataFrame,
    sizes: pd.DataFrame,
    *,
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
    replicates: int = BOOTSTRAP_REPLICATES,
) -> tuple[float, float]:
    """Compute bias-corrected and accelerated bootstrap limits of one cell's share.

    Parameters
    ----------
    kinds
        The cell's rows of ``climber_kinds``: x, m, climbers.
    sizes
        As ``climber_sizes`` returns it: all climbers.
    conf_level
        Level of the limits.
    seed
        Of the resamples. Cells with the same kinds of climber get the same limits, whatever stands beside them.
    replicates
        How many resamples.

    Returns
    -------
    The lower and the upper limit; NaN for a cell that has no unit or all, and for a single climber: whatever is
    drawn, nothing varies.

    References
    ----------
    Efron B 1987, J Am Stat Assoc 82:171-185 (BCa; from memory). Davison AC & Hinkley DV 1997, Bootstrap Methods and
    their Application, section 3.8 (clusters are resampled whole; from memory).

    Examples
    --------
    >>> kinds = pd.DataFrame({"x": [1], "m": [1], "climbers": [20]})
    >>> low, high = share_limits(kinds, pd.DataFrame({"m": [1], "climbers": [60]}))
    >>> 0.2 < low < 1 / 3 < high < 0.5
    True
    """
    z = normal_quantile(conf_level)
    x, m, climbers = _all_kinds(kinds, sizes)
    n, of, total = int(x @ climbers), int(m @ climbers), int(climbers.sum())
    if n in (0, of) or total < 2:
        return float("nan"), float("nan")
    random = np.random.default_rng(seed)
    drawn = random.multinomial(total, climbers / total, size=replicates)
    shares = np.sort((drawn @ x) / (drawn @ m))
    ends = _adjusted_levels(shares, n / of, _acceleration(x, m, climbers), z)
    low, high = np.quantile(shares, ends)
    return float(low), float(high)


def _all_kinds(kinds: pd.DataFrame, sizes: pd.DataFrame) -> tuple[Whole, Whole, Whole]:
    """Add the climbers who have no unit in the cell, and put the kinds in order."""
    with_some = kinds.groupby("m")["climbers"].sum()
    none = sizes.assign(x=0, climbers=sizes["climbers"] - sizes["m"].map(with_some).fillna(0))
    listed = pd.concat([kinds[["x", "m", "climbers"]], none[["x", "m", "climbers"]]])
    listed = listed[listed["climbers"] > 0].sort_values(["m", "x"]).astype("int64")
    return listed["x"].to_numpy(), listed["m"].to_numpy(), listed["climbers"].to_numpy()


def _acceleration(x: Whole, m: Whole, climbers: Whole) -> float:
    """Return the skewness of the share when one climber at a time is left out, over 6."""
    n, of = x @ climbers, m @ climbers
    left_out = (n - x) / np.maximum(of - m, 1)
    off = climbers @ left_out / climbers.sum() - left_out
    spread = climbers @ off**2
    return float(climbers @ off**3 / (6 * spread**1.5)) if spread > 0 else 0.0


def _adjusted_levels(shares: Array, estimate: float, acceleration: float, z: float) -> Array:
    replicates = len(shares)
    below = np.searchsorted(shares, estimate, "left"), np.searchsorted(shares, estimate, "right")
    # Shares are fractions of whole numbers: half of those that tie with the estimate count as below it.
    bias = float(ndtri(np.clip(sum(below) / 2 / replicates, 1 / replicates, 1 - 1 / replicates)))
    reached = bias + np.array([-z, z])
    levels: Array = ndtr(bias + reached / (1 - acceleration * reached))
    return levels
