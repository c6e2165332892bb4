"""Occurrences: what rates count. Several fingers hurt at once are one, with the severity of the worst.

Published
    Severity is the time lost (Bahr et al. 2020, from memory).
Common practice, no source
    The facts of an occurrence are those of its leading finger: the one with the worst main finding, then the first
    case code. Its days lost are those of the finger that cost most; not known while any finger's are not.
    *Standing*: ``counted`` when the day of onset lies in observed and exposure-covered time; ``prevalent`` when it
    lies before the climber's first observed day; ``outside_observation`` in a gap or after the last;
    ``uncovered`` when observed but without exposure; ``not_observed`` when the climber never was;
    ``site_without_observation`` when nobody of the site was.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.intervals import islands
from registry.derive.structures import SEVERITY, number_of

STANDINGS: dict[str, str] = {
    "counted": "inside observed and exposure-covered time: counts in rates",
    "prevalent": "began before the climber was first observed: counts in prevalence, never in incidence",
    "uncovered": "observed on that day, but no climbing time was delivered for it",
    "outside_observation": "the climber was observed at other times, not on that day",
    "not_observed": "the climber was never observed",
    "site_without_observation": "the site delivered no observation: it has no rates",
}
"""Code -> sentence, in the order in which reports list them."""

_KEYS = ["site", "occurrence", "climber"]
_CLIMBER = ["site", "athlete"]
OCCURRENCE_COLUMNS = (
    "site",
    "occurrence",
    "climber",
    "squad",
    "onset_day",
    "season",
    "recorded_day",
    "sex",
    "age_band",
    "minor",
    "level",
    "onset_mode",
    "kind",
    "discipline",
    "setting",
    "context",
    "fingers",
    "tier",
    "time_loss_days",
    "time_loss_complete",
    "standing",
)


def occurrences(
    cases: nw.LazyFrame[Any],
    observation: nw.LazyFrame[Any],
    observed: nw.LazyFrame[Any],
    risk: nw.LazyFrame[Any],
) -> nw.LazyFrame[Any]:
    """Join the fingers of an occurrence and say how it stands to the time at risk.

    Parameters
    ----------
    cases
        The derived cases, with rate_age_band and rate_minor.
    observation
        Rows of the dictionary's table.
    observed
        The climbers' observed intervals: site, athlete, watched_from, watched_to.
    risk
        The derived time at risk.

    Returns
    -------
    ``OCCURRENCE_COLUMNS``: one row for each site, occurrence and climber.
    """
    sums = (
        cases.with_columns(incomplete=nw.when(nw.col("time_loss_complete")).then(nw.lit(0)).otherwise(nw.lit(1)))
        .group_by(*_KEYS)
        .agg(
            nw.col("recorded_day").min(),
            fingers=nw.len(),
            first_onset=nw.col("onset_day").min(),
            worst_days=nw.col("time_loss_days").max(),
            incomplete=nw.col("incomplete").max(),
        )
    )
    joined = _leading_fingers(cases, sums).with_columns(
        onset_day=nw.col("first_onset"),
        fingers=nw.col("fingers").cast(nw.Int64),
        time_loss_complete=nw.col("incomplete") == 0,
    )
    lost = nw.when(nw.col("time_loss_complete")).then(nw.col("worst_days")).otherwise(nw.lit(None, dtype=nw.Int64))
    timed = joined.with_columns(time_loss_days=lost)
    return with_standing(timed, observation, observed, risk).select(*OCCURRENCE_COLUMNS)


def _leading_fingers(cases: nw.LazyFrame[Any], sums: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    facts = [
        "athlete",
        "squad",
        "season",
        "sex",
        "level",
        "onset_mode",
        "kind",
        "discipline",
        "setting",
        "context",
        "tier",
    ]
    ranked = cases.select(
        *_KEYS,
        *facts,
        "case",
        age_band=nw.col("rate_age_band"),
        minor=nw.col("rate_minor"),
        lead_rank=-number_of("main_extent", SEVERITY, default=-1),
    )
    counted = ranked.join(sums, on=_KEYS, how="inner")
    # Nearly every occurrence is one finger: only the others need a sort.
    alone = counted.filter(nw.col("fingers") == 1)
    several = counted.filter(nw.col("fingers") > 1).unique(subset=_KEYS, keep="first", order_by=["lead_rank", "case"])
    return nw.concat([alone, several.select(*alone.collect_schema().names())]).drop("lead_rank", "case")


def with_standing(
    events: nw.LazyFrame[Any],
    observation: nw.LazyFrame[Any],
    observed: nw.LazyFrame[Any],
    risk: nw.LazyFrame[Any],
) -> nw.LazyFrame[Any]:
    """Add ``standing`` to rows that have site, occurrence, climber, athlete, squad, onset_day."""
    covered = _covered(risk)
    watched = _flagged(events, observed, _CLIMBER, "watched_from", "watched_to").rename({"inside": "on_watch"})
    own = _flagged(events, covered["climber"], ["climber"], "starts_day", "ends_day")
    squad = _flagged(events, covered["squad"], ["site", "squad"], "starts_day", "ends_day")
    at_risk = nw.concat([own.select(*_KEYS, "inside"), squad.select(*_KEYS, "inside")])
    risked = at_risk.group_by(*_KEYS).agg(at_risk=nw.col("inside").max())
    sites = observation.group_by("site").agg(site_rows=nw.len())
    joined = (
        events.join(sites, on="site", how="left")
        .join(watched.rename({"first_from": "first_watched"}), on=_KEYS, how="left")
        .join(risked, on=_KEYS, how="left")
    )
    return joined.with_columns(standing=_standing())


def _covered(risk: nw.LazyFrame[Any]) -> dict[str, nw.LazyFrame[Any]]:
    return {
        "climber": islands(risk.filter(nw.col("unit") == "climber"), by=["climber"]),
        "squad": islands(risk.filter(nw.col("unit") == "squad"), by=["site", "squad"]),
    }


def _flagged(
    events: nw.LazyFrame[Any], spans: nw.LazyFrame[Any], by: list[str], start: str, end: str
) -> nw.LazyFrame[Any]:
    keys = events.select(*dict.fromkeys([*_KEYS, *by, "onset_day"]))
    pairs = keys.join(spans.select(*by, start, end), on=by, how="inner").with_columns(
        inside=nw.when((nw.col("onset_day") >= nw.col(start)) & (nw.col("onset_day") <= nw.col(end)))
        .then(nw.lit(1))
        .otherwise(nw.lit(0))
    )
    return pairs.group_by(*_KEYS).agg(nw.col("inside").max(), first_from=nw.col(start).min())


def _standing() -> nw.Expr:
    return (
        nw.when(nw.col("site_rows").is_null())
        .then(nw.lit("site_without_observation"))
        .when(nw.col("first_watched").is_null())
        .then(nw.lit("not_observed"))
        .when(nw.col("onset_day") < nw.col("first_watched"))
        .then(nw.lit("prevalent"))
        .when(nw.col("on_watch") == 0)
        .then(nw.lit("outside_observation"))
        .when(nw.col("at_risk").fill_null(0) == 0)
        .then(nw.lit("uncovered"))
        .otherwise(nw.lit("counted"))
    )
