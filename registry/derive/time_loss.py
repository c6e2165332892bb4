"""Days lost: days on which climbing was not unrestricted.

Published
    Bahr et al. 2020, Br J Sports Med 54:372-389 (IOC consensus): the day of the injury and the day of the return are
    not counted; partial participation is still time loss. Injured Monday, back the next Monday: 6; back the next
    day: 0; injured Saturday, able Tuesday: 2; injured Sunday, off from Wednesday, back Sunday: 3.
Common practice, no source
    Later spells add up by the same rule. A return known only from a contact counts on the day of that contact. The
    first day that a contact gives is ignored, and the day of the contact takes its place, where an earlier contact
    has seen the other state (full, not full) on that day or later: the registry itself has recorded that the day
    cannot be right. Contacts before the first day off are not looked at. Giving up climbing because of this injury is
    not being back; giving it up for any other reason changes nothing. While the last known state is not full, the
    number is NULL.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

FULL_STATES = ("full_climbing", "previous_level")
_KEYS = ["site", "case"]


def time_loss(contacts: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Add up the days lost.

    Parameters
    ----------
    contacts
        One row a contact: site, case, start_day (first day off), seen_day, since_day (NULL when the day is not
        known), status, stopped_because. Day numbers share any one origin.

    Returns
    -------
    site, case, time_loss_days (NULL unless complete), time_loss_complete: one row for each case with a contact
    that counts; a case without has no row.
    """
    stopped_else = (nw.col("status") == "stopped_climbing") & (
        nw.col("stopped_because").fill_null("unknown") != "this_injury"
    )
    told = contacts.filter((nw.col("seen_day") >= nw.col("start_day")) & ~stopped_else).select(
        *_KEYS,
        "start_day",
        "seen_day",
        "since_day",
        full=nw.when(nw.col("status").is_in(FULL_STATES)).then(nw.lit(1)).otherwise(nw.lit(0)),
    )
    # Day 0 is a day off: a case that says nothing yet counts as off.
    turns = told.with_columns(
        full_before=nw.col("full").shift(1).over(*_KEYS, order_by="seen_day").fill_null(0),
        seen_before=nw.col("seen_day").shift(1).over(*_KEYS, order_by="seen_day"),
    ).filter(nw.col("full") != nw.col("full_before"))
    # At a turn the contact before it is the last one that saw the other state.
    disproved = (nw.col("since_day") <= nw.col("seen_before")).fill_null(False)
    turns = turns.with_columns(
        turn_day=nw.when(disproved).then(nw.col("seen_day")).otherwise(nw.coalesce("since_day", "seen_day"))
    )
    spells = turns.with_columns(
        off_day=nw.coalesce(nw.col("turn_day").shift(1).over(*_KEYS, order_by="seen_day"), "start_day")
    ).with_columns(
        days=nw.when(nw.col("full") == 1)
        .then(nw.max_horizontal(nw.col("turn_day") - nw.col("off_day") - 1, nw.lit(0)))
        .otherwise(nw.lit(0)),
        net=nw.when(nw.col("full") == 1).then(nw.lit(1)).otherwise(nw.lit(-1)),
    )
    sums = spells.group_by(*_KEYS).agg(days=nw.col("days").sum(), net=nw.col("net").sum())
    every = told.group_by(*_KEYS).agg(contacts=nw.len())
    joined = every.join(sums, on=_KEYS, how="left").with_columns(
        # Spells alternate and the first one is off, so one return more than setbacks means: full at the end.
        time_loss_complete=nw.when(nw.col("net").cast(nw.Int64) == 1).then(nw.lit(True)).otherwise(nw.lit(False))
    )
    return joined.select(
        *_KEYS,
        "time_loss_complete",
        time_loss_days=nw.when(nw.col("time_loss_complete"))
        .then(nw.col("days").cast(nw.Int64))
        .otherwise(nw.lit(None, dtype=nw.Int64)),
    )
