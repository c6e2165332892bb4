"""Time to return to climbing, by severity tier, from the registry's cases."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal, get_args

import narwhals.stable.v2 as nw
import numpy as np
import pandas as pd

from analysis.clusters import CLIMBER
from analysis.kaplan_meier import RiskSets, first_supported_day, kaplan_meier, risk_sets
from analysis.levels import MISSING_LEVELS
from analysis.proportions import normal_quantile
from analysis.results import Note, ReturnCurves
from analysis.returns_notes import data_notes, early_notes, few_in_test, repeat_notes, small_groups, watched_notes
from analysis.sources import cases_of, refuse_persons
from analysis.survival import (
    SortedRows,
    by_group,
    few_events,
    group_sizes,
    log_rank_tests,
    nothing_left,
    one_test,
    quantiles,
    sort_out,
    stacked,
)
from analysis.tallies import day_tally
from analysis.thresholds import CONF_LEVEL, HORIZONS, MIN_CASES_FOR_MEDIAN
from registry.derive.milestones import SUSTAINED_DAYS
from registry.door import require
from registry.errors import DataError, OptionError, suggestion

Milestone = Literal["modified", "full", "previous_level"]
People = Literal["adults", "minors", "age_unknown"]
Entry = Literal["first_seen", "onset"]

MILESTONES: dict[str, str] = {
    "modified": "modified climbing",
    "full": "full climbing",
    "previous_level": "the previous level",
}
PEOPLE: dict[str, str] = {
    "adults": "under 18 (shown apart)",
    "minors": "18 or older (shown apart)",
    "age_unknown": "of known age (shown apart)",
}
"""Whose curves, and why the others are left out."""

PULLEY_TIERS = "pulley_"


def return_curves(
    cases: Any,
    *,
    milestone: Milestone = "full",
    sustained: bool = False,
    by: str | None = "tier",
    people: People = "adults",
    entry: Entry = "first_seen",
    conf_level: float = CONF_LEVEL,
) -> ReturnCurves:
    """Estimate the share of cases not yet back to climbing by day, in each tier.

    The clock starts at onset. A clinic sees only those who have not yet come back, so that a case counts as
    at risk from the day it was first seen (left truncation). As long as too few of a group are under
    observation its curve says nothing: it begins on the first day with enough, printed in ``groups``, and is
    conditional on not being back by then. An exact day of return is used where it is recorded, else the end of
    the interval between two contacts in which it lies.

    Parameters
    ----------
    cases
        An opened registry or freeze, or a frame with its columns: the milestone's day, returned and kind,
        entry_day, minor and the column of ``by``.
    milestone
        modified, full or previous_level climbing.
    sustained
        Count a return only with no step back seen within 28 days. Where a column last_contact_day tells how long
        a case was watched, those watched for less than that after their return are counted in a note.
    by
        Column that makes the groups; None for one group.
    people
        adults, minors or age_unknown. Minors are never pooled with adults; who is left out is counted.
    entry
        first_seen (left-truncated, the estimate to publish) or onset (a sensitivity analysis: every case at
        risk from day 0, which makes returns look slower).
    conf_level
        Level of the limits.

    Returns
    -------
    ReturnCurves
        As SurvivalCurves, in days; ``table``'s estimate is the share *not yet back*. ``shares_back``: group,
        day (42, 91, 182, 365), at_risk, estimate (share back), conf_low, conf_high, from_day (the share is of those
        not back by that day; 0 for all); NaN before a curve begins, beyond its last follow-up and in groups of fewer
        than 5 cases. ``tests``: log_rank over all groups and, by tier, log_rank_pulley over the pulley tiers where
        other tiers are in the first.

    Raises
    ------
    ColumnError
        When a column is missing.
    OptionError
        When milestone, people or entry is not one of those listed.
    DataError
        When no case can be used.

    References
    ----------
    Kaplan EL, Meier P (1958). J Am Stat Assoc 53:457-481.
    Klein JP, Moeschberger ML (2003). Survival analysis, 2nd ed., section 4.6 (left truncation).
    Brookmeyer R, Crowley J (1982). Biometrics 38:29-41.

    Examples
    --------
    >>> cases = {"full_day": [30, 60, 90], "full_returned": [True, True, False], "entry_day": [0, 0, 0],
    ...          "full_kind": ["exact", "exact", "censored"], "minor": [False] * 3}
    >>> return_curves(cases, by=None).table["estimate"].round(3).tolist()
    [0.667, 0.333, 0.333]
    """
    _check_option("milestone", milestone, get_args(Milestone))
    _check_option("people", people, get_args(People))
    _check_option("entry", entry, get_args(Entry))
    normal_quantile(conf_level)  # refuses a level outside 0 to 1 before the rows are read
    refuse_persons(cases, [by])
    name = f"{milestone}_sustained" if sustained else milestone
    data = _milestone_columns(cases, name, by, entry)
    rows = sort_out(data, _reasons(people, entry))
    if not rows.n_used:
        raise DataError(nothing_left("cases", rows))
    tallies = by_group(day_tally(rows.used, "day", "returned", by="group", entry="entry"), by)
    first = {group: first_supported_day(tally) for group, tally in tallies.items()}
    shown = {group: _conditional(tally, first[group]) for group, tally in tallies.items()}
    sets = {group: risk_sets(tally) for group, tally in shown.items() if len(tally)}
    if not sets:
        raise DataError(f"none of the {rows.n_used} cases was under observation long enough to give a curve.")
    curves = {group: kaplan_meier(each, conf_level=conf_level) for group, each in sets.items()}
    unsupported = rows.n_used - sum(each.n for each in sets.values())
    left_out, facts = _with_unsupported(rows, unsupported), _facts(rows.used)
    tests, test_notes = _tests(sets, by)
    notes = [
        *data_notes(facts, entry, people),
        *repeat_notes(rows.used),
        *(watched_notes(facts) if sustained else []),
        *early_notes(first, tallies, sets),
        *small_groups(sets),
        *few_events(sets),
        *test_notes,
    ]
    return ReturnCurves(
        table=stacked(curves),
        sustained=sustained,
        people=people,
        method=_method(milestone, sustained, entry, people),
        unit="cases",
        conf_level=conf_level,
        n_rows_in=rows.n_in,
        n_rows_used=rows.n_used - unsupported,
        left_out=left_out,
        notes=tuple(notes),
        by=by,
        time_unit="days",
        quantiles=_medians_of_enough(quantiles(curves, first), sets),
        groups=group_sizes(sets, first),
        tests=tests,
        milestone=milestone,
        shares_back=_shares_back(curves, sets, first),
        interval_only=facts["interval"],
    )


def _check_option(option: str, given: str, words: tuple[str, ...]) -> None:
    if given not in words:
        listed = ", ".join(f"'{word}'" for word in words)
        raise OptionError(f"{option} must be one of {listed}; got {given!r}.{suggestion(str(given), words)}")


def _milestone_columns(cases: Any, name: str, by: str | None, entry: Entry) -> nw.LazyFrame[Any]:
    data = cases_of(cases)
    roles = [(f"{name}_{part}", "the milestone") for part in ("day", "returned", "kind")]
    roles += [("entry_day", "the day of entry"), ("minor", "under 18 or not")]
    require(data, roles + ([(by, "the group")] if by is not None else []))
    present = data.collect_schema().names()
    watched = nw.col("last_contact_day") if "last_contact_day" in present else nw.lit(None)
    seen = nw.col("entry_day") if entry == "first_seen" else nw.lit(0)
    return data.select(
        group=nw.lit("all") if by is None else nw.col(by),
        day=nw.col(f"{name}_day").cast(nw.Int64),
        returned=nw.col(f"{name}_returned").cast(nw.Boolean),
        interval=nw.col(f"{name}_kind") == "interval",
        entry=seen.cast(nw.Int64),
        minor=nw.col("minor").cast(nw.Boolean),
        watched=watched.cast(nw.Int64),
        **({CLIMBER: nw.col(CLIMBER)} if CLIMBER in present else {}),
    )


def _reasons(people: People, entry: Entry) -> dict[str, nw.Expr]:
    minor, day, late = nw.col("minor"), nw.col("day"), nw.col("entry")
    no_age = minor.is_null()
    apart = {"adults": minor, "minors": ~minor, "age_unknown": ~no_age}[people]
    reasons = {PEOPLE[people]: apart}
    if people != "age_unknown":
        reasons["age not recorded (shown apart)"] = no_age
    reasons["no day of return or last contact"] = day.is_null() | nw.col("returned").is_null()
    reasons["last day before onset"] = day < 0
    if entry == "first_seen":
        # Such a case was never at risk while watched: it is known only because it had already come back.
        seen_after = (late > 0) & (late >= day)
        reasons["recorded after return (retrospective)"] = seen_after & nw.col("returned")
        reasons["first seen on or after the day of last contact"] = seen_after
    return reasons


def _conditional(tally: pd.DataFrame, first: float) -> pd.DataFrame:
    # Entries before the kept part need no row: risk_sets counts those who entered by then from the start.
    return tally[tally["day"] > first] if first > 0 else tally


def _with_unsupported(rows: SortedRows, unsupported: int) -> pd.DataFrame:
    if not unsupported:
        return rows.left_out
    extra = pd.DataFrame({"reason": ["ended before the curve of its group begins"], "n": [unsupported]})
    return pd.concat([rows.left_out, extra], ignore_index=True)


def _facts(used: nw.LazyFrame[Any]) -> dict[str, int]:
    flags = used.select(
        interval=nw.when(nw.col("interval") & nw.col("returned")).then(1).otherwise(0),
        returned=nw.when(nw.col("returned")).then(1).otherwise(0),
        no_entry=nw.when(nw.col("entry").is_null()).then(1).otherwise(0),
        watched_short=nw.when(nw.col("returned") & (nw.col("watched") - nw.col("day") < SUSTAINED_DAYS))
        .then(1)
        .otherwise(0),
        same_day=nw.when(nw.col("returned") & (nw.col("day") == 0)).then(1).otherwise(0),
        cases=nw.lit(1),
    )
    sums = flags.select(nw.all().sum().cast(nw.Int64)).collect()
    return {name: int(sums[name][0]) for name in sums.columns}


def _tests(sets: Mapping[Any, RiskSets], by: str | None) -> tuple[pd.DataFrame, list[Note]]:
    tests, notes = log_rank_tests(sets)
    if len(tests):
        notes += few_in_test(sets)
    if by != "tier":
        return tests, notes
    tested = {tier: each for tier, each in sets.items() if tier not in MISSING_LEVELS}
    pulleys = [each for tier, each in tested.items() if str(tier).startswith(PULLEY_TIERS)]
    if len(tests) and len(pulleys) < len(tested):
        pulley_test = one_test("log_rank_pulley", pulleys)
        tests = pd.concat([tests, pulley_test], ignore_index=True) if len(pulley_test) else tests
        sentence = "log_rank compares all tiers, also of different structures" + (
            "; log_rank_pulley compares the pulley tiers only." if len(pulley_test) else "."
        )
        notes.append(Note("tiers_of_different_structures", sentence))
    return tests, notes


def _medians_of_enough(quantiles: pd.DataFrame, sets: Mapping[Any, RiskSets]) -> pd.DataFrame:
    small = [group for group, each in sets.items() if each.n < MIN_CASES_FOR_MEDIAN]
    blanked = quantiles.copy()
    blanked.loc[blanked["group"].isin(small), ["estimate", "conf_low", "conf_high"]] = np.nan
    return blanked


def _shares_back(
    curves: Mapping[Any, pd.DataFrame], sets: Mapping[Any, RiskSets], first: Mapping[Any, float]
) -> pd.DataFrame:
    rows = []
    for group, curve in curves.items():
        days = np.asarray(HORIZONS)
        at_risk = sets[group].at_risk_at(days)
        place = np.searchsorted(curve["time"].to_numpy(), days, side="right") - 1
        for day, number, row in zip(HORIZONS, at_risk, place, strict=True):
            share = _share_back(curve, int(row), day, first[group])
            if sets[group].n < MIN_CASES_FOR_MEDIAN:
                share = (float("nan"), float("nan"), float("nan"))
            rows.append((group, day, int(number), *share, first[group]))
    return pd.DataFrame(rows, columns=["group", "day", "at_risk", "estimate", "conf_low", "conf_high", "from_day"])


def _share_back(curve: pd.DataFrame, row: int, day: int, first: float) -> tuple[float, float, float]:
    nothing = (float("nan"), float("nan"), float("nan"))
    if day < first:
        return nothing
    if row < 0:
        return (0.0, float("nan"), float("nan"))
    at = curve.iloc[row]
    if day > curve["time"].iloc[-1] and at["estimate"] > 0:
        return nothing
    return (1 - at["estimate"], 1 - at["conf_high"], 1 - at["conf_low"])


def _method(milestone: str, sustained: bool, entry: Entry, people: People) -> str:
    kept = f" with no step back seen within {SUSTAINED_DAYS} days" if sustained else ""
    entered = "left-truncated at the day first seen" if entry == "first_seen" else "from onset, without late entry"
    who = {"adults": "adults", "minors": "under 18", "age_unknown": "age not recorded"}[people]
    return (
        f"Kaplan-Meier estimate of the share not yet back to {MILESTONES[milestone]}{kept} ({who}), days "
        f"from onset, {entered}, Greenwood error, log-log limits; quantiles with Brookmeyer-Crowley limits; "
        f"log-rank test."
    )
