"""Counts behind a distribution: units in each cell, among how many, and how far climbers and cases repeat."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any, Final

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.clusters import CLIMBER, Repeats, climber_moments, repeats
from analysis.levels import level_word, ordered_levels
from analysis.results import Note, no_rows_left_out
from analysis.sources import cases_of, findings_of, is_view
from analysis.tallies import counts_by_cell
from registry.errors import InputError, OptionError, suggestion

CASE: Final[str] = "case"
SITE: Final[str] = "site"
ROW_TOTAL: Final[str] = "row_total"
COLUMN_TOTAL: Final[str] = "column_total"
WORKING_NAMES: Final = ("n", "squares", "products", ROW_TOTAL, COLUMN_TOTAL, "x_", "m_", "xx_", "xm_")
"""Columns that counting adds."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Counted:
    """Units by cell.

    Attributes
    ----------
    cells
        The columns asked for, n; with squares and products where climbers repeat, and row_total and column_total
        (cases in all of the row or column) where a case has several rows.
    items, units
        One row for each unit and cell in which it counts; one row a unit.
    of
        Units in all.
    n_rows, without_case
        Rows, and how many of them name no case although others repeat.
    cases_repeat
        Whether a case has several rows: then the unit is the case.
    case_key
        Columns that name a case.
    repeats
        How climbers repeat; None without a column ``climber``.
    """

    cells: pd.DataFrame
    items: nw.LazyFrame[Any]
    units: nw.LazyFrame[Any]
    of: int
    n_rows: int
    without_case: int
    cases_repeat: bool
    case_key: list[str]
    repeats: Repeats | None

    @property
    def climbers_repeat(self) -> bool:
        """Whether some climber has several units."""
        return self.repeats is not None and self.repeats.repeaters > 0

    @property
    def left_out(self) -> pd.DataFrame:
        """Reasons and numbers of rows that were not counted."""
        if not self.without_case:
            return no_rows_left_out()
        return pd.DataFrame({"reason": ["no case given"], "n": [self.without_case]})


def rows_of(source: Any, of: str | None) -> tuple[nw.LazyFrame[Any], str]:
    """Return the rows that a distribution counts, and what they are: cases, findings or rows."""
    choices = ("cases", "findings")
    if of is not None and of not in choices:
        raise OptionError(f"of is '{of}'; it is one of {', '.join(choices)}.{suggestion(of, choices)}")
    if is_view(source):
        return (findings_of(source), "findings") if of == "findings" else (cases_of(source), "cases")
    frame = cases_of(source)
    if of is None:
        present = frame.collect_schema().names()
        of = "findings" if "structure" in present else "cases" if "digit" in present else "rows"
    return frame, of


def refuse_taken(keys: Iterable[str], taken: Iterable[str]) -> None:
    """Raise InputError for a column that is called as one of the result's, or as one that counting adds."""
    clash = sorted(set(keys) & {*WORKING_NAMES, *taken})
    if clash:
        raise InputError(f"column '{clash[0]}' has the name of a column of the result; rename it.")


def count(frame: nw.LazyFrame[Any], keys: list[str]) -> Counted:
    """Count the units of a frame that has passed the door by one or more columns."""
    present = frame.collect_schema().names()
    counts = frame.select(rows=nw.len(), cases=nw.col(CASE).count() if CASE in present else nw.len())
    n_rows, with_case = counts.collect().to_pandas().astype(int).to_numpy()[0]
    case_key: list[str] = [name for name in (SITE, CASE) if name in present]
    who = [CLIMBER] if CLIMBER in present else []
    items, units = frame, frame
    cases_repeat = with_case > 0 and CASE in present and _repeat(frame, case_key)
    if cases_repeat:
        known = frame.filter(~nw.col(CASE).is_null())
        items = distinct(known, [*case_key, *who, *keys])
        units = distinct(known, [*case_key, *who])
    else:
        with_case = n_rows
    cells = counts_by_cell(items, keys)
    of = one_number(units.select(nw.len()))
    again = repeats(units) if who else None
    if again is not None and again.repeaters:
        cells = cells.merge(climber_moments(items, keys, units=units), on=keys, how="left")
    if cases_repeat and len(keys) == 2:
        for name, total in zip(keys, (ROW_TOTAL, COLUMN_TOTAL), strict=True):
            margin = counts_by_cell(distinct(items, [*case_key, name]), name)
            cells = cells.merge(margin.rename(columns={"n": total}), on=name, how="left")
    return Counted(
        cells=cells,
        items=items,
        units=units,
        of=of,
        n_rows=n_rows,
        without_case=n_rows - with_case,
        cases_repeat=cases_repeat,
        case_key=case_key,
        repeats=again,
    )


def notes_on(counted: Counted, unit: str, *, beside: bool) -> tuple[Note, ...]:
    """Say what the reader of counts has to know: nothing counted, climbers who repeat, cases with several labels.

    Parameters
    ----------
    counted
        The counts.
    unit
        What they count.
    beside
        Whether bootstrap limits stand beside the others.
    """
    notes = []
    if not counted.of:
        notes.append(Note("no_rows", "There are no rows, hence no shares."))
    again = counted.repeats
    if again is not None and again.repeaters:
        what = "cases" if counted.cases_repeat else unit
        sentence = (
            f"{again.repeaters} of {again.climbers} climbers appear more than once, with "
            f"{again.their_units} of {again.units} {what}; the limits allow for it."
        )
        if beside:
            sentence += (
                " Bootstrap limits stand beside them, but not where none or all were counted."
                if again.climbers > 1
                else " Of a single climber there are no bootstrap limits."
            )
        notes.append(Note("climbers_repeat", sentence))
    if counted.cases_repeat:
        sentence = (
            f"A case counts in the row of each of its findings: shares are of {counted.of} cases with a "
            f"finding, may add up to more than 1, have no simultaneous limits, and are not tested by chi-square."
        )
        notes.append(Note("no_pearson_on_findings", sentence))
    return tuple(notes)


def with_every_cell(cells: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Name the levels, put them in order, and add the cells that are empty."""
    named, orders = named_levels(cells, keys), []
    for name in keys:
        orders.append(ordered_levels(name, cells[name], with_empty=len(keys) == 1 and len(cells) > 0))
    # A cell that holds the very words 'not recorded' is the same level as an empty one.
    named = named.groupby(keys, as_index=False, sort=False).sum()
    if len(keys) <= 2:
        grid = pd.MultiIndex.from_product(orders, names=keys).to_frame(index=False).astype(object)
        named = grid.merge(named, on=keys, how="left")
    else:
        places = [
            named[name].map({level: i for i, level in enumerate(o)}) for name, o in zip(keys, orders, strict=True)
        ]
        named = named.iloc[np.lexsort(places[::-1])].reset_index(drop=True)
    for name in ("n", "squares", "products"):
        if name in named:
            named[name] = named[name].fillna(0).astype("int64")
    return named


def named_levels(cells: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Write the values of the columns as the words of their levels."""
    named = cells.copy()
    for name in keys:
        named[name] = pd.Series([level_word(value) for value in cells[name]], dtype=object, index=cells.index)
    return named


def distinct(frame: nw.LazyFrame[Any], columns: list[str]) -> nw.LazyFrame[Any]:
    """Return each combination of the columns once."""
    unique = list(dict.fromkeys(columns))
    return frame.group_by(unique).agg(nw.len().alias("__rows")).drop("__rows")


def _repeat(frame: nw.LazyFrame[Any], case_key: list[str]) -> bool:
    known = frame.filter(~nw.col(CASE).is_null())
    return one_number(known.group_by(case_key).agg(times=nw.len()).select(nw.col("times").max())) > 1


def one_number(one_cell: nw.LazyFrame[Any]) -> int:
    """Return the whole number in a table of one cell."""
    return int(one_cell.collect().to_pandas().to_numpy()[0, 0])
