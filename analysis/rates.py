"""Events per unit of exposure, with exact limits, and rate ratios against a reference."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.levels import MISSING_LEVELS, level_word
from analysis.poisson import exact_limits, rate_ratio
from analysis.proportions import normal_quantile
from analysis.results import EventRates, Note
from analysis.sources import in_order, level_of
from analysis.survival import SortedRows, nothing_left, refuse_empty, sort_out
from analysis.tallies import kind_of
from analysis.thresholds import CONF_LEVEL, MIN_EVENTS
from registry.door import enter, require
from registry.errors import DataError, InputError, OptionError, suggestion

RATE_COLUMNS = ("events", "exposure", "estimate", "conf_low", "conf_high")
RATIO_COLUMNS = ("reference", "method", "estimate", "conf_low", "conf_high", "p_value")

Cells = dict[tuple[Any, ...], tuple[int, float]]
"""Events and exposure of each cell."""


def event_rates(
    frame: Any,
    *,
    events: str,
    exposure: str,
    by: str | Sequence[str] | None = None,
    per: float = 1000,
    reference: Any = None,
    conf_level: float = CONF_LEVEL,
    exposure_unit: str = "hours",
) -> EventRates:
    """Estimate events per unit of exposure in each group.

    Parameters
    ----------
    frame
        n rows: pandas, polars, pyarrow, narwhals or a dict of columns. Counts and exposure are added up over
        the rows of a group; a row may have exposure and no events, or events and no exposure of its own.
    events
        Column of counts (whole numbers, zero or more) or of true/false, one event for each true.
    exposure
        Column of exposure in ``exposure_unit``, zero or more.
    by
        Column or columns that make the groups; an empty cell is the level 'not recorded'.
    per
        The rate is stated per this many units of exposure.
    reference
        The level that the others are compared with (one value for each column of ``by``, as a tuple where there
        are several); by default the first level in the order of the code list. Words without a code list, also
        those of a categorical column, are sorted alphabetically.
    conf_level
        Level of the limits.
    exposure_unit
        The unit of exposure, for the labels.

    Returns
    -------
    EventRates
        table: the columns of ``by``, events, exposure (sum, in ``exposure_unit``), estimate (per ``per``
        units), conf_low, conf_high (exact Poisson). ratios: the columns of ``by``, reference, method
        (conditional_exact, conditional_mid_p, wald_log), estimate, conf_low, conf_high, p_value.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError, OptionError
        When a column holds something else than counts or exposure, or an option makes no sense.
    DataError
        When a count or an exposure is negative, or there is no exposure at all.

    References
    ----------
    Garwood F (1936). Biometrika 28:437-442 (limits).
    Rothman KJ, Greenland S, Lash TL (2008). Modern epidemiology, 3rd ed., chapter 14 (ratios; from memory).

    Examples
    --------
    >>> visits = {"injuries": [30], "hours": [1_434_355]}
    >>> event_rates(visits, events="injuries", exposure="hours").table["estimate"].round(4).tolist()
    [0.0209]
    """
    normal_quantile(conf_level)  # refuses a level outside 0 to 1 before the rows are read
    check_per(per)
    keys = columns_of(by)
    data = enter(frame)
    _check_columns(data, events, exposure, keys)
    rows = sort_out(data, _reasons(events, exposure))
    _refuse_impossible(rows, events, exposure)
    if not rows.n_used:
        raise DataError(nothing_left("rows", rows))
    cells = _cells(rows.used, events, exposure, keys)
    if not sum(amount for _, amount in cells.values()):
        raise DataError(
            f"the {exposure_unit} in '{exposure}' add up to zero; a rate needs exposure. Give the exposure of "
            f"everyone who could have had an event, not of those who had one."
        )
    against = reference_cell(list(cells), keys, reference)
    table, ratios = rate_table(cells, keys, per, conf_level), ratio_table(cells, keys, against, conf_level)
    return EventRates(
        table=table,
        method=f"'{events}' per {per:g} {exposure_unit}, exact Poisson limits (Garwood)"
        + ("; ratios: conditional exact, conditional mid-P, Wald on the log scale" if len(ratios) else ""),
        unit="rows",
        conf_level=conf_level,
        n_rows_in=rows.n_in,
        n_rows_used=rows.n_used,
        left_out=rows.left_out,
        notes=tuple(rate_notes(cells, ratios, exposure_unit, conf_level)),
        by=tuple(keys),
        per=per,
        exposure_unit=exposure_unit,
        ratios=ratios,
    )


def columns_of(by: str | Sequence[str] | None) -> list[str]:
    """Return ``by`` as a list of columns."""
    return [] if by is None else [by] if isinstance(by, str) else list(dict.fromkeys(by))


def check_per(per: float) -> None:
    """Raise OptionError unless a rate can be stated per that much exposure."""
    if not (per > 0 and math.isfinite(per)):
        raise OptionError(f"per is {per}; a number above zero is needed, such as 1000.")


IMPOSSIBLE_EVENTS = "negative or broken count of events"
IMPOSSIBLE_EXPOSURE = "negative or endless exposure"


def _check_columns(data: nw.LazyFrame[Any], events: str, exposure: str, keys: Sequence[str]) -> None:
    require(data, [(events, "the events"), (exposure, "the exposure"), *((key, "the group") for key in keys)])
    schema = data.collect_schema()
    if schema[events] != nw.Boolean and not schema[events].is_numeric():
        refuse_empty(data, events, "the events")
        raise InputError(
            f"column '{events}' (given as the events) holds {kind_of(schema[events])}; give counts (0, 1, 2, "
            f"...) or true/false."
        )
    if not schema[exposure].is_numeric():
        refuse_empty(data, exposure, "the exposure")
        raise InputError(
            f"column '{exposure}' (given as the exposure) holds {kind_of(schema[exposure])}; give a number, for "
            f"example hours."
        )
    taken = sorted(set(keys) & {*RATE_COLUMNS, *RATIO_COLUMNS, "denominator"} - {events, exposure})
    if taken or {events, exposure} & set(keys):
        name = (taken or sorted({events, exposure} & set(keys)))[0]
        raise InputError(f"column '{name}' cannot make groups here; rename it or choose another.")


def _reasons(events: str, exposure: str) -> dict[str, nw.Expr]:
    count, amount = nw.col(events).cast(nw.Float64), nw.col(exposure).cast(nw.Float64)
    endless = float("inf")
    return {
        # The first two are for the message only: such rows are refused, not left out.
        IMPOSSIBLE_EVENTS: (count < 0) | (count != count.floor()) | (count == endless),
        IMPOSSIBLE_EXPOSURE: (amount < 0) | (amount == endless),
        f"no '{events}' (the events)": count.is_null(),
        f"no '{exposure}' (the exposure)": amount.is_null(),
    }


def _refuse_impossible(rows: SortedRows, events: str, exposure: str) -> None:
    for reason, column in ((IMPOSSIBLE_EVENTS, events), (IMPOSSIBLE_EXPOSURE, exposure)):
        bad = int(rows.left_out.loc[rows.left_out["reason"] == reason, "n"].sum())
        if bad:
            raise DataError(
                f"{bad} of {rows.n_in} rows have a {reason} in '{column}'. Mend them in the source; events are "
                f"whole numbers and exposure is a finite number, both zero or more."
            )


def _cells(data: nw.LazyFrame[Any], events: str, exposure: str, keys: Sequence[str]) -> Cells:
    # The database counts how often each amount occurs and Python adds exactly: sums of fractions in SQL
    # differ in their last digits from run to run.
    picked = data.select(
        *[nw.col(key) for key in keys],
        nw.col(events).cast(nw.Int64).alias("events"),
        nw.col(exposure).cast(nw.Float64).alias("exposure"),
    )
    grouped = picked.group_by([*keys, "exposure"]).agg(
        events=nw.col("events").sum().cast(nw.Int64), n=nw.len().cast(nw.Int64)
    )
    parts: dict[tuple[Any, ...], tuple[list[int], list[float]]] = {}
    collected = grouped.collect().to_pandas()
    levels = [collected[key].map(level_of, na_action=None) for key in keys]
    cells = zip(*levels, strict=True) if keys else [()] * len(collected)
    values = zip(collected["events"], collected["exposure"], collected["n"], strict=True)
    for cell, (count, amount, n) in zip(cells, values, strict=True):
        counts, amounts = parts.setdefault(cell, ([], []))
        counts.append(int(count))
        amounts.append(amount * n)
    sums = {cell: (sum(counts), math.fsum(amounts)) for cell, (counts, amounts) in parts.items()}
    return {cell: sums[cell] for cell in cells_in_order(sums, keys)}


def cells_in_order(cells: Mapping[tuple[Any, ...], Any], keys: Sequence[str]) -> list[tuple[Any, ...]]:
    """Sort cells by the code lists of their columns."""
    places = [
        {level: place for place, level in enumerate(in_order(key, [cell[i] for cell in cells]))}
        for i, key in enumerate(keys)
    ]
    return sorted(cells, key=lambda cell: [place[level] for place, level in zip(places, cell, strict=True)])


def reference_cell(cells: Sequence[tuple[Any, ...]], keys: Sequence[str], reference: Any) -> tuple[Any, ...] | None:
    """Return the cell that the others are compared with; None when there is nothing to compare."""
    if not keys:
        if reference is not None:
            raise OptionError("a reference needs groups: name the column in by.")
        return None
    if reference is None:
        named = [cell for cell in cells if not set(cell) & set(MISSING_LEVELS)]
        return (named or list(cells))[0]
    wanted = reference if isinstance(reference, tuple | list) else (reference,)
    words = {name_of(cell): cell for cell in cells}
    asked = name_of(tuple(wanted))
    if asked not in words:
        listed = ", ".join(f"'{word}'" for word in words)
        raise OptionError(f"no group '{asked}' (given as the reference); there are {listed}.{suggestion(asked, words)}")
    return words[asked]


def name_of(cell: tuple[Any, ...]) -> str:
    """Write a cell as words, with a stroke between its levels."""
    return " / ".join(level_word(level) for level in cell)


def rate_table(cells: Cells, keys: Sequence[str], per: float, conf_level: float) -> pd.DataFrame:
    """Return one row for each cell: events, exposure, rate and exact limits; no rate without exposure."""
    rows = []
    for cell, (count, amount) in cells.items():
        if amount > 0:
            limits = exact_limits(count, conf_level=conf_level)
            rates = [value / amount * per for value in (count, *limits)]
        else:
            rates = [float("nan")] * 3
        rows.append((*cell, count, amount, *rates))
    return pd.DataFrame(rows, columns=[*keys, *RATE_COLUMNS])


def ratio_table(cells: Cells, keys: Sequence[str], against: tuple[Any, ...] | None, conf_level: float) -> pd.DataFrame:
    """Return three rows, one a method, for each cell that can be compared with the reference."""
    rows = []
    if against is not None and cells[against][1] > 0:
        for cell, (count, amount) in cells.items():
            if cell == against or not amount > 0:
                continue
            ratios = rate_ratio(count, amount, *cells[against], conf_level=conf_level)
            rows += [
                (*cell, name_of(against), method, r.estimate, r.conf_low, r.conf_high, r.p_value)
                for method, r in ratios.items()
            ]
    return pd.DataFrame(rows, columns=[*keys, *RATIO_COLUMNS])


def rate_notes(cells: Cells, ratios: pd.DataFrame, exposure_unit: str, conf_level: float) -> list[Note]:
    """Say where a rate is missing, rests on few events, or p and limits disagree."""
    notes = []
    bare = [f"{name_of(cell) or 'all'} (events: {n})" for cell, (n, amount) in cells.items() if not amount > 0]
    if bare:
        sentence = f"No {exposure_unit}, so that there is no rate: {', '.join(bare)}."
        notes.append(Note("no_exposure", sentence))
    few = [f"{name_of(cell) or 'all'} ({n})" for cell, (n, _) in cells.items() if n < MIN_EVENTS]
    if few:
        sentence = f"Fewer than {MIN_EVENTS} events, so that the limits are wide: {', '.join(few)}."
        notes.append(Note("few_events", sentence))
    exact = ratios[ratios["method"] == "conditional_exact"]
    outside = (exact["conf_low"] > 1) | (exact["conf_high"] < 1)
    if ((exact["p_value"] < 1 - conf_level) != outside).any():
        notes.append(
            Note(
                "p_and_limits",
                "An exact p-value and exact limits disagree about a ratio of 1: the limits cut equal tails, the "
                "p-value does not. Read the limits.",
            )
        )
    return notes
