"""Limits of the shares of a distribution: one by one, all together, and by a bootstrap over climbers."""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.bootstrap import climber_kinds, climber_sizes, share_limits
from analysis.clusters import CLIMBER
from analysis.proportions import effective_size, wilson_limits
from analysis.share_counts import Counted, named_levels

Array = npt.NDArray[np.float64]


def with_shares(
    table: pd.DataFrame, keys: list[str], counted: Counted, *, conf_level: float, seed: int
) -> pd.DataFrame:
    """Add of, estimate and limits to the counts of a distribution.

    Parameters
    ----------
    table
        The columns of ``keys`` as words and n; squares and products where climbers repeat.
    keys
        The columns that make the cells.
    counted
        Where the counts come from.
    conf_level
        Level of the limits.
    seed
        Of the bootstrap.

    Returns
    -------
    The table with of, estimate, conf_low, conf_high (Wilson, on an effective size where climbers repeat), sim_low,
    sim_high (Goodman's simultaneous limits: Wilson's at the level 1 - alpha/k for k cells; NaN where a unit counts in
    several cells), beside_low, beside_high (bootstrap over climbers; NaN where none repeats, and at none or all).

    References
    ----------
    Goodman LA 1965, Technometrics 7:247-254 (from memory). See ``effective_size`` and ``analysis.bootstrap``.
    """
    sizes = effective_sizes(table, counted)
    n, cells = table["n"].to_numpy(), max(1, _cells(table, keys))
    limits = wilson_limits(n, counted.of, conf_level=conf_level, effective=sizes)
    together = np.full((len(table), 2), np.nan)
    if not counted.cases_repeat:
        together = wilson_limits(n, counted.of, conf_level=1 - (1 - conf_level) / cells, effective=sizes)
    beside = _bootstrapped(table, keys, counted, conf_level=conf_level, seed=seed)
    shares = table["n"] / counted.of if counted.of else pd.Series(np.nan, index=table.index)
    table = table.assign(of=counted.of, estimate=shares)
    for name, ends in (("conf", limits), ("sim", together), ("beside", beside)):
        table[f"{name}_low"], table[f"{name}_high"] = ends[:, 0], ends[:, 1]
    return table


def effective_sizes(table: pd.DataFrame, counted: Counted) -> Array | None:
    """Return how many independent units would pin each share down as well; None where climbers do not repeat."""
    again = counted.repeats
    if again is None or not again.repeaters:
        return None
    return effective_size(
        table["n"],
        counted.of,
        clusters=again.climbers,
        squares=table["squares"],
        products=table["products"],
        sizes=again.sizes,
    )


def _cells(table: pd.DataFrame, keys: list[str]) -> int:
    """Count the cells that can be: also those of three columns and more that are not listed because they are empty."""
    return len(table) if len(keys) <= 2 else int(np.prod([table[name].nunique() for name in keys]))


def _bootstrapped(table: pd.DataFrame, keys: list[str], counted: Counted, *, conf_level: float, seed: int) -> Array:
    limits = np.full((len(table), 2), np.nan)
    if not counted.climbers_repeat:
        return limits
    sizes = climber_sizes(counted.units)
    # Names of our own: a column may be called as what is counted of climbers is.
    labels = [f"key_{place}" for place in range(len(keys))]
    items = counted.items.select(CLIMBER, **{name: nw.col(key) for name, key in zip(labels, keys, strict=True)})
    kinds = named_levels(climber_kinds(items, labels, units=counted.units), labels)
    of_cell = {cell: part for cell, part in kinds.groupby(labels)}
    found: dict[Any, tuple[float, float]] = {}
    for place, cell in enumerate(table[keys].itertuples(index=False, name=None)):
        part = of_cell.get(cell)
        if part is None:
            continue
        own: pd.DataFrame = part[["m", "x", "climbers"]].groupby(["m", "x"], as_index=False).sum()
        seen = own.to_numpy().tobytes()
        if seen not in found:
            found[seen] = share_limits(own, sizes, conf_level=conf_level, seed=seed)
        limits[place] = found[seen]
    return limits
