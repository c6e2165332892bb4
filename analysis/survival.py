"""Time until an event: Kaplan-Meier curves by group, with late entry, quantiles and the log-rank test."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.kaplan_meier import (
    CURVE_COLUMNS,
    RiskSets,
    first_supported_day,
    kaplan_meier,
    risk_sets,
    time_quantile,
)
from analysis.levels import MISSING_LEVELS, NOT_RECORDED
from analysis.log_rank import log_rank
from analysis.proportions import normal_quantile
from analysis.results import Note, SurvivalCurves, no_tests
from analysis.sources import in_order, level_of
from analysis.tallies import day_tally, kind_of, with_ties
from analysis.thresholds import CONF_LEVEL, MIN_EVENTS, QUANTILE_PROBABILITIES, SAME_TIME
from registry.door import enter, require
from registry.errors import DataError, InputError


def survival_curves(
    frame: Any,
    *,
    duration: str,
    event: str,
    by: str | None = None,
    entry: str | None = None,
    conf_level: float = CONF_LEVEL,
    time_unit: str = "days",
) -> SurvivalCurves:
    """Estimate the share still without the event over time, in each group.

    Parameters
    ----------
    frame
        n rows, one for each spell: pandas, polars, pyarrow, narwhals or a dict of columns.
    duration
        Column with the time from the clock's start to the event or to the last contact, in ``time_unit``;
        zero or more.
    event
        True/false column: did the spell end with the event? False means censored. Codes (1/2, 0/1) are
        refused.
    by
        Column that makes the groups; an empty cell is the group 'not recorded'. None: one group 'all'.
    entry
        Column with the time at which the spell came under observation (left truncation). Empty, zero and
        negative mean from the start. At risk at t means entry < t <= duration.
    conf_level
        Level of the limits.
    time_unit
        The unit of ``duration`` and ``entry``, for the labels.

    Returns
    -------
    SurvivalCurves
        table: group, time, at_risk (just before time), events, censored, estimate, std_error, conf_low,
        conf_high; one row for each time at which a spell of the group ends.
        quantiles: group, probability (share with the event), estimate, conf_low, conf_high in ``time_unit``.
        groups: group, n, events, censored, late_entries, first_time_shown. tests: log_rank.

    Raises
    ------
    ColumnError
        When the frame lacks a column.
    InputError
        When ``event`` is not true/false, a time is not a number, or a column is given twice.
    DataError
        When a duration is negative or endless, or no row can be used.

    References
    ----------
    Kaplan EL, Meier P (1958). J Am Stat Assoc 53:457-481.
    Brookmeyer R, Crowley J (1982). Biometrics 38:29-41 (limits of the quantiles).
    Mantel N (1966). Cancer Chemother Rep 50:163-170 (log-rank).

    Examples
    --------
    >>> weeks = {"weeks": [6, 6, 7, 9, 10], "relapse": [True, True, True, False, True]}
    >>> survival_curves(weeks, duration="weeks", event="relapse").table["estimate"].round(3).tolist()
    [0.6, 0.4, 0.4, 0.0]
    """
    normal_quantile(conf_level)  # refuses a level outside 0 to 1 before the rows are read
    data = enter(frame)
    _check_columns(data, duration=duration, event=event, by=by, entry=entry)
    sorted_rows = sort_out(data, _reasons(data, duration, event, entry))
    _refuse_impossible(sorted_rows, duration, time_unit)
    if not sorted_rows.n_used:
        raise DataError(nothing_left("rows", sorted_rows))
    tally = with_ties(day_tally(sorted_rows.used, duration, event, by=by, entry=entry))
    groups = by_group(tally, by)
    sets = {group: risk_sets(rows) for group, rows in groups.items()}
    curves = {group: kaplan_meier(each, conf_level=conf_level) for group, each in sets.items()}
    first = {group: each.first_time for group, each in sets.items()}
    tests, test_notes = log_rank_tests(sets)
    notes = [*_start_notes(groups, sets, curves, time_unit), *few_events(sets), *test_notes]
    late = "" if entry is None else f", left-truncated at '{entry}' (at risk: entry < t <= exit)"
    return SurvivalCurves(
        table=stacked(curves),
        method=f"Kaplan-Meier estimate of the share without '{event}'{late}, Greenwood error, log-log "
        "limits; quantiles with Brookmeyer-Crowley limits" + ("; log-rank test" if len(tests) else ""),
        unit="rows",
        conf_level=conf_level,
        n_rows_in=sorted_rows.n_in,
        n_rows_used=sorted_rows.n_used,
        left_out=sorted_rows.left_out,
        notes=tuple(notes),
        by=by,
        time_unit=time_unit,
        quantiles=quantiles(curves, first),
        groups=group_sizes(sets, first),
        tests=tests,
    )


@dataclass(frozen=True)
class SortedRows:
    """Rows that can be used, and how many cannot, by reason."""

    used: nw.LazyFrame[Any]
    n_in: int
    n_used: int
    left_out: pd.DataFrame


def sort_out(data: nw.LazyFrame[Any], reasons: Mapping[str, nw.Expr]) -> SortedRows:
    """Part the rows by the first reason that applies to them, in one pass.

    Parameters
    ----------
    data
        A frame inside DuckDB.
    reasons
        A sentence and the condition under which a row is left out for it; the first that holds counts.
    """
    reason: Any = nw.lit(len(reasons))
    for place, condition in reversed(list(enumerate(reasons.values()))):
        reason = nw.when(condition.fill_null(False)).then(nw.lit(place)).otherwise(reason)
    # Counting by a whole number is many times faster than by a sentence.
    counts = data.select(reason=reason).group_by("reason").agg(n=nw.len().cast(nw.Int64)).collect()
    found = dict(zip(counts["reason"].to_list(), counts["n"].to_list(), strict=True))
    named = [(name, found[place]) for place, name in enumerate(reasons) if place in found]
    left_out = pd.DataFrame(
        {
            "reason": pd.Series([name for name, _ in named], dtype=str),
            "n": pd.Series([n for _, n in named], dtype="int64"),
        }
    )
    used = data.filter(*[~condition.fill_null(False) for condition in reasons.values()])
    return SortedRows(used=used, n_in=sum(found.values()), n_used=found.get(len(reasons), 0), left_out=left_out)


def nothing_left(unit: str, rows: SortedRows) -> str:
    """Say that no row can be used, and why."""
    if not rows.n_in:
        return f"there are no {unit} to estimate from: the table is empty."
    reasons = "; ".join(f"{row.n}: {row.reason}" for row in rows.left_out.itertuples())
    return f"none of the {rows.n_in} {unit} can be used ({reasons})."


def _reasons(data: nw.LazyFrame[Any], duration: str, event: str, entry: str | None) -> dict[str, nw.Expr]:
    time = nw.col(duration)
    reasons = {
        # Named for the message only: such rows are refused, not left out.
        IMPOSSIBLE: (time < 0) | (time == float("inf")),
        f"no '{duration}' (the duration)": time.is_null(),
        f"no '{event}' (the event)": nw.col(event).is_null(),
    }
    if entry is not None:
        late, schema = nw.col(entry), data.collect_schema()
        whole = schema[duration].is_integer() and schema[entry].is_integer()
        # A spell shorter than the last digits of its times is no spell (see with_ties).
        end = time if whole else time * (1 - SAME_TIME)
        reasons[f"'{entry}' (the entry) not before the end of the spell"] = (late > 0) & (late >= end)
    return reasons


IMPOSSIBLE = "negative or endless duration"


def _refuse_impossible(rows: SortedRows, duration: str, time_unit: str) -> None:
    impossible = rows.left_out.loc[rows.left_out["reason"] == IMPOSSIBLE, "n"].sum()
    if impossible:
        raise DataError(
            f"{impossible} of {rows.n_in} rows have a negative or endless '{duration}' (given as the "
            f"duration, in {time_unit}). Mend them in the source, or filter them out and say so."
        )


def _check_columns(data: nw.LazyFrame[Any], *, duration: str, event: str, by: str | None, entry: str | None) -> None:
    roles = [(duration, "the duration"), (event, "the event"), (by, "the group"), (entry, "the entry")]
    require(data, [(column, role) for column, role in roles if column is not None])
    names = [column for column, _ in roles if column is not None]
    twice = sorted({name for name in names if names.count(name) > 1})
    if twice:
        raise InputError(f"column '{twice[0]}' is given twice; duration, event, by and entry are different columns.")
    schema = data.collect_schema()
    for column, role in ((duration, "the duration"), (entry, "the entry")):
        if column is not None and not schema[column].is_numeric():
            refuse_empty(data, column, role)
            raise InputError(
                f"column '{column}' (given as {role}) holds {kind_of(schema[column])}; give a number, for "
                f"example the days since onset."
            )
    if schema[event] != nw.Boolean:
        refuse_empty(data, event, "the event")
        raise InputError(_event_is_coded(data, event, schema[event]))


def refuse_empty(data: nw.LazyFrame[Any], column: str, role: str) -> None:
    """Raise DataError when no row has a value in the column: its type then says nothing."""
    if not len(data.filter(~nw.col(column).is_null()).select(column).head(1).collect()):
        raise DataError(
            f"column '{column}' (given as {role}) has no value in any row; there is nothing to estimate from."
        )


def _event_is_coded(data: nw.LazyFrame[Any], event: str, dtype: Any) -> str:
    if not dtype.is_numeric():
        return (
            f"column '{event}' (given as the event) holds {kind_of(dtype)}; it must be true/false. Make it "
            f"so first: True for the rows whose spell ended with the event, False for the others."
        )
    values = nw.col(event)
    codes = data.filter(~values.is_null()).select(values).unique().sort(event).head(5).collect()[event].to_list()
    found = ", ".join(f"{code:g}" for code in codes[:4]) + (", ..." if len(codes) > 4 else "")
    likely = 1 if set(codes) <= {0, 1} else 2 if set(codes) <= {1, 2} else "CODE"
    return (
        f"column '{event}' (given as the event) holds the numbers {found}; it must be true/false, because a "
        f"code does not say which value is the event. If {likely} is the event, give frame['{event}'] == {likely}."
    )


def by_group(tally: pd.DataFrame, by: str | None) -> dict[Any, pd.DataFrame]:
    """Part a day tally into its groups, in the order of the group's code list."""
    levels = tally["group"].map(level_of, na_action=None)
    parts = {level: rows for level, rows in tally.groupby(levels, sort=False)}
    return {level: parts[level] for level in in_order(by, parts)}


def stacked(curves: Mapping[Any, pd.DataFrame]) -> pd.DataFrame:
    """Put the curves of all groups under each other, the group in front."""
    parts = [curve.assign(group=group) for group, curve in curves.items()]
    return pd.concat(parts, ignore_index=True)[["group", *CURVE_COLUMNS]]


def quantiles(curves: Mapping[Any, pd.DataFrame], first: Mapping[Any, float]) -> pd.DataFrame:
    """Return group, probability, estimate, conf_low, conf_high for the quartiles of each group."""
    rows = [
        (group, probability, *time_quantile(curve, probability, first_time=first[group]))
        for group, curve in curves.items()
        for probability in QUANTILE_PROBABILITIES
    ]
    return pd.DataFrame(rows, columns=["group", "probability", "estimate", "conf_low", "conf_high"])


def group_sizes(sets: Mapping[Any, RiskSets], first: Mapping[Any, float]) -> pd.DataFrame:
    """Return group, n, events, censored, late_entries, first_time_shown."""
    columns = ["group", "n", "events", "censored", "late_entries", "first_time_shown"]
    rows = [
        (group, each.n, int(each.events.sum()), int(each.censored.sum()), each.late_entries, first[group])
        for group, each in sets.items()
    ]
    return pd.DataFrame(rows, columns=columns)


def log_rank_tests(sets: Mapping[Any, RiskSets]) -> tuple[pd.DataFrame, list[Note]]:
    """Test all groups against each other; levels that stand for missing take no part."""
    named = {group: each for group, each in sets.items() if group not in MISSING_LEVELS}
    notes = []
    if len(named) < len(sets) and len(named) > 1:
        apart = ", ".join(f"'{group}'" for group in sets if group not in named)
        notes.append(Note("missing_not_tested", f"The log-rank test leaves out the group {apart}."))
    if len(named) < 2:
        return no_tests(), notes
    tests = one_test("log_rank", list(named.values()))
    if not any(each.events.any() for each in named.values()):
        notes.append(Note("no_test", "Nobody in these groups had the event, so that there is nothing to compare."))
    elif not len(tests):
        notes.append(Note("no_test", "Too few are at risk at the same time to compare the groups."))
    return tests, notes


def one_test(name: str, sets: Sequence[RiskSets]) -> pd.DataFrame:
    """Return the table of a log-rank test: one row, or none where nothing can be compared."""
    statistic, df, p_value = log_rank(sets)
    if math.isnan(statistic):
        return no_tests()
    return pd.DataFrame({"test": [name], "statistic": [statistic], "df": [df], "p_value": [p_value]})


def few_events(sets: Mapping[Any, RiskSets]) -> list[Note]:
    """Warn of groups with so few events that the limits say little."""
    few = [f"{group} ({int(each.events.sum())})" for group, each in sets.items() if each.events.sum() < MIN_EVENTS]
    if not few:
        return []
    sentence = f"Fewer than {MIN_EVENTS} events, so that the limits say little: {', '.join(few)}."
    return [Note("few_events", sentence)]


def _start_notes(
    groups: Mapping[Any, pd.DataFrame],
    sets: Mapping[Any, RiskSets],
    curves: Mapping[Any, pd.DataFrame],
    time_unit: str,
) -> list[Note]:
    notes = []
    not_recorded = sets.get(NOT_RECORDED)
    if not_recorded is not None:
        sentence = f"{not_recorded.n} rows have no group; they are the group '{NOT_RECORDED}'."
        notes.append(Note("group_not_recorded", sentence))
    for group, each in sets.items():
        empty = each.time[(curves[group]["estimate"] == 0).to_numpy()]
        if len(empty) > 1 or (len(empty) and each.days[-1] > empty[0]):
            notes.append(
                Note(
                    "early_zero",
                    f"In group {group} the estimate reaches 0 at {empty[0]:g} {time_unit}, where everyone "
                    f"then under observation had the event, although others enter later: choose a later start.",
                )
            )
        supported = first_supported_day(groups[group])
        if supported > each.first_time and (each.time[each.events > 0] <= supported).any():
            notes.append(
                Note(
                    "thin_start",
                    f"In group {group} events before {supported:g} {time_unit} rest on very few at risk, "
                    f"because entry is late; they move the whole curve.",
                )
            )
    return notes
