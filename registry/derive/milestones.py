"""For each step back to climbing: the exact day, the interval in which it fell, or the day until which it had not.

Published
    Three end points are kept apart: easy climbing, unrestricted climbing, the previous grade (the time tables of
    Schöffl 2003/2006 name easy and full sport; return to sport as a continuum: Ardern et al. 2016, Br J Sports Med
    50:853-864).
Common practice, no source
    *Proof.* A contact proves its own milestone and every lower one. It proves them by the day from which its status
    holds, else by the day of the contact. The day is *exact* when the status is the milestone itself and its first
    day is given; otherwise the milestone fell in (last contact without, first day with].
    *Disproof.* Off climbing disproves all; ``not_yet_full`` says nothing about modified climbing; modified climbing
    disproves the two above, full climbing the one above. A first day is ignored, and the day of the contact takes
    its place, where an earlier contact disproves the milestone on that first day or later: the registry itself has
    recorded that the day cannot be right. Off on day 19, then on day 50 "full since day 14", is (19, 50].
    *End.* Giving up climbing ends the course on its day: later contacts no longer count. A milestone not reached is
    censored on the last day known to be without it; a case of which nothing is known, on the day it was first seen.
    An unknown reason for giving up counts as ``stopped_other``.
    *Sustained*: the first proof after which no contact within 28 days disproves it. Silence is no disproof.
    Days run from clock_day and never below 0; contacts before it are not looked at.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.people import no_number, no_text
from registry.derive.steps import Shelf, quotient

SUSTAINED_DAYS = 28
"""No step back within so many days. Common practice, no source."""

MILESTONES: dict[str, str] = {
    "modified": "modified_climbing",
    "full": "full_climbing",
    "previous_level": "previous_level",
}
"""Milestone -> the status that is exactly it, the lowest first."""

_PROVES = {
    "modified": ("modified_climbing", "full_climbing", "previous_level"),
    "full": ("full_climbing", "previous_level"),
    "previous_level": ("previous_level",),
}
_DISPROVES = {
    "modified": ("off_climbing",),
    "full": ("off_climbing", "not_yet_full", "modified_climbing"),
    "previous_level": ("off_climbing", "not_yet_full", "modified_climbing", "full_climbing"),
}
END_REASONS = ("discharged", "lost", "declined", "withdrawn", "unknown", "not_applicable")
_CENSORING = ("discharged", "lost", "declined", "withdrawn")
_KEYS = ["site", "case"]
_FAR = 10_000_000
_SHIFT = 1_000_000


def milestone_columns() -> list[str]:
    """Return the names of the milestone columns in their order."""
    stems = [stem for name in MILESTONES for stem in (name, f"{name}_sustained")]
    return [f"{stem}_{part}" for stem in stems for part in ("kind", "returned", "day", "after", "reason")]


def milestones(
    contacts: nw.LazyFrame[Any], cases: nw.LazyFrame[Any], *, steps: Shelf | None = None
) -> nw.LazyFrame[Any]:
    """Work out every milestone of every case.

    Parameters
    ----------
    contacts
        One row a contact: site, case, clock_day, seen_day, since_day, status, stopped_because, end_reason.
    cases
        One row a case: site, case, clock_day, first_seen_day.
    steps
        Where to keep what is used twice; without it, it is computed twice.

    Returns
    -------
    site, case, last_contact_day (days from clock_day), end_reason (of the last contact), and five columns for each
    milestone and each sustained milestone: _kind (exact, interval, censored), _returned, _day, _after, _reason.
    One row a case.
    """
    dated = contacts.with_columns(
        seen=nw.col("seen_day") - nw.col("clock_day"),
        day=_not_below_zero(nw.coalesce("since_day", "seen_day") - nw.col("clock_day")),
    )
    stops = _stops(dated)
    live = dated.join(stops.select(*_KEYS, "stop_seen"), on=_KEYS, how="left").filter(
        (nw.col("seen") >= 0) & (nw.col("seen") <= nw.coalesce("stop_seen", nw.lit(_FAR)))
    )
    # A window carries every column through its sort, so only what is needed goes in.
    slim = live.select(*_KEYS, "seen", "day", "status", since_given=~nw.col("since_day").is_null(), **_marks())
    marked = slim.with_columns(**_neighbours()).with_columns(**_own_days()).with_columns(**_proofs())
    if steps is not None:
        marked = steps.hold(marked)
    proven = marked.group_by(*_KEYS).agg(*_aggregates())
    if steps is not None:
        proven = steps.hold(proven)
    ends = _ends(dated)
    joined = (
        cases.select(*_KEYS, "clock_day", "first_seen_day")
        .join(ends, on=_KEYS, how="left")
        .join(stops, on=_KEYS, how="left")
        .join(proven, on=_KEYS, how="left")
        .join(_last_without(marked, proven), on=_KEYS, how="left")
    )
    finished = joined.with_columns(**_fallbacks())
    for stem in _stems():
        finished = finished.with_columns(**_finish(stem))
    return finished.select(*_KEYS, "last_contact_day", "end_reason", *milestone_columns())


def _stems() -> list[str]:
    return [stem for name in MILESTONES for stem in (name, f"{name}_sustained")]


def _plain(stem: str) -> str:
    return stem.removesuffix("_sustained")


def _not_below_zero(day: nw.Expr) -> nw.Expr:
    return nw.when(day < 0).then(nw.lit(0)).otherwise(day).cast(nw.Int64)


def _stops(dated: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    stopped = dated.filter((nw.col("status") == "stopped_climbing") & (nw.col("seen") >= 0))
    first = stopped.unique(subset=_KEYS, keep="first", order_by=["seen", "day"])
    return first.select(
        *_KEYS,
        stop_seen=nw.col("seen"),
        stop_day=nw.col("day"),
        stop_reason=nw.when(nw.col("stopped_because") == "this_injury")
        .then(nw.lit("stopped_this_injury"))
        .otherwise(nw.lit("stopped_other")),
    )


def _ends(dated: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    words = dict(enumerate(END_REASONS, start=1))
    numbers = {word: number for number, word in words.items()}
    # Day and reason in one number: the maximum is the last contact, on every engine and without a window.
    keyed = dated.with_columns(
        end_key=(nw.col("seen") + _SHIFT) * 10
        + nw.col("end_reason").replace_strict(list(numbers), list(numbers.values()), default=0, return_dtype=nw.Int64)
    )
    last = keyed.group_by(*_KEYS).agg(nw.col("end_key").max())
    return last.select(
        *_KEYS,
        last_contact_day=quotient(nw.col("end_key"), 10) - _SHIFT,
        end_reason=(nw.col("end_key") % 10).replace_strict(
            list(words), list(words.values()), default=None, return_dtype=nw.String
        ),
    )


def _marks() -> dict[str, nw.Expr]:
    marks: dict[str, nw.Expr] = {}
    gave_up = (nw.col("status") == "stopped_climbing") & (nw.col("stopped_because") == "this_injury")
    for name in MILESTONES:
        disproves = nw.col("status").is_in(_DISPROVES[name])
        marks[f"{name}_without"] = nw.when(disproves).then(nw.col("seen")).otherwise(no_number())
        marks[f"{name}_step_back"] = (
            nw.when(disproves | gave_up.fill_null(False)).then(nw.col("seen")).otherwise(nw.lit(_FAR))
        )
    return marks


def _neighbours() -> dict[str, nw.Expr]:
    # A contact that proves a milestone does not disprove it, so both windows may include the row itself.
    found: dict[str, nw.Expr] = {}
    for name in MILESTONES:
        found[f"{name}_next_back"] = nw.col(f"{name}_step_back").cum_min(reverse=True).over(*_KEYS, order_by="seen")
        found[f"{name}_seen_without"] = (
            nw.coalesce(f"{name}_without", nw.lit(-1)).cum_max().over(*_KEYS, order_by="seen")
        )
    return found


def _own_days() -> dict[str, nw.Expr]:
    # A first day that the registry has disproved says no more than the contact itself.
    return {
        f"{name}_own_day": nw.when(nw.col("day") > nw.col(f"{name}_seen_without"))
        .then(nw.col("day"))
        .otherwise(nw.col("seen"))
        for name in MILESTONES
    }


def _proofs() -> dict[str, nw.Expr]:
    proofs: dict[str, nw.Expr] = {}
    for name, status in MILESTONES.items():
        proves = nw.col("status").is_in(_PROVES[name])
        day = nw.col(f"{name}_own_day")
        believed = nw.col("since_given") & (nw.col("day") > nw.col(f"{name}_seen_without"))
        exactly = (nw.col("status") == status) & believed
        lasts = nw.col(f"{name}_next_back") > day + SUSTAINED_DAYS
        for stem, counts in ((name, proves), (f"{name}_sustained", proves & lasts)):
            proofs[f"{stem}_by"] = nw.when(counts).then(day).otherwise(no_number())
            proofs[f"{stem}_on"] = nw.when(counts & exactly).then(day).otherwise(no_number())
    return proofs


def _aggregates() -> list[nw.Expr]:
    firsts = [nw.col(f"{stem}_{part}").min() for stem in _stems() for part in ("by", "on")]
    lasts = [nw.col(f"{name}_without").max().alias(f"{name}_last_without") for name in MILESTONES]
    return [*firsts, *lasts, nw.col("seen").max().alias("last_live")]


def _last_without(marked: nw.LazyFrame[Any], proven: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    firsts = proven.select(*_KEYS, *(nw.col(f"{stem}_by").alias(f"{stem}_first") for stem in _stems()))
    without = marked.filter(~nw.col("previous_level_without").is_null()).select(
        *_KEYS, *(f"{name}_without" for name in MILESTONES)
    )
    before = without.join(firsts, on=_KEYS, how="inner").with_columns(
        *(
            nw.when(nw.col(f"{_plain(stem)}_without") < nw.col(f"{stem}_first"))
            .then(nw.col(f"{_plain(stem)}_without"))
            .otherwise(no_number())
            .alias(f"{stem}_before")
            for stem in _stems()
        )
    )
    return before.group_by(*_KEYS).agg(*(nw.col(f"{stem}_before").max() for stem in _stems()))


def _fallbacks() -> dict[str, nw.Expr]:
    known_end = nw.col("end_reason").is_in(_CENSORING)
    return {
        "entry_or_zero": _not_below_zero(nw.coalesce(nw.col("first_seen_day") - nw.col("clock_day"), nw.lit(0))),
        "why_ended": nw.when(known_end.fill_null(False)).then(nw.col("end_reason")).otherwise(nw.lit("open")),
    }


def _finish(stem: str) -> dict[str, nw.Expr]:
    by, on = nw.col(f"{stem}_by"), nw.col(f"{stem}_on")
    last_without = nw.col(f"{_plain(stem)}_last_without")
    # A sustained return is never dated before the first one, even where a contact gives up with an earlier day.
    first = nw.col(f"{_plain(stem)}_by")
    returned = ~by.is_null()
    exact = returned & ((by <= 0) | (by == on).fill_null(False))
    stopped = ~nw.col("stop_day").is_null()
    kind = nw.when(~returned).then(nw.lit("censored")).when(exact).then(nw.lit("exact")).otherwise(nw.lit("interval"))
    day = (
        nw.when(returned)
        .then(by)
        .when(stopped)
        .then(nw.max_horizontal("stop_day", nw.coalesce(last_without, nw.lit(0)), nw.coalesce(first, nw.lit(0))))
        .otherwise(nw.coalesce(last_without, nw.col("entry_or_zero")))
    )
    reason = (
        nw.when(returned)
        .then(no_text())
        .when(stopped)
        .then(nw.col("stop_reason"))
        .when(last_without.is_null())
        .then(nw.lit("no_contact"))
        .otherwise(nw.col("why_ended"))
    )
    after = nw.coalesce(nw.col(f"{stem}_before"), nw.lit(0))
    return {
        f"{stem}_kind": kind,
        f"{stem}_returned": returned,
        f"{stem}_day": day.cast(nw.Int64),
        f"{stem}_after": nw.when(kind == "interval").then(after.cast(nw.Int64)).otherwise(no_number()),
        f"{stem}_reason": reason,
    }
