"""The tier: early findings only, inside a structure family."""

import pytest

from registry.derive import TIER_REASONS, TIERS, derived_tables

ONSET = "2024-03-01"


def tier_of(*findings, age=30, digit="ring"):
    """Findings: (structure, extent[, found_on])."""
    rows = [(*finding, None)[:3] for finding in findings]
    frames = {
        "cases": {
            "case": ["c"],
            "athlete": ["p"],
            "onset": [ONSET],
            "side": ["left"],
            "digit": [digit],
            "onset_mode": ["sudden"],
            "age_at_onset": [age],
        }
    }
    if rows:
        columns = zip(*rows, strict=True)
        frames["findings"] = {
            "case": ["c"] * len(rows),
            **dict(zip(("structure", "extent", "found_on"), map(list, columns), strict=True)),
            "joint": ["mcp", "pip", "dip"][: len(rows)],
        }
    wanted = ("tier", "tier_reason", "main_structure", "pulley_grade")
    return derived_tables(frames)["cases"].select(*wanted).collect().rows()[0]


@pytest.mark.parametrize(
    ("findings", "tier", "reason"),
    [
        ([("a2", "complete")], "pulley_3", "complete_a2_a3"),
        ([("volar_plate", "avulsion")], "ligament_complete", "avulsion_as_complete"),
        ([("collateral_ulnar", "strain")], "ligament_strain", "as_found"),
        ([("collateral_ulnar", "degenerative")], "not_graded", "extent_without_tier"),
        ([("phalanx", "fracture_displaced")], "fracture_displaced", "as_found"),
        ([("phalanx", "avulsion")], "fracture_unstated", "avulsion_as_fracture"),
        ([("lumbrical", "partial")], "lumbrical_2", "as_found"),
        ([("interosseous", "partial")], "muscle", "as_found"),
        ([("a2", "complete"), ("growth_plate", "stress_reaction")], "growth_plate", "as_found"),
        ([("capsule", "inflammation"), ("a2", "strain")], "pulley_1", "strain"),
        ([("skin", "other")], "other", "as_found"),
        ([], "not_graded", "nothing_recorded"),
        # day 28 after onset is 2024-03-29
        ([("a2", "strain", "2024-03-02"), ("a2", "complete", "2024-03-30")], "pulley_1", "strain"),
        ([("a2", "complete", "2024-03-29")], "pulley_3", "complete_a2_a3"),
        ([("a2", "complete", "2024-03-30")], "not_graded", "no_finding_by_day_28"),
    ],
)
def test_tier(findings, tier, reason):
    # common practice, no source: the decisions that registry/derive/tiers.py states.
    assert tier_of(*findings)[:2] == (tier, reason)


def test_minor_has_no_adult_tier():
    assert tier_of(("a2", "complete"), age=17) == ("not_graded", "under_18", "a2", "not_gradable")


def test_codes_and_labels():
    assert next(iter(TIERS)) == "pulley_1"
    assert list(TIERS)[-1] == "not_graded"
    assert {"as_found", "under_18"} <= set(TIER_REASONS)
