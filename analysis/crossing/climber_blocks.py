"""Two labels of many units, climber by climber: for tests that must not take a climber's units as independent."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.levels import level_word

Whole = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Blocks:
    """Units with one row label and one or several column labels, in the order of their climbers.

    Attributes
    ----------
    climber
        One whole number a unit, ascending from 0; a unit without a climber has a number of its own.
    row
        The unit's row: a whole number.
    unit, column
        One entry for each column label of each unit: place of the unit, and the column.
    shape
        Rows and columns.
    """

    climber: Whole
    row: Whole
    unit: Whole
    column: Whole
    shape: tuple[int, int]

    @property
    def counts(self) -> Floats:
        """Units in each cell: rows by columns."""
        cells = np.bincount(self.row[self.unit] * self.shape[1] + self.column, minlength=self.shape[0] * self.shape[1])
        return cells.reshape(self.shape).astype(float)

    @property
    def in_row(self) -> Floats:
        """Units in each row."""
        return np.bincount(self.row, minlength=self.shape[0]).astype(float)

    @property
    def in_column(self) -> Floats:
        """Units in each column; with several labels they add up to more than there are units."""
        return np.bincount(self.column, minlength=self.shape[1]).astype(float)

    @property
    def expected(self) -> Floats:
        """Counts that independence of rows and columns expects: rows by columns."""
        table: Floats = np.outer(self.in_row, self.in_column) / max(1, len(self.row))
        return table

    @property
    def several(self) -> bool:
        """Whether some unit has several column labels."""
        return len(self.column) > len(np.unique(self.unit))

    @property
    def repeated(self) -> bool:
        """Whether some climber has several units."""
        return len(self.climber) > 0 and int(self.climber[-1]) + 1 < len(self.climber)

    @property
    def climbers(self) -> int:
        """How many climbers there are."""
        return int(self.climber[-1]) + 1 if len(self.climber) else 0


def blocks_of(
    items: nw.LazyFrame[Any],
    *,
    rows: tuple[str, list[str]],
    columns: tuple[str, list[str]],
    case_key: list[str],
) -> Blocks:
    """Lay out the units of a frame, climber by climber.

    Parameters
    ----------
    items
        One row a unit and column label; the two columns, ``case_key`` and, where there is one, ``climber``.
    rows, columns
        Each a column and the levels that take part (see ``level_word``); other rows of the frame are left out.
    case_key
        Columns that name a unit; [] where each row is a unit of its own.

    Returns
    -------
    Blocks, the same whatever the order of the rows.

    Examples
    --------
    >>> from registry.door import enter
    >>> case = {"climber": ["a", "a"], "digit": ["ring", "ring"], "structure": ["a2", "a3"], "case": ["1", "1"]}
    >>> blocks = blocks_of(
    ...     enter(case), rows=("digit", ["ring"]), columns=("structure", ["a2", "a3"]), case_key=["case"]
    ... )
    >>> blocks.counts.tolist(), blocks.in_row.tolist()
    ([[1.0, 1.0]], [1.0])
    """
    who = [CLIMBER] if CLIMBER in items.collect_schema().names() else []
    wanted = list(dict.fromkeys([*case_key, *who, rows[0], columns[0]]))
    table: pd.DataFrame = items.select(wanted).collect().to_pandas()
    row, column = _codes(table[rows[0]], rows[1]), _codes(table[columns[0]], columns[1])
    used = (row >= 0) & (column >= 0)
    table, row, column = table[used], row[used], column[used]
    climber = _ranks(table[who]) if who else np.zeros(len(table), dtype=np.int64)
    nameless = table[CLIMBER].isna().to_numpy() if who else np.ones(len(table), dtype=bool)
    case = _ranks(table[case_key]) if case_key else np.zeros(len(table), dtype=np.int64)
    order = np.lexsort((column, row, case, climber, nameless))
    climber, case, row, column = (part[order] for part in (climber, case, row, column))
    nameless = nameless[order]
    first = np.ones(len(row), dtype=bool)
    if case_key:
        first[1:] = (case[1:] != case[:-1]) | (climber[1:] != climber[:-1])
    another = first.copy()
    another[1:] &= nameless[1:] | (climber[1:] != climber[:-1])
    unit = np.cumsum(first) - 1
    numbers = (np.cumsum(another) - 1)[first]
    return Blocks(climber=numbers, row=row[first], unit=unit, column=column, shape=(len(rows[1]), len(columns[1])))


def _codes(values: pd.Series[Any], levels: list[str]) -> Whole:
    """Number the levels; -1 for a value that is none of them."""
    places = {level: place for place, level in enumerate(levels)}
    codes, words = pd.factorize(values, use_na_sentinel=False)
    numbers = np.array([places.get(level_word(word), -1) for word in words], dtype=np.int64)
    return numbers[codes] if len(numbers) else np.zeros(0, dtype=np.int64)


def _ranks(names: pd.DataFrame) -> Whole:
    """Number the distinct rows in sorted order, with gaps."""
    ranks = np.zeros(len(names), dtype=np.int64)
    for name in names.columns:
        codes, words = pd.factorize(names[name], sort=True, use_na_sentinel=True)
        ranks = ranks * (len(words) + 1) + codes + 1
    return ranks
