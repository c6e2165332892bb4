"""The four derived tables, put together."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.grading import case_flags, grades
from registry.derive.history import history
from registry.derive.intervals import seasons
from registry.derive.milestones import milestone_columns, milestones
from registry.derive.occurrences import occurrences
from registry.derive.people import with_person
from registry.derive.risk_time import observed_climbers, risk_time
from registry.derive.steps import Shelf
from registry.derive.structures import best_evidence, family_of, main_structure, structure_flags
from registry.derive.tiers import known_early, tiers
from registry.derive.time_loss import time_loss
from registry.dictionary.injury import CASES, STRUCTURES

DERIVATION_VERSION = 1
"""Raise it with every change that can alter a derived value; a stored table with another version is rederived."""

BASE_TABLES = (
    "sites",
    "athletes",
    "observation",
    "exposure",
    "cases",
    "findings",
    "imaging",
    "follow_ups",
)
"""The dictionary tables that the derivation reads."""

_KEYS = ["site", "case"]
IMAGING_METHODS = ("ultrasound", "mri", "radiograph", "ct")

CASE_COLUMNS = (
    "site",
    "case",
    "occurrence",
    "climber",
    "athlete",
    "squad",
    "season",
    "onset",
    "onset_day",
    "onset_precision",
    "clock_day",
    "sex",
    "age_at_onset",
    "age_band",
    "minor",
    "level",
    "dominant_hand",
    "hand_is_dominant",
    "side",
    "digit",
    "onset_mode",
    "kind",
    "discipline",
    "setting",
    "context",
    "activity",
    "mechanism",
    "grip",
    "pop_heard",
    "history",
    "history_derived",
    "prior_same_site",
    "match_set",
    "grade_recorded",
    "uiaa_score",
    "physis_open",
    *(f"has_{word}" for word in STRUCTURES),
    "structures_n",
    "structures",
    "main_structure",
    "main_extent",
    "structure_family",
    "pulley_grade",
    "grade_reason",
    "tier",
    "tier_reason",
    "recorded_day",
    "first_seen_day",
    "entry_day",
    "imaging_delay_days",
    "time_loss_days",
    "time_loss_complete",
    "last_contact_day",
    "end_reason",
    *milestone_columns(),
)

FINDING_COLUMNS = (
    "site",
    "case",
    "climber",
    "structure",
    "joint",
    "extent",
    "seen_by",
    "found_day",
    "family",
    "gap_mm",
    "side",
    "digit",
    "season",
    "sex",
    "age_band",
    "minor",
    "onset_mode",
    "discipline",
    "setting",
    "context",
    "mechanism",
    "grip",
    "level",
    "tier",
    "pulley_grade",
)


def derive_tables(base: Mapping[str, nw.LazyFrame[Any]]) -> dict[str, nw.LazyFrame[Any]]:
    """Derive cases, findings, occurrences and risk_time from the dictionary's tables.

    Parameters
    ----------
    base
        ``BASE_TABLES`` by name: the current rows, typed as in the dictionary, with ``site`` (text) and, for every
        date field x, ``x_day`` (days since 1970-01-01, BIGINT). All frames belong to one engine.

    Returns
    -------
    The four tables by name, in no particular row order: ``CASE_COLUMNS``, ``FINDING_COLUMNS``,
    ``OCCURRENCE_COLUMNS``, ``RISK_TIME_COLUMNS``. Missing stays NULL; ``unknown`` and ``not_applicable`` stay words.
    """
    steps, kept = Shelf(base["cases"]), Shelf(base["cases"])
    people = steps.hold(_people(base))
    findings = steps.hold(_dated_findings(base["findings"], people))
    best = kept.hold(best_evidence(findings))
    course = steps.hold(_course(base["follow_ups"], people, steps))
    injury = steps.hold(_injury(people, findings, best, steps))
    imaging = _first_imaging(base["imaging"], findings, people)
    wide = kept.hold(_wide(people, injury, course, imaging))
    observed = kept.hold(observed_climbers(base["observation"], base["athletes"]))
    years = steps.hold(seasons(steps.hold(base["cases"].select(nw.len()))))
    risk = kept.hold(risk_time(base["exposure"], base["observation"], base["athletes"], observed, years))
    steps.clear()
    return {
        "cases": wide.select(*CASE_COLUMNS),
        "findings": _findings(best, wide),
        "occurrences": occurrences(wide, base["observation"], observed, risk),
        "risk_time": risk,
    }


def _people(base: Mapping[str, nw.LazyFrame[Any]]) -> nw.LazyFrame[Any]:
    gradual = (nw.col("onset_mode") == "repetitive_gradual") & ~nw.col("off_from_day").is_null()
    days = [f"{field.name}_day" for field in CASES.fields if field.kind == "date"]
    told = base["cases"].select("site", *CASES.names, *days)
    return with_person(told, base["athletes"]).with_columns(
        occurrence=nw.coalesce("occurrence", "case"),
        clock_day=nw.when(gradual.fill_null(False)).then(nw.col("off_from_day")).otherwise(nw.col("onset_day")),
        start_day=nw.coalesce("off_from_day", "onset_day"),
        **case_flags(nw.col("digit"), nw.col("minor"), nw.col("physis_open")),
    )


def _dated_findings(findings: nw.LazyFrame[Any], people: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    onsets = people.select(*_KEYS, "onset_day")
    return findings.join(onsets, on=_KEYS, how="inner").select(
        *_KEYS,
        "structure",
        "joint",
        "extent",
        "seen_by",
        "gap_mm",
        found_day=nw.col("found_on_day") - nw.col("onset_day"),
    )


def _course(follow_ups: nw.LazyFrame[Any], people: nw.LazyFrame[Any], steps: Shelf) -> nw.LazyFrame[Any]:
    clocks = people.select(*_KEYS, "clock_day", "start_day")
    contacts = steps.hold(
        follow_ups.select(*_KEYS, "seen_day", "since_day", "status", "stopped_because", "end_reason").join(
            clocks, on=_KEYS, how="inner"
        )
    )
    return milestones(contacts, people, steps=steps).join(time_loss(contacts), on=_KEYS, how="left")


def _injury(
    people: nw.LazyFrame[Any], findings: nw.LazyFrame[Any], best: nw.LazyFrame[Any], steps: Shelf
) -> nw.LazyFrame[Any]:
    flags = people.select(*_KEYS, "thumb_digit", "young", "physis")
    early_best = steps.hold(best_evidence(known_early(findings)))
    graded = grades(findings, best, flags).rename({"reason": "grade_reason"})
    return (
        graded.join(tiers(findings, early_best, flags), on=_KEYS, how="left")
        .join(structure_flags(best), on=_KEYS, how="left")
        .join(main_structure(best), on=_KEYS, how="left")
    )


def _wide(
    people: nw.LazyFrame[Any],
    injury: nw.LazyFrame[Any],
    course: nw.LazyFrame[Any],
    imaging: nw.LazyFrame[Any],
) -> nw.LazyFrame[Any]:
    counted = [*(f"has_{word}" for word in STRUCTURES), "structures_n"]
    past = (
        people.select(*_KEYS, "athlete", "side", "digit", "onset_day", "clock_day")
        .join(injury.select(*_KEYS, "main_structure"), on=_KEYS, how="left")
        .join(course.select(*_KEYS, "full_kind", "full_day", "full_after"), on=_KEYS, how="left")
    )
    joined = (
        people.join(injury, on=_KEYS, how="left")
        .join(course, on=_KEYS, how="left")
        .join(imaging, on=_KEYS, how="left")
        .join(history(past), on=_KEYS, how="left")
    )
    return joined.with_columns(
        *(nw.col(name).fill_null(0) for name in counted),
        time_loss_complete=nw.col("time_loss_complete").fill_null(False),
        entry_day=nw.when(nw.col("first_seen_day") < nw.col("clock_day"))
        .then(nw.lit(0))
        .otherwise(nw.col("first_seen_day") - nw.col("clock_day"))
        .cast(nw.Int64),
        uiaa_score=nw.col("uiaa_score").cast(nw.Int64),
    ).select(*CASE_COLUMNS, "rate_age_band", "rate_minor")


def _first_imaging(
    imaging: nw.LazyFrame[Any], findings: nw.LazyFrame[Any], people: nw.LazyFrame[Any]
) -> nw.LazyFrame[Any]:
    # A picture taken before the onset belongs to something else.
    onsets = people.select(*_KEYS, "onset_day")
    taken = imaging.join(onsets, on=_KEYS, how="inner").select(*_KEYS, day=nw.col("done_on_day") - nw.col("onset_day"))
    read = findings.filter(nw.col("seen_by").is_in(IMAGING_METHODS)).select(*_KEYS, day=nw.col("found_day"))
    both = nw.concat([taken, read]).filter(nw.col("day") >= 0)
    return both.group_by(*_KEYS).agg(imaging_delay_days=nw.col("day").min())


def _findings(best: nw.LazyFrame[Any], wide: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    own = set(best.collect_schema().names())
    facts = [name for name in FINDING_COLUMNS if name not in own and name != "family"]
    joined = best.join(wide.select(*_KEYS, *facts), on=_KEYS, how="inner")
    return joined.with_columns(family=family_of("structure")).select(*FINDING_COLUMNS)
