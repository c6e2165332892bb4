"""Tools of every derivation: exact whole-number division, and computing a shared step only once."""

from __future__ import annotations

from itertools import count
from typing import Any

import narwhals.stable.v2 as nw

_numbers = count()


def quotient(amount: nw.Expr, by: nw.Expr | int) -> nw.Expr:
    """Return the whole quotient, rounded down, of whole numbers below 2 ** 53.

    SQL has no floor division; the usual rewriting repeats its operand many times, and nested ones then grow beyond
    what a planner can take. Taking the remainder off first makes the division exact.
    """
    return ((amount - amount % by) / by).cast(nw.Int64)


class Shelf:
    """Where steps are kept that several others build on: temporary tables of the frames' own connection."""

    def __init__(self, neighbour: nw.LazyFrame[Any]) -> None:
        """Take any stored frame of the same connection; its rows do not matter."""
        self._by_sql = neighbour.implementation.is_duckdb()
        self._anchor: Any = neighbour.to_native().limit(0) if self._by_sql else None
        self._names: list[str] = []

    def hold(self, frame: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
        """Compute a step once and return a frame that reads what came out."""
        if not self._by_sql:
            return frame
        name = f"derived_step_{next(_numbers)}"
        # Not materialize(): the planner takes rows held in client memory for none and plans accordingly (a hundred
        # thousand cases took two minutes instead of two seconds).
        frame.to_native().query("step", f"CREATE TEMP TABLE {name} AS SELECT * FROM step")
        self._names.append(name)
        kept: nw.LazyFrame[Any] = nw.from_native(self._anchor.query("unused", f"SELECT * FROM temp.main.{name}"))
        return kept

    def clear(self) -> None:
        """Drop every step that was held; frames that read one are then of no use."""
        for name in self._names:
            self._anchor.query("unused", f"DROP TABLE temp.main.{name}")
        self._names.clear()
