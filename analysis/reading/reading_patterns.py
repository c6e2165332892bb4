"""Cases counted by what every reader said of them, and how far climbers repeat among these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER, Repeats, climber_products, repeats
from analysis.levels import MISSING_LEVELS, level_word
from analysis.reading.reading_levels import Grades
from analysis.results import no_rows_left_out
from registry.errors import DataError

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Patterns:
    """The cases that every reader graded, counted by what the readers said.

    Attributes
    ----------
    places
        p patterns by m readers: the place of the grade.
    cases
        p counts.
    values
        Of each reader the readings that are used, as the database holds them.
    left_out
        reason, n.
    interchangeable
        Whether it is not known which reader said what.
    """

    readers: tuple[str, ...]
    grades: Grades
    places: npt.NDArray[np.int64]
    cases: npt.NDArray[np.int64]
    values: list[list[Any]]
    left_out: pd.DataFrame
    interchangeable: bool

    @property
    def two_readers(self) -> bool:
        """Whether there is one table of two readers' grades."""
        return len(self.readers) == 2 and not self.interchangeable

    @property
    def n(self) -> int:
        """Cases that are used."""
        return int(self.cases.sum())

    @property
    def votes(self) -> Floats:
        """Patterns by grades: how many readers gave each grade."""
        return np.stack([np.bincount(row, minlength=len(self.grades.words)) for row in self.places]).astype(float)

    def table(self, first: int, second: int) -> Floats:
        """Grades by grades: cases by the grades of two readers."""
        k = len(self.grades.words)
        counts = np.zeros((k, k))
        np.add.at(counts, (self.places[:, first], self.places[:, second]), self.cases)
        return counts


@dataclass(frozen=True, kw_only=True, eq=False)
class PatternSpread:
    """How far climbers repeat: products, p by p, sums over climbers the product of their cases in two patterns."""

    products: Floats
    again: Repeats


def patterns_of(counts: pd.DataFrame, readers: list[str], grades: Grades, *, interchangeable: bool) -> Patterns:
    """Count the cases with a grade of every reader.

    Raises
    ------
    DataError
        When there is none.
    """
    place = {word: position for position, word in enumerate(grades.words)}
    # Of no rows a map would lose that these are words.
    words = {name: counts[name].map(level_word, na_action=None).astype(object) for name in readers}
    reason = pd.Series("", index=counts.index)
    for name in reversed(readers):
        said = words[name].str.replace("_", " ")
        said = said.where(words[name].isin(MISSING_LEVELS), said + ", which is none of the levels")
        reason = reason.mask(~words[name].isin(place), name + ": " + said)
    kept = reason == ""
    if not kept.any():
        _refuse(counts, words, readers)
    left_out = counts.assign(reason=reason)[~kept].groupby("reason", sort=False)["n"].sum().reset_index()
    return Patterns(
        readers=tuple(readers),
        grades=grades,
        places=np.stack([words[name][kept].map(place).to_numpy(dtype=np.int64) for name in readers], axis=1),
        cases=counts.loc[kept, "n"].to_numpy(dtype=np.int64),
        values=[counts.loc[kept, name].drop_duplicates().tolist() for name in readers],
        left_out=left_out if len(left_out) else no_rows_left_out(),
        interchangeable=interchangeable,
    )


def _refuse(counts: pd.DataFrame, words: dict[str, pd.Series[str]], readers: list[str]) -> None:
    each = {name: int(counts["n"][~words[name].isin(MISSING_LEVELS)].sum()) for name in readers}
    read = ", ".join(f"{name} {n}" for name, n in each.items())
    raise DataError(
        f"none of {int(counts['n'].sum())} cases has a grade of every reader (cases with one: {read}); choose readers "
        f"who graded the same cases, and levels that they used."
    )


def spread_of(rows: nw.LazyFrame[Any], patterns: Patterns) -> PatternSpread | None:
    """Count how far climbers repeat in the cases that are used; None where they do not, or have no column."""
    if CLIMBER not in rows.collect_schema().names():
        return None
    names = list(patterns.readers)
    used = rows.filter(*[nw.col(name).is_in(patterns.values[place]) for place, name in enumerate(names)])
    again = repeats(used)
    if not again.repeaters:
        return None
    # Names of our own: a reader may be called as the products are.
    own = [f"reader_{place}" for place in range(len(names))]
    pairs = climber_products(used.select(CLIMBER, **{o: nw.col(n) for o, n in zip(own, names, strict=True)}), own)
    place = {word: position for position, word in enumerate(patterns.grades.words)}
    where = {tuple(row): position for position, row in enumerate(patterns.places.tolist())}
    first, second = (
        [where[tuple(place[level_word(value)] for value in row)] for row in pairs[columns].itertuples(index=False)]
        for columns in (own, [f"{name}_2" for name in own])
    )
    products = np.zeros((len(patterns.cases), len(patterns.cases)))
    # Values such as 1 and 1.0 in text columns are one grade: their products add up.
    np.add.at(products, (first, second), pairs["products"].to_numpy(dtype=float))
    return PatternSpread(products=products, again=again)
