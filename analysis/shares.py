"""Which finger, which structure, doing what: counts, shares and their limits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.clusters import CLIMBER, Repeats, climber_moments, repeats
from analysis.cross_table import CrossTable, cross_table
from analysis.levels import MISSING_LEVELS, level_word, ordered_levels
from analysis.proportions import effective_size, normal_quantile, wilson_limits
from analysis.results import Distribution, Note, no_rows_left_out, no_tests
from analysis.sources import cases_of, findings_of, is_view, refuse_persons
from analysis.tallies import counts_by_cell
from analysis.thresholds import CONF_LEVEL
from registry.dictionary.anatomy import impossible, impossible_joint
from registry.door import require
from registry.errors import InputError, OptionError, suggestion

CASE, SITE, ROW_TOTAL, COLUMN_TOTAL = "case", "site", "row_total", "column_total"
RESULT_COLUMNS = ("n", "of", "estimate", "conf_low", "conf_high")
CROSS_COLUMNS = ("row_share", "column_share", "expected", "residual", "impossible")

CANNOT_BE = {
    ("digit", "structure"): impossible,
    ("digit", "main_structure"): impossible,
    ("digit", "joint"): impossible_joint,
}


def distribution(
    cases_or_findings: Any,
    *,
    by: str | Sequence[str],
    of: Literal["cases", "findings"] | None = None,
    conf_level: float = CONF_LEVEL,
    seed: int = 1,
) -> Distribution:
    """Count cases or findings by one or more columns, with shares and Wilson limits.

    Parameters
    ----------
    cases_or_findings
        An opened registry or freeze, or a frame of n rows. Where a column ``climber`` repeats, the limits are
        those of the effective sample size. Where a column ``case`` repeats, the shares are shares of cases
        (see Notes).
    by
        One or more columns.
    of
        What a registry's table counts: 'cases' (fingers; the default) or 'findings' (structures).
    conf_level
        Level of the limits.
    seed
        Of the Monte-Carlo p-value; used only where expected counts are small.

    Returns
    -------
    Distribution. ``table``: the columns of ``by``, n, of (the denominator), estimate (n / of), conf_low,
    conf_high; for two columns also row_share and column_share (of all in the row or column), expected,
    residual (adjusted), impossible. For one column with a code list, codes that do not occur are rows too.
    ``tests`` for two columns: pearson (or pearson_monte_carlo), g_squared, cramers_v.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError, OptionError
        When ``by`` is empty or names a column twice, or an option is not one of those that exist.

    Notes
    -----
    A case with two structures counts in the row of each. The denominator is then the number of distinct cases
    that have a finding, the shares add up to more than 1, and no chi-square is computed: it needs one label a
    case. Missing values are levels of their own, counted in every denominator; expected counts and tests
    leave them out.

    References
    ----------
    Newcombe RG 1998, Stat Med 17:857-872 (method 3). See ``effective_size`` and ``cross_table`` for the rest.

    Examples
    --------
    >>> table = distribution({"digit": ["ring", "ring", "middle"]}, by="digit").table
    >>> table[["digit", "n", "of"]].to_numpy().tolist()[2:]
    [['middle', 1, 3], ['ring', 2, 3], ['little', 0, 3]]
    """
    normal_quantile(conf_level)
    keys = _columns(by)
    refuse_persons(cases_or_findings, keys)
    frame, unit = _rows(cases_or_findings, of)
    require(frame, [(name, "by") for name in keys])
    counted = _count(frame, keys)
    full = _with_every_cell(counted.cells, keys)
    full = _with_shares(full, keys, counted, conf_level)
    notes = _notes(counted, unit)
    cross = None
    if len(keys) == 2:
        full, cross, more = _crossed(full, keys, counted, seed)
        notes = (*notes, *more)
    columns = [*keys, *RESULT_COLUMNS, *(CROSS_COLUMNS if len(keys) == 2 else ())]
    return Distribution(
        table=full[columns],
        method=_method(keys, counted, unit, conf_level),
        unit=unit,
        conf_level=conf_level,
        n_rows_in=counted.n_rows,
        n_rows_used=counted.n_rows - counted.without_case,
        left_out=_left_out(counted),
        notes=notes,
        seed=seed if cross is not None and cross.simulated else None,
        by=tuple(keys),
        tests=no_tests() if cross is None else cross.tests,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Counted:
    cells: pd.DataFrame
    """by, n; with squares and products where climbers repeat, and the margins where cases do."""
    of: int
    n_rows: int
    without_case: int
    cases_repeat: bool
    repeats: Repeats | None


def _columns(by: str | Sequence[str]) -> list[str]:
    keys = [by] if isinstance(by, str) else list(by)
    if not keys:
        raise InputError("by is empty; give one or more columns, for example by='digit'.")
    twice = sorted({name for name in keys if keys.count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice in by; give each column once.")
    taken = sorted(set(keys) & {*RESULT_COLUMNS, *CROSS_COLUMNS})
    if taken:
        raise InputError(f"column '{taken[0]}' has the name of a column of the result; rename it.")
    return keys


def _rows(source: Any, of: str | None) -> tuple[nw.LazyFrame[Any], str]:
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


def _count(frame: nw.LazyFrame[Any], keys: list[str]) -> _Counted:
    present = frame.collect_schema().names()
    counts = frame.select(rows=nw.len(), cases=nw.col(CASE).count() if CASE in present else nw.len())
    n_rows, with_case = counts.collect().to_pandas().astype(int).to_numpy()[0]
    case_key = [name for name in (SITE, CASE) if name in present]
    who = [CLIMBER] if CLIMBER in present else []
    items, units = frame, frame
    cases_repeat = with_case > 0 and CASE in present and _repeat(frame, case_key)
    if cases_repeat:
        known = frame.filter(~nw.col(CASE).is_null())
        items = _distinct(known, [*case_key, *who, *keys])
        units = _distinct(known, [*case_key, *who])
    else:
        with_case = n_rows
    cells = counts_by_cell(items, keys)
    of = _number(units.select(nw.len()))
    again = repeats(units) if who else None
    if again is not None and again.repeaters:
        cells = cells.merge(climber_moments(items, keys, units=units), on=keys, how="left")
    if cases_repeat and len(keys) == 2:
        for name, total in zip(keys, (ROW_TOTAL, COLUMN_TOTAL), strict=True):
            margin = counts_by_cell(_distinct(items, [*case_key, name]), name)
            cells = cells.merge(margin.rename(columns={"n": total}), on=name, how="left")
    return _Counted(
        cells=cells,
        of=of,
        n_rows=n_rows,
        without_case=n_rows - with_case,
        cases_repeat=cases_repeat,
        repeats=again,
    )


def _distinct(frame: nw.LazyFrame[Any], columns: list[str]) -> nw.LazyFrame[Any]:
    unique = list(dict.fromkeys(columns))
    return frame.group_by(unique).agg(nw.len().alias("__rows")).drop("__rows")


def _repeat(frame: nw.LazyFrame[Any], case_key: list[str]) -> bool:
    known = frame.filter(~nw.col(CASE).is_null())
    return _number(known.group_by(case_key).agg(times=nw.len()).select(nw.col("times").max())) > 1


def _number(one_cell: nw.LazyFrame[Any]) -> int:
    return int(one_cell.collect().to_pandas().to_numpy()[0, 0])


def _with_every_cell(cells: pd.DataFrame, keys: list[str]) -> pd.DataFrame:
    """Name the levels, put them in order, and add the cells that are empty."""
    named = cells.copy()
    orders = []
    for name in keys:
        named[name] = pd.Series([level_word(value) for value in cells[name]], dtype=object, index=cells.index)
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


def _with_shares(table: pd.DataFrame, keys: list[str], counted: _Counted, conf_level: float) -> pd.DataFrame:
    again = counted.repeats
    effective = None
    if again is not None and again.repeaters:
        effective = effective_size(
            table["n"],
            counted.of,
            clusters=again.climbers,
            squares=table["squares"],
            products=table["products"],
            sizes=again.sizes,
        )
    limits = wilson_limits(table["n"].to_numpy(), counted.of, conf_level=conf_level, effective=effective)
    shares = table["n"] / counted.of if counted.of else pd.Series(np.nan, index=table.index)
    return table.assign(of=counted.of, estimate=shares, conf_low=limits[:, 0], conf_high=limits[:, 1])


def _crossed(
    table: pd.DataFrame, keys: list[str], counted: _Counted, seed: int
) -> tuple[pd.DataFrame, CrossTable | None, tuple[Note, ...]]:
    first, second = keys
    flags = np.array([_cannot_be(keys, a, b) for a, b in zip(table[first], table[second], strict=True)], dtype=bool)
    table = table.assign(impossible=flags, expected=np.nan, residual=np.nan)
    for name, total, share in ((first, ROW_TOTAL, "row_share"), (second, COLUMN_TOTAL, "column_share")):
        groups = table.groupby(name, sort=False, dropna=False)
        sums = groups[total].transform("max") if counted.cases_repeat else groups["n"].transform("sum")
        table[share] = table["n"] / sums.where(sums > 0)
    if counted.cases_repeat or table.empty:
        return table, None, ()
    recorded = ~(table[first].isin(MISSING_LEVELS) | table[second].isin(MISSING_LEVELS)).to_numpy()
    rows, columns = (table.loc[recorded, name].nunique() for name in keys)
    tested = table[recorded]
    possible = ~tested["impossible"].to_numpy().reshape(rows, columns)
    cross = cross_table(tested["n"].to_numpy().reshape(rows, columns), possible, seed=seed)
    table.loc[recorded, "expected"] = cross.expected.ravel()
    table.loc[recorded, "residual"] = cross.residual.ravel()
    return table, cross, (*_test_notes(table, recorded, counted, tested=len(cross.tests) > 0), *cross.notes)


def _cannot_be(keys: list[str], first: Any, second: Any) -> bool:
    forward, backward = CANNOT_BE.get((keys[0], keys[1])), CANNOT_BE.get((keys[1], keys[0]))
    if forward is not None:
        return forward(str(first), str(second))
    return backward is not None and backward(str(second), str(first))


def _test_notes(table: pd.DataFrame, recorded: Any, counted: _Counted, *, tested: bool) -> tuple[Note, ...]:
    notes = []
    missing = int(table.loc[~recorded, "n"].sum())
    if missing:
        sentence = f"{missing} of {counted.of} have a missing level; expected counts and tests leave them out."
        notes.append(Note("test_leaves_out_missing", sentence))
    filled = int(table.loc[table["impossible"], "n"].sum())
    if filled:
        sentence = f"{filled} lie in cells that no hand has; check them. They take no part in the test."
        notes.append(Note("impossible_cells_filled", sentence))
    if tested and counted.repeats is not None and counted.repeats.repeaters:
        sentence = "The chi-square takes rows as independent, although climbers repeat; read it as a description."
        notes.append(Note("test_ignores_repeats", sentence))
    return tuple(notes)


def _notes(counted: _Counted, unit: str) -> tuple[Note, ...]:
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
        notes.append(Note("climbers_repeat", sentence))
    if counted.cases_repeat:
        sentence = (
            f"A case counts in the row of each of its findings: shares are of {counted.of} cases with a "
            f"finding, may add up to more than 1, and are not tested by chi-square."
        )
        notes.append(Note("no_pearson_on_findings", sentence))
    return tuple(notes)


def _left_out(counted: _Counted) -> pd.DataFrame:
    if not counted.without_case:
        return no_rows_left_out()
    return pd.DataFrame({"reason": ["no case given"], "n": [counted.without_case]})


def _method(keys: list[str], counted: _Counted, unit: str, conf_level: float) -> str:
    what = "cases with a finding" if counted.cases_repeat else unit
    text = f"Shares of {counted.of} {what} (missing levels included) by {' and '.join(keys)}, "
    text += f"with {conf_level * 100:g} % Wilson score limits"
    if counted.repeats is not None and counted.repeats.repeaters:
        text += " on an effective sample size (variance linearised by climber)"
    if len(keys) == 2:
        text += f"; row shares are of all in the same {keys[0]}, column shares of all in the same {keys[1]}"
    return text + "."
