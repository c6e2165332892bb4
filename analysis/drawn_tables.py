"""Tables of counts drawn at random given both margins, with cells that stay empty."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import numpy.typing as npt

Whole = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]


def nested(cells: Flags) -> bool:
    """Say whether each row's possible cells are among those of the next larger row.

    Examples
    --------
    >>> nested(np.array([[True, False], [True, True]])), nested(np.array([[True, False], [False, True]]))
    (True, False)
    """
    ordered = cells[np.argsort(cells.sum(axis=1), kind="stable")]
    return bool((ordered[1:] | ~ordered[:-1]).all())


def drawn_sums(
    counts: Whole, cells: Flags, cost: Callable[[int, int, Whole], Floats], *, tables: int, seed: int
) -> Floats:
    """Draw tables from the conditional distribution given both margins, and sum a cost over the cells of each.

    Row by row, from the row with the fewest possible cells to the one with most, each cell is hypergeometric
    given what is left. With nested rows every choice for a row leaves the same number of ways to complete the
    table, so this draws from the exact conditional distribution of quasi-independence.

    Parameters
    ----------
    counts
        r by c whole numbers, 0 where a cell is impossible.
    cells
        r by c flags, nested: can the cell occur?
    cost
        Of row, column and the counts drawn there (one for each table).
    tables, seed
        How many are drawn, and the seed.

    Returns
    -------
    One sum for each table.
    """
    random = np.random.default_rng(seed)
    left = np.repeat(counts.sum(axis=0).astype(np.int64)[:, None], tables, axis=1)
    sums = np.zeros(tables)
    for row in np.argsort(cells.sum(axis=1), kind="stable"):
        columns = np.flatnonzero(cells[row])
        to_place = np.full(tables, int(counts[row].sum()), dtype=np.int64)
        others = left[columns].sum(axis=0)
        for column in columns:
            others -= left[column]
            drawn = random.hypergeometric(left[column], others, to_place)
            left[column] -= drawn
            to_place -= drawn
            sums += cost(int(row), int(column), drawn)
    return sums
