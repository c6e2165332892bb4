"""Time at risk: what was climbed while somebody watched, split by season.

Published
    Incidence is counted over exposure (Bahr et al. 2020, Br J Sports Med 54:372-389; from memory).
Common practice, no source
    An exposure row is spread evenly over its days. Only the days on which the climber (or the squad) was also
    observed count; a climber is observed by an own row or by a row of the squad. Whole minutes are split by
    cumulative rounding, so that the parts of a row add up to the row exactly. A season is a calendar year, the year
    of most competition calendars; rows that cross its edge are split by day.
    A squad's row has a sex or a minor flag only where all of its climbers share it.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.intervals import disjoint, intersection, islands, share, split_by_season
from registry.derive.people import age_band_by_years, minor_by_years, no_text, not_known

_CLIMBER = ["site", "athlete"]
_SQUAD = ["site", "squad"]
_AMOUNTS = {"minutes": "minutes_total", "sessions": "sessions_total", "starts": "starts"}
RISK_TIME_COLUMNS = (
    "site",
    "climber",
    "squad",
    "unit",
    "season",
    "starts_day",
    "ends_day",
    "days",
    "discipline",
    "setting",
    "context",
    "sex",
    "age_band",
    "minor",
    "level",
    "minutes",
    "sessions",
    "starts",
    "climbers",
    "method",
)


def observed_climbers(observation: nw.LazyFrame[Any], athletes: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Return site, athlete, watched_from, watched_to: own rows and the squad's rows, merged."""
    own = observation.filter(~nw.col("athlete").is_null()).select(
        *_CLIMBER, starts_day=nw.col("starts_on_day"), ends_day=nw.col("ends_on_day")
    )
    members = athletes.filter(~nw.col("squad").is_null()).select("site", "squad", "athlete")
    through_squad = (
        observation.filter(~nw.col("squad").is_null())
        .select(*_SQUAD, starts_day=nw.col("starts_on_day"), ends_day=nw.col("ends_on_day"))
        .join(members, on=_SQUAD, how="inner")
        .select(*_CLIMBER, "starts_day", "ends_day")
    )
    merged = islands(nw.concat([own, through_squad]), by=_CLIMBER)
    return merged.rename({"starts_day": "watched_from", "ends_day": "watched_to"})


def risk_time(
    exposure: nw.LazyFrame[Any],
    observation: nw.LazyFrame[Any],
    athletes: nw.LazyFrame[Any],
    observed: nw.LazyFrame[Any],
    years: nw.LazyFrame[Any],
) -> nw.LazyFrame[Any]:
    """Intersect exposure with observation.

    Parameters
    ----------
    exposure, observation, athletes
        Rows of the dictionary's tables with ``site`` and day numbers.
    observed
        The climbers' observed intervals (:func:`observed_climbers`).
    years
        The list of seasons (:func:`registry.derive.intervals.seasons`).

    Returns
    -------
    ``RISK_TIME_COLUMNS``; minutes, sessions and starts are whole numbers.
    """
    return nw.concat([_climbers(exposure, athletes, observed, years), _squads(exposure, observation, years)])


def _climbers(
    exposure: nw.LazyFrame[Any],
    athletes: nw.LazyFrame[Any],
    observed: nw.LazyFrame[Any],
    years: nw.LazyFrame[Any],
) -> nw.LazyFrame[Any]:
    rows = _spans(exposure.filter(~nw.col("athlete").is_null()), unit="athlete")
    people = athletes.select(*_CLIMBER, "squad", "sex", "level", birth_year=nw.col("birth_year").cast(nw.Int64))
    pieces = _pieces(rows, observed, years, by=_CLIMBER).join(people, on=_CLIMBER, how="left")
    return pieces.with_columns(
        climber=nw.concat_str([nw.col("site"), nw.col("athlete")], separator=":"),
        unit=nw.lit("climber"),
        age_band=age_band_by_years(nw.col("year"), nw.col("birth_year")),
        minor=minor_by_years(nw.col("year"), nw.col("birth_year")),
        climbers=nw.lit(1).cast(nw.Int64),
    ).select(*RISK_TIME_COLUMNS)


def _squads(exposure: nw.LazyFrame[Any], observation: nw.LazyFrame[Any], years: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    rows = _spans(exposure.filter(~nw.col("squad").is_null()), unit="squad")
    heads, women, minors = (nw.col(name).cast(nw.Int64) for name in ("climbers", "women", "minors"))
    watched = observation.filter(~nw.col("squad").is_null()).select(
        *_SQUAD,
        starts_day=nw.col("starts_on_day"),
        ends_day=nw.col("ends_on_day"),
        heads=heads,
        sex=nw.when(women == heads).then(nw.lit("female")).otherwise(no_text()),
        minor=nw.when(minors == heads).then(nw.lit(True)).when(minors == 0).then(nw.lit(False)).otherwise(not_known()),
    )
    apart = disjoint(watched, by=_SQUAD).rename({"starts_day": "watched_from", "ends_day": "watched_to"})
    pieces = _pieces(rows, apart, years, by=_SQUAD)
    return pieces.with_columns(
        climber=no_text(),
        unit=nw.lit("squad"),
        age_band=no_text(),
        level=no_text(),
        climbers=nw.coalesce("heads_in_row", "heads"),
    ).select(*RISK_TIME_COLUMNS)


def _spans(exposure: nw.LazyFrame[Any], *, unit: str) -> nw.LazyFrame[Any]:
    return exposure.select(
        "site",
        unit,
        "discipline",
        "setting",
        "context",
        "method",
        *(nw.col(source).cast(nw.Int64).alias(f"{name}_of_row") for name, source in _AMOUNTS.items()),
        heads_in_row=nw.col("climbers").cast(nw.Int64),
        starts_day=nw.col("starts_on_day"),
        ends_day=nw.col("ends_on_day"),
    ).filter(nw.col("ends_day") >= nw.col("starts_day"))


def _pieces(
    spans: nw.LazyFrame[Any], watched: nw.LazyFrame[Any], years: nw.LazyFrame[Any], *, by: list[str]
) -> nw.LazyFrame[Any]:
    split = split_by_season(intersection(spans, watched, by=by), years)
    shared = split.with_columns(**{name: share(f"{name}_of_row") for name in _AMOUNTS})
    return shared.with_columns(
        season=nw.col("year").cast(nw.String),
        starts_day=nw.col("part_from"),
        ends_day=nw.col("part_to"),
        days=nw.col("part_to") - nw.col("part_from") + 1,
    )
