"""How numbers and codes are said."""

from __future__ import annotations

import math
from typing import get_args

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.returns import Milestone
from registry.derive.tiers import TIERS
from registry.dictionary import TABLES
from reports import rounding, wording
from reports.cautions import CAUTIONS, cautions_for
from reports.protocols import PROTOCOL_TIMES, full_sport_range


@pytest.mark.parametrize(
    ("share", "of", "said"),
    [
        (0.0, 12, "0 %"),
        (1.0, 12, "100 %"),
        (0.001, 900, "<1 %"),
        (0.9996, 900, ">99 %"),
        (0.0004, 5000, "<0.1 %"),
        (22 / 80, 80, "28 %"),
        (178 / 426, 426, "42 %"),
        (178 / 426, 4260, "41.8 %"),
        (math.nan, 0, "not estimable"),
    ],
)
def test_shares(share: float, of: int, said: str) -> None:
    assert rounding.percent(share, of=of) == said


@given(st.integers(1, 10**6), st.data())
def test_a_share_that_is_neither_none_nor_all_is_never_said_to_be(of: int, data: st.DataObject) -> None:
    n = data.draw(st.integers(0, of))
    said = rounding.percent(n / of, of=of)
    assert (said in ("0 %", "0.0 %")) == (n == 0)
    assert (said in ("100 %", "100.0 %")) == (n == of)


@pytest.mark.parametrize(
    ("value", "said"), [(0.0209, "0.021"), (4.44, "4.4"), (13.0, "13"), (137.2, "137"), (0, "0"), (math.inf, "∞")]
)
def test_rates(value: float, said: str) -> None:
    assert rounding.rate(value) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [(0, "0"), (0.004, "<0.01"), (2.0145, "2.01"), (9.999, "10.0"), (42.758, "42.8"), (99.97, "100"), (2000, ">1000")],
)
def test_ratios(value: float, said: str) -> None:
    assert rounding.ratio(value) == said


@pytest.mark.parametrize(
    ("value", "said"), [(0.0004, "<0.001"), (0.00532, "0.005"), (0.0996, "0.10"), (0.5, "0.50"), (1.0, ">0.99")]
)
def test_p_values(value: float, said: str) -> None:
    assert rounding.p_value(value) == said


def test_a_quantile_that_is_not_reached_is_said_to_be_so() -> None:
    assert rounding.days(math.nan) == "not reached"


@pytest.mark.parametrize("gap", [None, math.nan, float("nan"), pd.NA, pd.NaT])
def test_every_kind_of_gap_is_not_recorded(gap: object) -> None:
    assert wording.label(gap) == "not recorded"


def test_the_three_faces_of_missing_are_told_apart() -> None:
    assert len({wording.label(None), wording.label("unknown"), wording.label("not_applicable")}) == 3


def test_no_code_is_shown_with_an_underscore() -> None:
    fields = [field for table in TABLES.values() for field in table.fields]
    said = [wording.label(word, column=field.name) for field in fields for word in field.words]
    said += [wording.label(tier, column="tier") for tier in TIERS]
    assert len(said) > 150
    assert not [words for words in said if "_" in words]


def test_cautions_cover_what_must_be_said_beside_outcomes() -> None:
    assert len(CAUTIONS) == 9
    assert [caution.code for caution in cautions_for("return")] == ["group_figures", "care_seekers", "past_courses"]
    everything = " ".join(caution.sentence for caution in CAUTIONS)
    for words in ("not for diagnosis", "1 in 5", "Under 18", "ranked", "small cells", "swollen, bent finger"):
        assert words in everything


@pytest.mark.parametrize(
    ("grade", "endpoint", "days"),
    [
        # Schöffl & Schöffl 2006, J Hand Surg Am 31:647-654, table as reproduced in a secondary publication.
        ("I", "easy sport", (28, 28)),
        ("III", "easy sport", (42, 56)),
        ("II", "full sport", (42, 56)),
        ("III", "full sport", (91, 91)),
        ("IV", "full sport", (182, 182)),
    ],
)
def test_protocol_times_of_the_main_source(grade: str, endpoint: str, days: tuple[int, int]) -> None:
    found = [
        (time.low_day, time.high_day)
        for time in PROTOCOL_TIMES
        if (time.grade, time.endpoint) == (grade, endpoint) and time.source.startswith("Schöffl")
    ]
    assert found == [days]


def test_sources_that_disagree_are_shown_as_a_range() -> None:
    # 4 weeks: a physiotherapy article (second-hand); 12 weeks: Jones & Johnson 2016, algorithm.
    assert full_sport_range("II") == (28, 84)


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        (
            "Fewer than 5 cases: joint (4), tendon (1).",
            "Fewer than 5 cases: Joint capsule or cartilage (4), Tendon (1).",
        ),
        ("Not by: muscle day 3.", "Not by: Muscle, other day 3."),
        ("Every joint and every muscle counts.", "Every joint and every muscle counts."),
        ("In group tendon the estimate ends.", "In group Tendon the estimate ends."),
        ("No hours: unknown (events: 2).", "No hours: asked, not known (events: 2)."),
    ],
)
def test_levels_are_said_as_the_tables_say_them(sentence: str, said: str) -> None:
    levels = {code: wording.label(code, column="tier") for code in ("joint", "tendon", "muscle", "unknown")}
    assert wording.in_words(sentence, levels=levels) == said


def test_names_are_kept() -> None:
    kept = ["north_hall", "joint"]
    assert wording.in_words("No sessions: north_hall, joint.", levels={"joint": "J"}, kept=kept) == (
        "No sessions: north_hall, joint."
    )


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        (
            "none of the 1 cases can be used (1: under 18 (shown apart)).",
            "not one case can be used: the single one is left out (under 18, shown apart).",
        ),
        (
            "None of the 3 cases can be used (3: under 18 (shown apart)).",
            "None of the 3 cases can be used (3: under 18, shown apart).",
        ),
        ("5 occurrences. Grouped by minor they stand apart.", "5 injury events. Grouped by age they stand apart."),
        ("Deliver occurrences.csv.", "Deliver occurrences.csv."),
    ],
)
def test_phrases_of_analyses_are_mended(sentence: str, said: str) -> None:
    assert wording.in_words(sentence) == said


def test_every_milestone_has_its_words() -> None:
    for name in get_args(Milestone):
        for key in (name, f"{name}_sustained"):
            assert key in wording.MILESTONES


@pytest.mark.parametrize(
    ("outcome", "said"),
    [
        ("injured", "injury"),
        ("has_a2=yes", "A2 pulley hurt"),
        ("has_a2=0", "A2 pulley hurt: no"),
        ("minor=yes", "under 18"),
        ("main_structure=a2,a4+main_extent=partial,complete", "partial or complete rupture (A2 pulley or A4 pulley)"),
        ("main_structure=phalanx+main_extent=fracture", "main structure phalanx and extent fracture"),
        ("main_structure=a2+main_extent=complete+sex=male", "complete rupture (A2 pulley) and sex male"),
        ("uiaa_score=2,3", "UIAA score 2 or 3"),
        ("a_2 == b", "a 2 == b"),
        ("ruptured_a2", "ruptured a2"),
    ],
)
def test_outcomes_are_said_in_words(outcome: str, said: str) -> None:
    assert wording.outcome_words(outcome) == said


def test_sentences_say_their_outcome() -> None:
    said = wording.with_outcome_said("Odds ratios of injured by grip; 'injured' is injured.", "injured")
    assert said == "Odds ratios of injury by grip; 'injury' is injured."
    assert wording.with_outcome_said("3 tier=pulley_4: not known", "tier=pulley_4") == (
        "3 severity tier Pulley IV: not gradable or not known"
    )
    assert wording.with_outcome_said("3 sex=male: not known", "sex=male") == "3 sex male: not known"


@pytest.mark.parametrize(
    ("sentence", "said"),
    [
        ("1 of 8 climbers appear more than once", "1 of 8 climbers appears more than once"),
        ("16 grip: not_applicable", "16 grip: not applicable, as at a gradual onset"),
        ("e_value_limit and uiaa_score of has_a2", "E-value of the limit and UIAA score of A2 pulley hurt"),
    ],
)
def test_phrases_of_comparisons(sentence: str, said: str) -> None:
    assert wording.in_words(sentence) == said
