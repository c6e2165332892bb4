"""Tallies over climbers, for limits that respect that some are hurt more than once.

All are sums of whole numbers over climbers, made by the database: exact, additive over sites, and small. A
row without a climber counts as a climber of its own.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd

CLIMBER = "climber"


@dataclass(frozen=True, kw_only=True)
class Repeats:
    """How often climbers repeat."""

    units: int
    """Cases, findings or rows."""
    climbers: int
    """Climbers, those without a name counted one by one."""
    repeaters: int
    """Climbers with more than one unit."""
    their_units: int
    sizes: int
    """Sum over climbers of the square of their units."""


def repeats(units: nw.LazyFrame[Any]) -> Repeats:
    """Count climbers and repeaters.

    Parameters
    ----------
    units
        One row a unit, with a column ``climber``; a frame that has passed the door.

    Examples
    --------
    >>> from registry.door import enter
    >>> repeats(enter({"climber": ["a", "a", "b", None]})).repeaters
    1
    """
    each = units.group_by(CLIMBER).agg(m=nw.len().cast(nw.Int64))
    named = ~nw.col(CLIMBER).is_null()
    more = named & (nw.col("m") > 1)
    flags = each.select(
        unnamed=nw.when(named).then(0).otherwise(nw.col("m")),
        named=nw.when(named).then(1).otherwise(0),
        squares=nw.when(named).then(nw.col("m") * nw.col("m")).otherwise(nw.col("m")),
        repeater=nw.when(more).then(1).otherwise(0),
        theirs=nw.when(more).then(nw.col("m")).otherwise(0),
        m=nw.col("m"),
    )
    sums = flags.select(nw.all().sum().fill_null(0).cast(nw.Int64)).collect().to_pandas().iloc[0]
    return Repeats(
        units=int(sums["m"]),
        climbers=int(sums["named"] + sums["unnamed"]),
        repeaters=int(sums["repeater"]),
        their_units=int(sums["theirs"]),
        sizes=int(sums["squares"]),
    )


def climber_moments(items: nw.LazyFrame[Any], by: Sequence[str], *, units: nw.LazyFrame[Any]) -> pd.DataFrame:
    """Sum, for each cell, the squares and products that a cluster-robust variance of a share needs.

    Parameters
    ----------
    items
        One row for each unit and cell in which it counts; columns ``climber`` and ``by``.
    by
        The columns that make the cells.
    units
        One row a unit, with ``climber``.

    Returns
    -------
    DataFrame with the columns of ``by``, squares (sum over climbers of x*x) and products (sum of x*m): x is a
    climber's units in the cell, m the climber's units in all.

    Examples
    --------
    >>> from registry.door import enter
    >>> two = enter({"climber": ["a", "a"], "digit": ["ring", "index"]})
    >>> climber_moments(two, ["digit"], units=two).sort_values("digit")["products"].tolist()
    [2, 2]
    """
    sizes = units.group_by(CLIMBER).agg(m_=nw.len().cast(nw.Int64))
    each = (
        items.group_by(list(dict.fromkeys([*by, CLIMBER])))
        .agg(x_=nw.len().cast(nw.Int64))
        .join(sizes, on=CLIMBER, how="left")
    )
    named = ~nw.col(CLIMBER).is_null()
    x, m = nw.col("x_"), nw.col("m_")
    terms = each.select(*by, xx_=nw.when(named).then(x * x).otherwise(x), xm_=nw.when(named).then(x * m).otherwise(x))
    summed = terms.group_by(list(by)).agg(
        squares=nw.col("xx_").sum().cast(nw.Int64), products=nw.col("xm_").sum().cast(nw.Int64)
    )
    table: pd.DataFrame = summed.collect().to_pandas()
    return table


def climber_products(rows: nw.LazyFrame[Any], by: Sequence[str]) -> pd.DataFrame:
    """Sum over climbers the product of their rows in each pair of cells.

    Parameters
    ----------
    rows
        One row a unit; columns ``climber`` and ``by``.
    by
        The columns that make the cells.

    Returns
    -------
    DataFrame with the columns of ``by``, the same with ``_2`` behind the name, products (sum over climbers of
    x*y), climbers (how many have rows in both cells).

    Examples
    --------
    >>> from registry.door import enter
    >>> rows = enter({"climber": ["a", "a"], "digit": ["ring", "ring"]})
    >>> climber_products(rows, ["digit"])["products"].tolist()
    [4]
    """
    keys = list(by)
    named = rows.filter(~nw.col(CLIMBER).is_null())
    each = named.group_by([*keys, CLIMBER]).agg(x_=nw.len().cast(nw.Int64))
    other = each.rename({name: f"{name}_2" for name in [*keys, "x_"]})
    pairs = each.join(other, on=CLIMBER, how="inner").group_by([*keys, *(f"{name}_2" for name in keys)])
    joined = pairs.agg(products=(nw.col("x_") * nw.col("x__2")).sum().cast(nw.Int64), climbers=nw.len().cast(nw.Int64))
    nameless = rows.filter(nw.col(CLIMBER).is_null()).group_by(keys).agg(products=nw.len().cast(nw.Int64))
    alone: pd.DataFrame = nameless.collect().to_pandas()
    for name in keys:
        alone[f"{name}_2"] = alone[name]
    alone["climbers"] = alone["products"]
    table: pd.DataFrame = joined.collect().to_pandas()
    both = pd.concat([part for part in (table, alone) if len(part)] or [table])
    pair_keys = [*keys, *(f"{name}_2" for name in keys)]
    return both.groupby(pair_keys, dropna=False, as_index=False)[["products", "climbers"]].sum()
