"""How far an odds ratio would vary if other climbers had been hurt: its variance linearised by climber."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np

from analysis.clusters import CLIMBER, climber_products
from analysis.levels import level_word
from analysis.two_by_two import TwoByTwo

Cell = tuple[str, bool]


@dataclass(frozen=True, kw_only=True, eq=False)
class Spread:
    """Sums over climbers of products of their rows in two cells (exposure level, event or not).

    Examples
    --------
    >>> from registry.door import enter
    >>> rows = {"climber": list("aabbcdef"), "up": [True, False] * 4, "grip": ["x"] * 4 + ["y"] * 4}
    >>> spread = Spread.of(enter(rows), "up", "grip")
    >>> round(spread.variance(TwoByTwo(2, 2, 2, 2), "x", "y"), 3)
    1.2
    """

    products: dict[tuple[Cell, Cell], int]
    shared: dict[tuple[str, str], int]
    """How many climbers have rows at both levels."""

    @classmethod
    def of(cls, rows: nw.LazyFrame[Any], outcome: str, exposure: str) -> Spread:
        """Tally rows in which outcome and exposure are known, and which have a column ``climber``."""
        # Names of our own: a column of the caller's may be called as a sum is.
        own = rows.select(nw.col(CLIMBER), level=nw.col(exposure), happened=nw.col(outcome))
        cells = climber_products(own, ["level", "happened"])
        levels = climber_products(own, ["level"])
        pairs = zip(cells["level"], cells["happened"], cells["level_2"], cells["happened_2"], strict=True)
        keys = [((level_word(e), bool(o)), (level_word(e2), bool(o2))) for e, o, e2, o2 in pairs]
        both = zip(levels["level"], levels["level_2"], strict=True)
        return cls(
            products=dict(zip(keys, (int(value) for value in cells["products"]), strict=True)),
            shared={
                (level_word(e), level_word(e2)): int(n) for (e, e2), n in zip(both, levels["climbers"], strict=True)
            },
        )

    def variance(self, table: TwoByTwo, level: str, reference: str) -> float | None:
        """Compute the variance of the logarithm of the odds ratio, linearised by climber.

        Parameters
        ----------
        table
            The counts of the two levels.
        level, reference
            The two levels.

        Returns
        -------
        The variance; None where a cell is empty, or where it cannot be told (one climber, or no spread
        between them).

        References
        ----------
        Binder DA 1983, Int Stat Rev 51:279-292 (linearisation; from memory).
        """
        climbers = self.climbers(level, reference)
        if table.zero_cell or climbers < 2:
            return None
        cells = [(word, flag) for word in (level, reference) for flag in (True, False)]
        pull = np.array([1, -1, -1, 1]) / np.array(table.cells, dtype=float)
        matrix = np.array([[self.products.get((one, two), 0) for two in cells] for one in cells], dtype=float)
        variance = float(climbers / (climbers - 1) * (pull @ matrix @ pull))
        return variance if variance > 1e-12 else None

    def climbers(self, level: str, reference: str) -> int:
        """Count the climbers with rows at one of two levels or at both."""
        return self._shared(level, level) + self._shared(reference, reference) - self._shared(level, reference)

    def _shared(self, one: str, two: str) -> int:
        return self.shared.get((one, two), 0)
