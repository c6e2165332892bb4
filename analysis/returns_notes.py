"""What the reader of return curves has to know: sentences with their numbers."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import narwhals.stable.v2 as nw
import pandas as pd

from analysis.clusters import CLIMBER, repeats
from analysis.kaplan_meier import RiskSets
from analysis.levels import MISSING_LEVELS
from analysis.results import Note
from analysis.thresholds import MIN_CASES_FOR_MEDIAN
from registry.derive.milestones import SUSTAINED_DAYS


def data_notes(facts: Mapping[str, int], entry: str, people: str) -> list[Note]:
    """Say how the rows were taken: whose, from when, and which day of return."""
    notes = []
    if people == "minors":
        notes.append(Note("minors", "Under 18 only; tiers of adults do not apply to growing bones."))
    if facts["interval"]:
        notes.append(
            Note(
                "interval_only",
                f"{facts['interval']} of {facts['returned']} returns are known only to lie between two "
                f"contacts; the later contact is taken, so that the curve is late by up to the gap between contacts.",
            )
        )
    if entry == "onset":
        sentence = "Every case is at risk from onset, although it was first seen later: a sensitivity analysis."
        notes.append(Note("entry_at_onset", sentence))
    elif facts["no_entry"]:
        sentence = f"{facts['no_entry']} of {facts['cases']} cases have no day first seen; onset is taken instead."
        notes.append(Note("no_first_seen", sentence))
    if facts["same_day"]:
        sentence = f"{facts['same_day']} cases never stopped; they count as returned on day 0."
        notes.append(Note("never_stopped", sentence))
    return notes


def repeat_notes(used: nw.LazyFrame[Any]) -> list[Note]:
    """Say how many climbers have more than one case."""
    if CLIMBER not in used.collect_schema().names():
        return []
    again = repeats(used)
    if not again.repeaters:
        return []
    sentence = (
        f"{again.repeaters} of {again.climbers} climbers appear more than once, with {again.their_units} of "
        f"{again.units} cases; these limits and tests take cases as independent."
    )
    return [Note("climbers_repeat", sentence)]


def watched_notes(facts: Mapping[str, int]) -> list[Note]:
    """Say how many sustained returns were not watched long enough to see a step back."""
    if not facts["watched_short"]:
        return []
    sentence = (
        f"{facts['watched_short']} of {facts['returned']} returns were watched for less than {SUSTAINED_DAYS} days "
        f"afterwards: a later step back would not have been seen."
    )
    return [Note("watched_short", sentence)]


def early_notes(
    first: Mapping[Any, float], tallies: Mapping[Any, pd.DataFrame], sets: Mapping[Any, RiskSets]
) -> list[Note]:
    """Say on which day each curve is conditional, and which groups have none."""
    notes = []
    late = {group: day for group, day in first.items() if day > 0}
    if late:
        listed = ", ".join(f"{group} day {day:g}" for group, day in late.items())
        ended = sum(
            int((t.loc[t["day"] <= late[g], ["events", "censored"]]).to_numpy().sum())
            for g, t in tallies.items()
            if g in late
        )
        apart = f"; {ended} cases that ended by then are left out" if ended else ""
        notes.append(
            Note(
                "conditional_on_day",
                f"Cases enter when first seen, and too few are under observation at first. The curves are "
                f"conditional on not being back by: {listed}{apart}.",
            )
        )
    gone = [str(group) for group in tallies if group not in sets]
    if gone:
        notes.append(Note("no_curve", f"No case is left to give a curve for: {', '.join(gone)}."))
    return notes


def small_groups(sets: Mapping[Any, RiskSets]) -> list[Note]:
    """Name the groups that are too small for a median."""
    small = [f"{group} ({each.n})" for group, each in sets.items() if each.n < MIN_CASES_FOR_MEDIAN]
    if not small:
        return []
    sentence = (
        f"Fewer than {MIN_CASES_FOR_MEDIAN} cases, so that no median and no share back is given: {', '.join(small)}."
    )
    return [Note("small_group", sentence)]


def few_in_test(sets: Mapping[Any, RiskSets]) -> list[Note]:
    """Name the groups that are too small for a test and take part in it."""
    small = [
        f"{group} ({each.n})"
        for group, each in sets.items()
        if each.n < MIN_CASES_FOR_MEDIAN and group not in MISSING_LEVELS
    ]
    if not small:
        return []
    sentence = f"The log-rank test also compares groups of fewer than {MIN_CASES_FOR_MEDIAN} cases: {', '.join(small)}."
    return [Note("few_in_test", sentence)]
