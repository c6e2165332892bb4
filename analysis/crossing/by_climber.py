"""A cross-table tested climber by climber: exchanged climbers, Rao and Scott's correction, design effects of cells."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.crossing.climber_blocks import Blocks, blocks_of
from analysis.crossing.permutation import permuted_by_climber
from analysis.crossing.rao_scott import rao_scott
from analysis.results import Note, no_tests
from analysis.share_counts import Counted, distinct, one_number
from analysis.thresholds import MAX_PERMUTED, MIN_CLUSTERS, MIN_FOR_TEST, SPARSE_EXPECTED

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class ByClimber:
    """Tests that hold where climbers repeat, and where a case has several labels.

    Attributes
    ----------
    rows, columns
        Each a column and its levels that take part: the largest part of the table in which every cell can be.
    blocks
        The units.
    unit
        What is exchanged: cases, findings or rows.
    effects
        Rows by columns: the variance of each count over what it were if units were independent, 1 or more.
    mean_effect
        Of the table as a whole, 1 or more.
    tests, notes
        As in ``Distribution``.
    permuted
        Whether climbers were exchanged.
    """

    rows: tuple[str, list[str]]
    columns: tuple[str, list[str]]
    blocks: Blocks
    unit: str
    effects: Floats
    mean_effect: float
    tests: pd.DataFrame
    notes: list[Note]
    permuted: bool

    @property
    def units(self) -> int:
        """How many units take part."""
        return len(self.blocks.row)

    def effects_of(self, tested: pd.DataFrame, keys: list[str]) -> Floats:
        """Return the design effect of each line of a table; the mean one where the cell takes no part."""
        effects = self._spread(self.effects, tested, keys)
        return np.where(np.isnan(effects), self.mean_effect, effects)

    def expected_of(self, tested: pd.DataFrame, keys: list[str]) -> Floats:
        """Return the expected count of each line of a table; NaN where the cell takes no part."""
        return self._spread(self.blocks.expected, tested, keys)

    def in_row_of(self, tested: pd.DataFrame, keys: list[str]) -> Floats:
        """Return the units in the row of each line of a table; NaN where the cell takes no part."""
        return self._spread(np.repeat(self.blocks.in_row[:, None], self.blocks.shape[1], axis=1), tested, keys)

    def residual_of(self, tested: pd.DataFrame, keys: list[str]) -> Floats:
        """Return the adjusted residual of each line of a table; NaN where the cell takes no part."""
        expected, units = self.blocks.expected, max(1, self.units)
        left = np.outer(1 - self.blocks.in_row / units, 1 - self.blocks.in_column / units)
        variance = expected * left * self.effects
        off = self.blocks.counts - expected
        residual = np.divide(off, np.sqrt(variance), out=np.full(off.shape, np.nan), where=variance > 0)
        return self._spread(residual, tested, keys)

    def _spread(self, values: Floats, tested: pd.DataFrame, keys: list[str]) -> Floats:
        down = {level: place for place, level in enumerate(self.rows[1])}
        across = {level: place for place, level in enumerate(self.columns[1])}
        lines = zip(tested[self.rows[0]], tested[self.columns[0]], strict=True)
        places = [(down.get(row), across.get(column)) for row, column in lines]
        return np.array([np.nan if None in place else values[place] for place in places], dtype=float)


def climber_tests(tested: pd.DataFrame, keys: list[str], counted: Counted, *, seed: int) -> ByClimber:
    """Test two columns by climber.

    Parameters
    ----------
    tested
        One line a pair of recorded levels: the columns of ``keys`` and impossible.
    keys
        The two columns.
    counted
        Where the counts come from.
    seed
        Of the exchanges.

    Returns
    -------
    ByClimber. ``tests``: rao_scott (from 10 climbers) and permutation_by_climber (permutation_by_case without a column
    ``climber``; up to 20 000 units); empty where fewer than 10 units or two levels can be compared.
    """
    items, named = _with_climber(counted)
    case_key, turned = _unit_of(items, keys, counted)
    rows, columns, apart = _rectangle(tested, keys[::-1] if turned else keys, fixed=bool(case_key))
    blocks = blocks_of(items, rows=rows, columns=columns, case_key=case_key)
    unit = ("cases" if case_key else "findings") if counted.cases_repeat else "rows"
    notes = _apart_notes(apart, rows[0])
    varies = (blocks.in_column > 0) & (blocks.in_column < len(blocks.row))
    free = min(int((blocks.in_row > 0).sum()) - 1, int(varies.sum()))
    found = _Found(tests=no_tests(), effects=np.ones(blocks.shape), mean_effect=1.0, permuted=False)
    if free >= 1 and len(blocks.row) >= MIN_FOR_TEST:
        found = _tests(blocks, named=named, seed=seed)
        notes += _test_notes(blocks, unit)
    return ByClimber(
        rows=rows,
        columns=columns,
        blocks=blocks,
        unit=unit,
        effects=found.effects,
        mean_effect=found.mean_effect,
        tests=found.tests,
        notes=notes,
        permuted=found.permuted,
    )


def _with_climber(counted: Counted) -> tuple[nw.LazyFrame[Any], bool]:
    """Make a climber of each case that names none, so that the findings of a case stay together."""
    present = counted.items.collect_schema().names()
    named = CLIMBER in present
    if not (counted.cases_repeat and counted.case_key):
        return counted.items, named
    own = nw.concat_str([nw.lit("case"), *(nw.col(name).cast(nw.String) for name in counted.case_key)], separator=":")
    if named:
        own = nw.when(nw.col(CLIMBER).is_null()).then(own).otherwise(nw.col(CLIMBER).cast(nw.String))
    return counted.items.with_columns(own.alias(CLIMBER)), named


def _unit_of(items: nw.LazyFrame[Any], keys: list[str], counted: Counted) -> tuple[list[str], bool]:
    """Say which columns name a unit, and whether it is the second column of which a unit has one label.

    Where a case may differ in both columns, each of its findings is a unit of its own.
    """
    if not counted.cases_repeat:
        return [], False
    labelled = [one_number(distinct(items, [*counted.case_key, key]).select(nw.len())) for key in keys]
    cases = one_number(distinct(items, counted.case_key).select(nw.len()))
    if cases in labelled:
        return counted.case_key, labelled[0] != cases
    return [], False


def _rectangle(
    tested: pd.DataFrame, keys: list[str], *, fixed: bool
) -> tuple[tuple[str, list[str]], tuple[str, list[str]], list[str]]:
    """Return the largest part of a table in which every cell can be: rows, columns, and the rows set apart."""
    first, second = keys
    if not tested["impossible"].any():
        return (first, _levels(tested, first)), (second, _levels(tested, second)), []
    if not fixed and len(_patterns(tested, second, first)) < len(_patterns(tested, first, second)):
        first, second = second, first
    patterns = _patterns(tested, first, second)
    cannot, rows = max(patterns.items(), key=lambda pair: sum(pair[1].values()))
    columns = [level for level in _levels(tested, second) if level not in cannot]
    apart = [level for level in _levels(tested, first) if level not in rows]
    return (first, list(rows)), (second, columns), apart


def _levels(tested: pd.DataFrame, column: str) -> list[str]:
    return list(dict.fromkeys(tested[column]))


def _patterns(tested: pd.DataFrame, down: str, across: str) -> dict[frozenset[str], dict[str, int]]:
    """Group the levels of a column by what they cannot have; each with its count."""
    patterns: dict[frozenset[str], dict[str, int]] = {}
    for level in _levels(tested, down):
        part = tested[tested[down] == level]
        cannot = frozenset(part.loc[part["impossible"], across])
        patterns.setdefault(cannot, {})[level] = int(part["n"].sum())
    return patterns


@dataclass(frozen=True, kw_only=True, eq=False)
class _Found:
    tests: pd.DataFrame
    effects: Floats
    mean_effect: float
    permuted: bool


def _tests(blocks: Blocks, *, named: bool, seed: int) -> _Found:
    corrected, lines = rao_scott(blocks), []
    variance, mean = corrected.variance, corrected.design_effect
    if blocks.climbers >= MIN_CLUSTERS and np.isfinite(corrected.statistic):
        lines.append(("rao_scott", corrected.statistic, corrected.df, corrected.p_value))
    permuted = len(blocks.row) <= MAX_PERMUTED
    if permuted:
        drawn = permuted_by_climber(blocks, seed=seed)
        word = "permutation_by_climber" if named else "permutation_by_case"
        lines.append((word, drawn.statistic, float("nan"), drawn.p_value))
        # Under no relation, and steady where cells are sparse: the linearised one is neither.
        variance, mean = drawn.variance, drawn.mean_statistic / _mean_if_independent(blocks)
    return _Found(
        tests=pd.DataFrame(lines, columns=list(no_tests().columns)),
        effects=_effects(blocks, variance),
        mean_effect=max(1.0, mean) if blocks.repeated and np.isfinite(mean) else 1.0,
        permuted=permuted,
    )


def _mean_if_independent(blocks: Blocks) -> float:
    """Return what the statistic is on average when independent units are exchanged."""
    units, rows, columns = len(blocks.row), blocks.in_row, blocks.in_column
    return float(((rows > 0).sum() - 1) * ((1 - columns / units)[columns > 0]).sum() * units / (units - 1))


def _effects(blocks: Blocks, variance: Floats) -> Floats:
    """Compare the variance of each count with that of independent units given both margins."""
    if not blocks.repeated:
        return np.ones(blocks.shape)
    units, rows, columns = len(blocks.row), blocks.in_row, blocks.in_column
    simple = np.outer(rows * (units - rows), columns * (units - columns)) / (units**2 * (units - 1))
    ratio = np.divide(variance, simple, out=np.ones(simple.shape), where=simple > 0)
    return np.maximum(1.0, ratio)


def _apart_notes(apart: list[str], column: str) -> list[Note]:
    if not apart:
        return []
    sentence = f"Left out of the tests by climber, because what it can have differs: {column} {', '.join(apart)}."
    return [Note("apart_in_test", sentence)]


def _test_notes(blocks: Blocks, unit: str) -> list[Note]:
    notes = []
    expected = blocks.expected[blocks.expected > 0]
    few = int((expected < SPARSE_EXPECTED).sum())
    if len(blocks.row) > MAX_PERMUTED:
        sentence = f"With more than {MAX_PERMUTED} {unit} no climbers are exchanged; Rao and Scott's test stands alone."
        notes.append(Note("not_permuted", sentence))
    elif few and blocks.climbers >= MIN_CLUSTERS:
        sentence = (
            f"{few} of {len(expected)} counts expected in the tests by climber lie below {SPARSE_EXPECTED}: the "
            f"permutation holds, Rao and Scott's correction is rough."
        )
        notes.append(Note("sparse_by_climber", sentence))
    if blocks.climbers < MIN_CLUSTERS:
        sentence = f"With fewer than {MIN_CLUSTERS} climbers Rao and Scott's correction is not given."
        notes.append(Note("few_clusters", sentence))
    return notes
