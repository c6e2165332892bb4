"""The severity tier of a finger: from findings known by day 28, never from the outcome, inside a structure family.

Published
    The pulley grades (see :mod:`registry.derive.grading`). Lumbrical tears graded I-III: Lutter et al. 2018, J Hand
    Surg Eur 43:767-775; that I, II, III are strain, partial and complete tear is from memory.
Common practice, no source
    Day 28 as the limit; a finding without a day counts as known from the start; an avulsed ligament counts as
    completely torn, an avulsed piece of a phalanx as a fracture of unstated displacement. A minor's pulley injury is
    ``not_graded`` with the reason ``under_18``: minors are shown apart, never in an adult tier.
"""

from __future__ import annotations

from typing import Any

import narwhals.stable.v2 as nw

from registry.derive.grading import REASONS, grades
from registry.derive.structures import main_structure

TIER_DAYS = 28
"""Days from onset until which a finding may set the tier. Common practice, no source."""

NOT_GRADED = "not_graded"

TIERS: dict[str, str] = {
    "pulley_1": "Pulley I",
    "pulley_2": "Pulley II",
    "pulley_3": "Pulley III",
    "pulley_4": "Pulley IV",
    "ligament_strain": "Ligament, strain",
    "ligament_partial": "Ligament, partial tear",
    "ligament_complete": "Ligament, complete tear",
    "fracture_undisplaced": "Fracture, undisplaced",
    "fracture_displaced": "Fracture, displaced",
    "fracture_unstated": "Fracture, displacement not stated",
    "lumbrical_1": "Lumbrical I",
    "lumbrical_2": "Lumbrical II",
    "lumbrical_3": "Lumbrical III",
    "growth_plate": "Growth plate",
    "joint": "Joint capsule or cartilage",
    "tendon": "Tendon",
    "muscle": "Muscle, other",
    "extensor": "Extensor",
    "other": "Other structure",
    NOT_GRADED: "Not graded",
}
"""Code -> label, in the order in which tables and legends list them."""

TIER_REASONS: dict[str, str] = {
    **REASONS,
    "no_finding_by_day_28": "nothing was recorded by day 28 after onset",
    "as_found": "the tier follows from the structure and its extent",
    "avulsion_as_complete": "an avulsed ligament counts as completely torn",
    "avulsion_as_fracture": "an avulsed piece of bone counts as a fracture, displacement not stated",
    "extent_without_tier": "no tier is defined for this extent of this structure",
}
"""Reason code -> sentence."""

_LIGAMENT = {
    "strain": "ligament_strain",
    "partial": "ligament_partial",
    "complete": "ligament_complete",
    "avulsion": "ligament_complete",
}
_BONE = {
    "fracture_undisplaced": "fracture_undisplaced",
    "fracture_displaced": "fracture_displaced",
    "fracture": "fracture_unstated",
    "avulsion": "fracture_unstated",
}
_LUMBRICAL = {"strain": "lumbrical_1", "partial": "lumbrical_2", "complete": "lumbrical_3"}
_PULLEY = {"I": "pulley_1", "II": "pulley_2", "III": "pulley_3", "IV": "pulley_4"}
_WHOLE_FAMILIES = ("growth_plate", "joint", "tendon", "extensor", "other")


def known_early(findings: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Keep the findings that may set the tier; ``found_day`` counts from onset."""
    return findings.filter(nw.col("found_day").is_null() | (nw.col("found_day") <= TIER_DAYS))


def tiers(findings: nw.LazyFrame[Any], early_best: nw.LazyFrame[Any], cases: nw.LazyFrame[Any]) -> nw.LazyFrame[Any]:
    """Give every case its tier.

    Parameters
    ----------
    findings
        All findings: site, case, structure, extent, found_day (days from onset).
    early_best
        Those known early (:func:`known_early`) after :func:`registry.derive.structures.best_evidence`.
    cases
        One row a case: site, case, and the 0/1 columns of :func:`registry.derive.grading.case_flags`.

    Returns
    -------
    site, case, tier, tier_reason: one row a case.
    """
    keys = ["site", "case"]
    ever = findings.filter(~nw.col("structure").is_null()).group_by(keys).agg(findings_ever=nw.len())
    joined = (
        grades(known_early(findings), early_best, cases)
        .join(main_structure(early_best), on=keys, how="left")
        .join(ever, on=keys, how="left")
    )
    tiered = joined.with_columns(tier=_tier())
    return tiered.select("site", "case", "tier", tier_reason=_reason())


def _looked_up(column: str, words: dict[str, str]) -> nw.Expr:
    return nw.col(column).replace_strict(list(words), list(words.values()), default=NOT_GRADED, return_dtype=nw.String)


def _tier() -> nw.Expr:
    family = nw.col("structure_family")
    return (
        nw.when(family.is_null())
        .then(nw.lit(NOT_GRADED))
        .when(family.is_in(_WHOLE_FAMILIES))
        .then(family)
        .when(family == "pulley")
        .then(_looked_up("pulley_grade", _PULLEY))
        .when(family == "ligament")
        .then(_looked_up("main_extent", _LIGAMENT))
        .when(family == "bone")
        .then(_looked_up("main_extent", _BONE))
        .when((nw.col("main_structure") == "lumbrical") & nw.col("main_extent").is_in(list(_LUMBRICAL)))
        .then(_looked_up("main_extent", _LUMBRICAL))
        .otherwise(nw.lit("muscle"))
    )


def _reason() -> nw.Expr:
    family, avulsed = nw.col("structure_family"), nw.col("main_extent") == "avulsion"
    return (
        nw.when(family.is_null() & nw.col("findings_ever").is_null())
        .then(nw.lit("nothing_recorded"))
        .when(family.is_null() & (nw.col("reason") == "nothing_recorded"))
        .then(nw.lit("no_finding_by_day_28"))
        .when(family.is_null() | (family == "pulley"))
        .then(nw.col("reason"))
        .when((family == "ligament") & avulsed)
        .then(nw.lit("avulsion_as_complete"))
        .when((family == "bone") & avulsed)
        .then(nw.lit("avulsion_as_fracture"))
        .when(nw.col("tier") == NOT_GRADED)
        .then(nw.lit("extent_without_tier"))
        .otherwise(nw.lit("as_found"))
    )
