"""What the reader of an incidence rate has to know: sentences with their numbers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

import pandas as pd

from analysis.clustered_rates import robust_limits
from analysis.levels import MISSING_LEVELS, NOT_RECORDED
from analysis.rates import Cells, name_of
from analysis.results import Note
from analysis.thresholds import MIN_CLUSTERS, MIN_EVENTS

MOVED: Final = "moved_"
"""Before the name of a column: was the level of this row's occurrences set to 'not recorded', as its hours are?"""

COLUMN_WORDS: Final[Mapping[str, str]] = {"age_band": "age", "minor": "age", "level": "climbing level"}


def limit_notes(part: pd.DataFrame, keys: Sequence[str], cells: Cells, conf_level: float) -> list[Note]:
    """Say where the limits that respect repeaters are missing, and where they are the exact ones.

    Parameters
    ----------
    part
        Columns of ``keys``, cluster, events, exposure.
    keys, cells
        The columns that make the cells; events and exposure of each cell.
    conf_level
        Level of the limits.
    """
    few, none = [], False
    for cell in [cell for cell, (_, amount) in cells.items() if amount > 0]:
        limits = robust_limits(part, keys, cell, conf_level)
        if limits.few:
            few.append(name_of(cell) or "all")
        none |= not limits.few and pd.isna(limits.low)
    notes = []
    if none:
        sentence = (
            "Where there is no event, the limits that respect repeaters are the exact ones: no variance between "
            "climbers can be estimated."
        )
        notes.append(Note("robust_as_exact", sentence))
    if few:
        sentence = (
            f"Fewer than {MIN_EVENTS} events, or fewer than {MIN_CLUSTERS} climbers or squads with climbing time, so "
            f"that no limits respect repeaters: {', '.join(few)}."
        )
        notes.append(Note("few_clusters", sentence))
    return notes


def level_notes(part: pd.DataFrame, cells: Cells, keys: Sequence[str]) -> list[Note]:
    """Say which occurrences stand at another level than their hours, or at none.

    Parameters
    ----------
    part
        Columns of ``keys``, the same with ``MOVED`` before the name, cluster, events, exposure.
    cells
        Events and exposure of each cell.
    keys
        The columns that make the cells.
    """
    total = sum(events for events, _ in cells.values())
    notes = []
    for place, key in enumerate(keys):
        word = COLUMN_WORDS.get(key, key)
        bare = [n for cell, (n, amount) in cells.items() if cell[place] in MISSING_LEVELS and not amount > 0]
        if sum(bare):
            sentence = (
                f"{sum(bare)} of {total} events do not tell their {word}; the rates of the other levels are too low "
                f"by up to that share."
            )
            notes.append(Note("level_unknown", sentence))
        moved = int(part.loc[part[MOVED + key], "events"].sum())
        if moved:
            sentence = (
                f"{moved} of {total} occurrences stand under '{NOT_RECORDED}' although their {word} is known: the "
                f"climbing time of their squad or climber does not tell the {word}, and a rate needs both alike."
            )
            notes.append(Note("as_the_hours_say", sentence))
    elsewhere = _elsewhere(part, keys)
    if elsewhere:
        words = " and ".join(COLUMN_WORDS.get(key, key) for key in keys)
        sentence = (
            f"{elsewhere} of {total} occurrences are of climbers or squads without climbing time at that {words}; "
            f"they count, so that the rates there may be too high."
        )
        notes.append(Note("elsewhere", sentence))
    return notes


def _elsewhere(part: pd.DataFrame, keys: Sequence[str]) -> int:
    if not keys:
        return 0
    cells = list(zip(part["cluster"], *[part[key] for key in keys], strict=True))
    timed = {cell for cell, amount in zip(cells, part["exposure"], strict=True) if amount > 0}
    return sum(
        int(events)
        for cell, events in zip(cells, part["events"], strict=True)
        if events and cell not in timed and not set(cell[1:]) & set(MISSING_LEVELS)
    )


def sessions_notes(without: set[Any], *, with_sessions: bool) -> list[Note]:
    """Name the sites that have no part in the rate per session."""
    if not with_sessions:
        return [Note("no_sessions", "No site notes all its sessions, so that there is no rate per session.")]
    if not without:
        return []
    listed = ", ".join(sorted(str(site) for site in without))
    sentence = f"Rates per session leave out sites that do not note sessions on every row: {listed}."
    return [Note("sessions_incomplete", sentence)]


def minors_note(cells: Cells) -> list[Note]:
    """Say how much of a rate of all ages is of minors, from the cells of ``by='minor'``."""
    hurt, young = cells.get((True,), (0, 0.0))
    untold_events, untold = cells.get((NOT_RECORDED,), (0, 0.0))
    if not hurt and not young:
        return []
    unknown = f" ({untold_events} occurrences and {untold:.0f} hours do not tell the age)" if untold else ""
    sentence = (
        f"These rates pool all ages; {hurt} occurrences and {young:.0f} hours are of climbers under 18{unknown}. "
        f"Grouped by minor they stand apart."
    )
    return [Note("minors_pooled", sentence)]


def standing_notes(counted: pd.DataFrame, remedy: str) -> list[Note]:
    """Name the occurrences of sites without observation, and what would give them a rate."""
    apart = int(counted.loc[counted["standing"] == "site_without_observation", "n"].sum())
    if not apart:
        return []
    return [
        Note(
            "site_without_observation",
            f"{apart} occurrences are of sites without observation and have no rate. {remedy}",
        )
    ]
