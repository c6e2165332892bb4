"""A small fixed registry, in the dictionary's own columns."""

import pytest


@pytest.fixture(scope="session")
def small_registry():
    """Two sites, ten cases: every family, follow-up and exposure shape that the derivation tells apart."""
    site = ["b", "b", "b", "b", "b", "b", "a", "a", "a", "b"]
    case = [f"k{number}" for number in range(1, 11)]
    return {
        "sites": {
            "site": ["a", "b"],
            "kind": ["clinic", "squad"],
            "case_definition": ["medical_attention", "time_loss"],
            "exposure_method": ["none", "logged"],
            "pseudonym_pattern": ["p[0-9]+", "[pq][0-9]+"],
        },
        "athletes": {
            "site": ["b", "b", "b", "a"],
            "athlete": ["p1", "p2", "p3", "p1"],
            "sex": ["female", "male", "unknown", "other"],
            "birth_year": [1990, 2006, None, 1970],
            "squad": [None, None, "q1", None],
            "dominant_hand": ["right", "both", None, "left"],
            "level": ["recreational", "competitive_national", None, "unknown"],
        },
        "observation": {
            "site": ["b", "b", "b"],
            "athlete": ["p1", "p2", None],
            "squad": [None, None, "q1"],
            "starts_on": ["2023-01-01", "2023-06-01", "2023-01-01"],
            "ends_on": ["2024-12-31", "2023-12-31", "2024-06-30"],
            "climbers": [None, None, 6],
            "women": [None, None, 6],
            "minors": [None, None, 2],
        },
        "exposure": {
            "site": ["b"] * 4,
            "athlete": ["p1", "p1", "p2", None],
            "squad": [None, None, None, "q1"],
            "starts_on": ["2023-12-25", "2024-03-01", "2023-05-01", "2023-01-01"],
            "ends_on": ["2024-01-07", "2024-03-31", "2023-08-31", "2023-12-31"],
            "discipline": ["bouldering", "lead", "unknown", None],
            "setting": ["indoor", "outdoor", None, "indoor"],
            "context": ["training", "recreation", None, "training"],
            "minutes_total": [611, 1000, 4001, 99_999],
            "sessions_total": [5, None, 40, 700],
            "starts": [None, 1, None, None],
            "climbers": [None, None, None, 6],
            "method": ["logged", "estimated", None, "logged"],
        },
        "cases": {
            "site": site,
            "case": case,
            "occurrence": [None, None, "o1", "o1", None, None, None, None, None, None],
            "athlete": ["p1", "p1", "p2", "p2", "p3", "p1", "p1", "p1", "p1", "p2"],
            "age_at_onset": [None, 33, None, None, 17, None, None, 53, None, None],
            "onset": [
                *("2023-12-28", "2024-03-15", "2023-05-15", "2023-05-15", "2023-07-01"),
                *("2024-11-01", "2022-02-02", "2022-08-08", "2023-01-01", "2024-01-01"),
            ],
            "recorded": [None, "2024-03-20", None, "2023-05-16", None, None, "2022-02-03", None, None, None],
            "first_seen": [None, "2024-03-20", "2023-05-15", None, "2023-07-09", None, "2022-02-05", None, None, None],
            "off_from": [None, None, None, None, None, "2024-11-10", None, "2022-08-10", None, None],
            "side": ["left", "left", "right", "right", "left", "left", "right", "right", "right", "left"],
            "digit": ["ring", "ring", "middle", "ring", "middle", "thumb", "ring", "ring", "little", "index"],
            "onset_mode": [
                *("sudden", "sudden", "sudden", "sudden", "repetitive_sudden"),
                *("repetitive_gradual", "unknown", "repetitive_gradual", "sudden", "sudden"),
            ],
            "grip": ["full_crimp", None, "unknown", "half_crimp", None, "not_applicable", None, None, "jam", None],
            "uiaa_score": [2, None, None, 2, None, None, 1, None, None, None],
        },
        "findings": {
            "site": ["b", "b", "b", "b", "b", "b", "b", "a", "a", "a", "a"],
            "case": ["k1", "k1", "k2", "k3", "k3", "k5", "k6", "k7", "k7", "k8", "k8"],
            "structure": [
                *("a2", "a2", "a2", "a4", "lumbrical", "growth_plate", "a1"),
                *("volar_plate", "phalanx", "tendon_sheath", "a3"),
            ],
            "joint": [None, None, None, None, None, "pip", None, "pip", "pip", None, None],
            "extent": [
                *("strain", "complete", "partial", "complete", "strain", "stress_reaction", "complete"),
                *("avulsion", "fracture", "inflammation", "strain"),
            ],
            "seen_by": [
                *("clinical", "ultrasound", None, "mri", "mri", "radiograph", "clinical"),
                *("radiograph", "radiograph", "ultrasound", "unknown"),
            ],
            "found_on": [
                *("2023-12-28", "2024-01-10", None, "2023-05-20", "2023-05-20", "2023-07-09", None),
                *("2022-02-05", "2022-02-05", "2022-09-30", "2022-08-09"),
            ],
            "gap_mm": [None, 3.1, None, 2.0, None, None, None, None, None, None, None],
        },
        "imaging": {
            "site": ["b", "b"],
            "case": ["k2", "k2"],
            "kind": ["mri", "ultrasound"],
            "done_on": ["2024-04-02", "2024-03-01"],
        },
        "follow_ups": {
            "site": ["b"] * 8 + ["a"] * 4 + ["b"] * 2,
            "case": ["k1", "k1", "k1", "k2", "k3", "k4", "k4", "k5", "k7", "k7", "k8", "k8", "k10", "k10"],
            "seen": [
                *("2024-01-10", "2024-02-20", "2024-05-01", "2024-04-01", "2023-06-01", "2023-05-15", "2023-06-30"),
                *("2023-08-01", "2022-03-01", "2022-06-01", "2022-09-01", "2022-12-01", "2024-01-20", "2024-02-20"),
            ],
            "status": [
                *("off_climbing", "modified_climbing", "full_climbing", "not_yet_full", "off_climbing"),
                *("full_climbing", "off_climbing", "stopped_climbing", "full_climbing", "off_climbing"),
                *("modified_climbing", "previous_level", "off_climbing", "full_climbing"),
            ],
            "since": [
                *(None, "2024-02-10", "2024-04-15", None, None, None, None, "2023-07-20", None, None, None),
                *("2022-11-11", None, "2024-01-15"),
            ],
            "stopped_because": [None] * 7 + ["this_injury"] + [None] * 6,
            "end_reason": [
                None,
                None,
                "discharged",
                None,
                "lost",
                None,
                None,
                None,
                None,
                "declined",
                None,
                None,
                None,
                None,
            ],
        },
    }
