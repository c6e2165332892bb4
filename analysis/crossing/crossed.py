"""Two columns at once: shares of row and column, what independence expects, tests, association and marked cells."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.crossing.association import cramers_v
from analysis.crossing.by_climber import ByClimber, climber_tests
from analysis.crossing.cross_table import CrossTable, cross_table
from analysis.crossing.crossed_trend import trend_lines
from analysis.crossing.marks import marked_cells
from analysis.levels import MISSING_LEVELS
from analysis.results import ASSOCIATION_COLUMNS, Note, no_tests
from analysis.share_counts import COLUMN_TOTAL, ROW_TOTAL, Counted
from analysis.thresholds import MIN_FOR_TEST, PERMUTATIONS
from registry.dictionary.anatomy import impossible, impossible_joint

Floats = npt.NDArray[np.float64]

CROSS_COLUMNS: Final = ("row_share", "column_share", "expected", "residual", "impossible", "marked")
CANNOT_BE: Final = {
    ("digit", "structure"): impossible,
    ("digit", "main_structure"): impossible,
    ("digit", "joint"): impossible_joint,
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Crossed:
    """A cross-table with its tests.

    Attributes
    ----------
    table
        The table of the distribution with ``CROSS_COLUMNS``.
    tests, association, notes
        As in ``Distribution``.
    by_drawing
        Whether a p-value comes from drawn tables or exchanged climbers.
    mean_effect
        By how much climbers who repeat inflate the chi-square, 1 or more.
    marks_say
        What residuals and marks are, for the method; '' where there are none.
    """

    table: pd.DataFrame
    tests: pd.DataFrame = field(default_factory=no_tests)
    association: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(ASSOCIATION_COLUMNS)))
    notes: tuple[Note, ...] = ()
    by_drawing: bool = False
    mean_effect: float = 1.0
    marks_say: str = ""


def crossed(table: pd.DataFrame, keys: list[str], counted: Counted, *, conf_level: float, seed: int) -> Crossed:
    """Complete the table of a distribution by two columns.

    Parameters
    ----------
    table
        The columns of ``keys`` (all pairs of levels, as words) and n; row_total and column_total where a case counts
        in several cells.
    keys
        The two columns.
    counted
        Where the counts come from.
    conf_level
        Level of the limits of the association; 1 minus it is the level of the marks.
    seed
        Of drawn tables and exchanged climbers.

    Returns
    -------
    Crossed. Missing levels take no part in expected counts, residuals, tests and marks.
    """
    first, second = keys
    flags = np.array([_cannot_be(keys, a, b) for a, b in zip(table[first], table[second], strict=True)], dtype=bool)
    table = table.assign(impossible=flags, expected=np.nan, residual=np.nan, marked="")
    for name, total, share in ((first, ROW_TOTAL, "row_share"), (second, COLUMN_TOTAL, "column_share")):
        groups = table.groupby(name, sort=False, dropna=False)
        sums = groups[total].transform("max") if counted.cases_repeat else groups["n"].transform("sum")
        table[share] = table["n"] / sums.where(sums > 0)
    if table.empty:
        return Crossed(table=table)
    recorded = ~(table[first].isin(MISSING_LEVELS) | table[second].isin(MISSING_LEVELS)).to_numpy()
    if counted.cases_repeat:
        return _of_several_labels(table, keys, counted, recorded, conf_level=conf_level, seed=seed)
    return _of_one_label(table, keys, counted, recorded, conf_level=conf_level, seed=seed)


def _of_one_label(
    table: pd.DataFrame, keys: list[str], counted: Counted, recorded: Any, *, conf_level: float, seed: int
) -> Crossed:
    tested = table[recorded]
    shape = (tested[keys[0]].nunique(), tested[keys[1]].nunique())
    counts = tested["n"].to_numpy().reshape(shape)
    cross = cross_table(counts, ~tested["impossible"].to_numpy().reshape(shape), seed=seed)
    by_climber = None
    if counted.climbers_repeat and len(cross.tests):
        by_climber = climber_tests(tested, keys, counted, seed=seed)
    effects = np.ones(shape) if by_climber is None else by_climber.effects_of(tested, keys).reshape(shape)
    residual = cross.residual / np.sqrt(effects)
    table = table.copy()
    table.loc[recorded, "expected"] = cross.expected.ravel()
    table.loc[recorded, "residual"] = residual.ravel()
    possible = counts * ~tested["impossible"].to_numpy().reshape(shape)
    if possible.sum() >= MIN_FOR_TEST:
        in_row = np.repeat(possible.sum(axis=1, keepdims=True), shape[1], axis=1)
        marks = marked_cells(
            possible.ravel(), cross.expected.ravel(), residual.ravel(),
            in_row=in_row.ravel(), units=int(possible.sum()), conf_level=conf_level,
        )  # fmt: skip
        table.loc[recorded, "marked"] = marks
    trends, more = trend_lines(tested, keys, by_climber) if len(cross.tests) else (no_tests(), ())
    robust = [] if by_climber is None else [by_climber.tests]
    notes = [*_notes(table, recorded, counted, tested=len(cross.tests) > 0), *cross.notes, *more]
    if by_climber is not None:
        notes += by_climber.notes
    association = _association(cross, by_climber, int(possible.sum()), conf_level=conf_level)
    return Crossed(
        table=table,
        tests=_stacked([cross.tests, *robust, trends]),
        association=association,
        notes=(*notes, *_above_its_limits(association)),
        by_drawing=cross.simulated or (by_climber is not None and by_climber.permuted),
        mean_effect=1.0 if by_climber is None else by_climber.mean_effect,
        marks_say=_marks_say(possible.sum() >= MIN_FOR_TEST, by_climber, conf_level),
    )


def _of_several_labels(
    table: pd.DataFrame, keys: list[str], counted: Counted, recorded: Any, *, conf_level: float, seed: int
) -> Crossed:
    """Test a table in which a case counts in several cells: by exchanging cases between climbers alone."""
    tested = table[recorded]
    notes = _notes(table, recorded, counted, tested=False)
    by_climber = climber_tests(tested, keys, counted, seed=seed)
    if by_climber.units < MIN_FOR_TEST or not len(by_climber.tests):
        word, sentence = "no_test", "Fewer than two levels can be compared, so there is nothing to test."
        if by_climber.units < MIN_FOR_TEST:
            word = "too_few_to_test"
            sentence = f"Fewer than {MIN_FOR_TEST} {by_climber.unit} can be compared; nothing is tested."
        return Crossed(table=table, notes=(*notes, Note(word, sentence)))
    table = table.copy()
    for name, values in (("expected", by_climber.expected_of), ("residual", by_climber.residual_of)):
        table.loc[recorded, name] = values(tested, keys)
    table.loc[recorded, "marked"] = marked_cells(
        tested["n"].to_numpy(), table.loc[recorded, "expected"].to_numpy(), table.loc[recorded, "residual"].to_numpy(),
        in_row=by_climber.in_row_of(tested, keys), units=by_climber.units, conf_level=conf_level,
    )  # fmt: skip
    return Crossed(
        table=table,
        tests=by_climber.tests,
        notes=(*notes, *by_climber.notes),
        by_drawing=by_climber.permuted,
        marks_say=_marks_say(True, by_climber, conf_level),
    )


def _marks_say(judged: bool, by_climber: ByClimber | None, conf_level: float) -> str:
    if not judged:
        return ""
    text = "cells are marked where the adjusted residual "
    if by_climber is not None and by_climber.blocks.repeated:
        text += "(its variance enlarged for climbers who repeat) "
    text += f"and the exact p given the margins both stand out among all cells (Holm, {100 - conf_level * 100:g} %)"
    if by_climber is not None and by_climber.permuted:
        text += f"; by climber: labels exchanged between climbers {PERMUTATIONS} times"
    return text


def _association(cross: CrossTable, by_climber: ByClimber | None, n: int, *, conf_level: float) -> pd.DataFrame:
    if cross.tests.empty:
        return pd.DataFrame(columns=list(ASSOCIATION_COLUMNS))
    pearson = cross.tests.iloc[0]
    effect = 1.0 if by_climber is None else by_climber.mean_effect
    return cramers_v(
        float(pearson["statistic"]), float(pearson["df"]),
        n=n, shape=cross.tested_shape, design_effect=effect, conf_level=conf_level,
    )  # fmt: skip


def _above_its_limits(association: pd.DataFrame) -> tuple[Note, ...]:
    if association.empty or float(association["estimate"].iloc[0]) <= float(association["conf_high"].iloc[0]):
        return ()
    sentence = (
        "Cramér's V of the sample lies above its own limits: unrelated labels, too, give some V in a table of this "
        "size. Read the corrected value."
    )
    return (Note("cramers_v_inflated", sentence),)


def _stacked(tables: list[pd.DataFrame]) -> pd.DataFrame:
    filled = [table for table in tables if len(table)]
    return pd.concat(filled, ignore_index=True) if filled else no_tests()


def _cannot_be(keys: list[str], first: Any, second: Any) -> bool:
    forward, backward = CANNOT_BE.get((keys[0], keys[1])), CANNOT_BE.get((keys[1], keys[0]))
    if forward is not None:
        return forward(str(first), str(second))
    return backward is not None and backward(str(second), str(first))


def _notes(table: pd.DataFrame, recorded: Any, counted: Counted, *, tested: bool) -> list[Note]:
    notes = []
    missing = int(table.loc[~recorded, "n"].sum())
    if missing and counted.cases_repeat:
        sentence = "Rows with a missing level take no part in expected counts and tests."
        notes.append(Note("test_leaves_out_missing", sentence))
    elif missing:
        sentence = f"{missing} of {counted.of} have a missing level; expected counts and tests leave them out."
        notes.append(Note("test_leaves_out_missing", sentence))
    filled = int(table.loc[table["impossible"], "n"].sum())
    if filled:
        sentence = f"{filled} lie in cells that no hand has; check them. They take no part in the test."
        notes.append(Note("impossible_cells_filled", sentence))
    if tested and counted.climbers_repeat:
        sentence = (
            "Pearson's chi-square and G² take rows as independent, although climbers repeat: read them as a "
            "description. The tests by climber, the residuals and the limits of Cramér's V allow for it."
        )
        notes.append(Note("test_ignores_repeats", sentence))
    return notes
