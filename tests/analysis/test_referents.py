"""Cases beside referents: which rows a design compares, what it refuses, and what it says the ratio means."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from analysis.matched import matched_odds_ratios
from analysis.matching.referent_kinds import OF_THE_UNIT, SAMPLINGS
from analysis.matching.referent_meaning import MEANINGS, cannot_mean, meaning
from analysis.odds import odds_ratios
from analysis.referents import Comparison, compared
from registry import open_registry
from registry.dictionary import TABLES
from registry.errors import ColumnError, DataError, InputError, OptionError
from registry.intake.report import IntakeReport

DAY = date(2024, 5, 1)


def cases(**columns: list[Any]) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    given: dict[str, list[Any]] = {
        "site": ["north"] * n,
        "athlete": [f"c{i}" for i in range(n)],
        "onset": [DAY] * n,
        "onset_mode": ["sudden"] * n,
        "match_set": [f"m{i}" for i in range(n)],
    }
    return pd.DataFrame(given | columns)


def referents(unit: str, sampling: str, **columns: list[Any]) -> pd.DataFrame:
    n = len(next(iter(columns.values())))
    given: dict[str, list[Any]] = {
        "site": ["north"] * n,
        "referent": [f"r{i}" for i in range(n)],
        "athlete": [f"c{i}" for i in range(n)],
        "unit": [unit] * n,
        "sampling": [sampling] * n,
        "happened_on": [DAY - timedelta(days=10)] * n,
        "match_set": [f"m{i}" for i in range(n)],
    }
    return pd.DataFrame(given | columns)


def rows_of(both: Comparison) -> pd.DataFrame:
    frame: pd.DataFrame = both.rows.collect().to_pandas()
    return frame.sort_values(["injured", "climber", "match_set"], ignore_index=True)


def left_out(both: Comparison) -> dict[str, int]:
    return dict(zip(both.left_out["reason"], both.left_out["n"], strict=True))


MOVES = referents("move", "unmatched", grip=["open_hand", "full_crimp", "open_hand"], athlete=[None] * 3)
HURT = cases(grip=["full_crimp", "open_hand", "not_applicable"], onset_mode=["sudden", "unknown", "repetitive_gradual"])


def test_moves_beside_cases() -> None:
    both = compared({"cases": HURT, "referents": MOVES}, design="case_control", exposures=["grip"])
    assert (both.unit, both.sampling, both.cases, both.referents) == ("move", "unmatched", 1, 3)
    assert left_out(both) == {
        "case: gradual onset (happened in no one move)": 1,
        "case: mode of onset not known": 1,
    }
    rows = rows_of(both)
    assert rows["injured"].tolist() == [False] * 3 + [True]
    assert rows["climber"].tolist()[3] == "north:c0"
    assert rows["match_set"].tolist()[3] == "north:m0"
    assert rows["season"].tolist() == ["2024"] * 4
    assert "rate of an injury per move" in both.meaning
    assert "which moves a coach notes" in both.cannot_mean
    ratio = odds_ratios(both.rows, outcome=both.outcome, exposure="grip", reference="open_hand", design="case_control")
    counts = ratio.table.iloc[0][["exposed_events", "exposed_others", "reference_events", "reference_others"]]
    assert counts.tolist() == [1, 1, 0, 2]


def test_a_climber_may_have_been_hurt_gradually() -> None:
    others = referents("climber", "density", athlete=["x1", "x2"])
    athletes = pd.DataFrame(
        {
            "site": ["north"] * 5,
            "athlete": ["c0", "c1", "c2", "x1", "x2"],
            "sex": ["female", "male", "male", "female", "male"],
            "birth_year": [1990, 2000, 2008, 2006, 1980],
            "level": [None] * 5,
            "dominant_hand": ["left"] * 5,
        }
    )
    source = {"cases": HURT, "referents": others, "athletes": athletes}
    both = compared(source, design="case_control", exposures=["sex", "age_band"])
    assert (both.cases, both.referents, left_out(both)) == (3, 2, {})
    rows = rows_of(both)[rows_of(both)["injured"].eq(False)]
    assert rows["sex"].tolist() == ["female", "male"]
    # In the year in which a climber turns 18 nobody knows whether they have: a minor (registry.derive.people).
    assert rows["age_band"].tolist() == ["14-17", "35-44"]
    assert rows["minor"].tolist() == [True, False]
    assert "at risk when a case happened" in both.meaning


def test_people_apart() -> None:
    young = HURT.assign(onset_mode="sudden", minor=[True, False, None], grip="full_crimp")
    both = compared({"cases": young, "referents": MOVES}, design="case_control", exposures="grip", people="adults")
    assert (both.cases, both.referents) == (1, 3)
    assert left_out(both) == {"under 18 (shown apart)": 1, "age not known": 1}
    assert [note.code for note in both.notes] == ["referents_of_any_age"]
    named = MOVES.assign(athlete=["x1", "x2", "x3"], minor=[True, False, None])
    both = compared({"cases": young, "referents": named}, design="case_control", exposures="grip", people="minors")
    assert (both.cases, both.referents, both.notes) == (1, 1, ())
    assert left_out(both) == {"18 or older (shown apart)": 2, "age not known": 2}
    with pytest.raises(OptionError, match=r"people is 'adult'.*Did you mean 'adults'"):
        compared({"cases": young, "referents": named}, design="case_control", exposures="grip", people="adult")  # type: ignore[arg-type]
    with pytest.raises(DataError, match="none of the cases is of the people asked for"):
        compared(
            {"cases": young.assign(minor=False), "referents": named},
            design="case_control",
            exposures="grip",
            people="minors",
        )


def test_only_sites_with_referents_give_cases() -> None:
    hurt = cases(grip=["full_crimp", "open_hand"], site=["north", "south"])
    both = compared({"cases": hurt, "referents": MOVES}, design="case_control", exposures="grip")
    assert left_out(both) == {"case: at a site without such referents": 1}
    two = pd.concat([MOVES, MOVES.assign(site="south")])
    both = compared({"cases": hurt, "referents": two}, design="case_control", exposures="grip")
    assert [note.code for note in both.notes] == ["several_sites"]


def test_cases_with_an_outcome() -> None:
    hurt = cases(grip=["full_crimp", "open_hand", "full_crimp"], has_a2=[1, 0, 1], severe=[True, None, False])
    source = {"cases": hurt, "referents": MOVES}
    both = compared(source, design="case_control", exposures="grip", outcome_of_cases="has_a2")
    assert left_out(both) == {"case: without 'has_a2'": 1}
    assert "injury with 'has_a2'" in both.meaning
    both = compared(source, design="case_control", exposures="grip", outcome_of_cases="severe")
    assert left_out(both) == {"case: without 'severe'": 1, "case: 'severe' not known": 1}
    with pytest.raises(InputError, match="outcome_of_cases 'grip' must be true/false"):
        compared(source, design="case_control", exposures="grip", outcome_of_cases="grip")
    with pytest.raises(ColumnError, match="no column 'has_a4'"):
        compared(source, design="case_control", exposures="grip", outcome_of_cases="has_a4")


def own_sessions() -> dict[str, pd.DataFrame]:
    hurt = cases(
        context=["training"] * 8,
        onset_mode=["sudden"] * 6 + ["repetitive_sudden", "repetitive_gradual"],
        onset_precision=["day"] * 5 + ["month"] + ["day"] * 2,
        match_set=["m0", "m1", "m2", "m3", None, "m5", "m6", "m7"],
    )
    sessions = referents(
        "session",
        "own_earlier",
        context=["recreation"] * 8,
        athlete=["c0", "c1", "c9", None, "c4", "c5", "c6", "c7"],
        happened_on=[DAY - timedelta(days=7), DAY, *[DAY - timedelta(days=9)] * 6],
        match_set=["m0", "m1", "m2", "m3", "m4", "m5", "m6", None],
    )
    return {"cases": hurt, "referents": sessions}


def test_own_earlier_sessions_stand_against_sudden_onsets() -> None:
    both = compared(own_sessions(), design="matched", exposures="context")
    assert (both.unit, both.sampling, both.cases, both.referents) == ("session", "own_earlier", 4, 1)
    assert left_out(both) == {
        "case: without a matched set": 1,
        "case: gradual onset (happened in no one session)": 1,
        "case: built up by repetition (no one moment)": 1,
        "case: day of onset not known": 1,
        "referent: without a matched set": 1,
        "referent: its case cannot be used": 3,
        "referent: of another climber than its case": 2,
        "referent: not before the onset": 1,
    }
    assert [note.code for note in both.notes] == ["exposure_trend"]
    assert "case-crossover" in both.meaning
    assert "shifts it" in both.cannot_mean
    ratio = matched_odds_ratios(both.rows, outcome=both.outcome, terms="context", matched_on="match_set")
    assert ratio.n_rows_used == 2
    assert ratio.left_out.to_numpy().tolist() == [["in a matched set without a referent", 3]]


def test_own_sessions_that_are_none() -> None:
    source = own_sessions()
    late = source | {"referents": source["referents"].assign(happened_on=DAY + timedelta(days=3))}
    with pytest.raises(DataError, match=r"none of 7 own earlier referents can be used \(.*2: not before the onset"):
        compared(late, design="matched", exposures="context")
    with pytest.raises(OptionError, match="'sex' does not pass: it is the same in all sessions of a climber"):
        compared(source, design="matched", exposures=["context", "sex"])


@pytest.mark.parametrize(
    ("unit", "sampling", "exposure", "sentence"),
    [
        ("session", "unmatched", "grip", "a referent that is a session cannot have 'grip'.*unit move"),
        ("session", "unmatched", "mechanism", "a referent that is a session cannot have 'mechanism'"),
        ("climber", "unmatched", "context", "a climber cannot have 'context'.*unit session or move"),
        ("move", "unmatched", "digit", "referents have no 'digit'"),
        ("move", "unmatched", "gripp", "referents have no 'gripp'.*Did you mean 'grip'"),
    ],
)
def test_an_exposure_that_the_unit_cannot_have(unit: str, sampling: str, exposure: str, sentence: str) -> None:
    source = {"cases": HURT, "referents": referents(unit, sampling, grip=["open_hand"])}
    with pytest.raises(OptionError, match=sentence):
        compared(source, design="case_control", exposures=[exposure])


def test_kinds_are_not_mixed() -> None:
    sessions = referents("session", "unmatched", context=["training"] * 2)
    density = referents("move", "density", grip=["open_hand"])
    hurt = HURT.assign(context="training")
    source = {"cases": hurt, "referents": pd.concat([MOVES, sessions])}
    with pytest.raises(
        InputError, match=r"\(unit move, session\) would be mixed.*Recorded: 3 of unit move, unmatched; 2"
    ):
        compared(source, design="case_control", exposures="context")
    chosen = compared(source, design="case_control", unit="session", exposures="context")
    assert left_out(chosen)["referent: of another unit or sampling"] == 3
    source = {"cases": hurt, "referents": pd.concat([MOVES, density])}
    with pytest.raises(InputError, match=r"\(sampling density, unmatched\) would be mixed"):
        compared(source, design="case_control", exposures="grip")
    assert compared(source, design="case_control", sampling="density", exposures="grip").referents == 1


def test_words_that_do_not_exist() -> None:
    source = {"cases": HURT, "referents": MOVES}
    for options, sentence in (
        ({"design": "within_cases", "exposures": "grip"}, "design is 'within_cases'; referents serve case_control or"),
        ({"design": "case_control", "exposures": "grip", "unit": "moves"}, "unit is 'moves'.*Did you mean 'move'"),
        ({"design": "case_control", "exposures": "grip", "sampling": "matched"}, "sampling is 'matched'; for design"),
    ):
        with pytest.raises(OptionError, match=sentence):
            compared(source, **options)  # type: ignore[arg-type]
    worded = cases(grip=["jam"]).astype({"onset": str})
    with pytest.raises(InputError, match="'onset' of the cases holds text; dates are needed, such as pandas"):
        compared(
            {"cases": worded, "referents": referents("move", "unmatched", grip=["jam"])},
            design="case_control",
            exposures="grip",
        )
    with pytest.raises(InputError, match="exposures is empty"):
        compared(source, design="case_control", exposures=[])
    with pytest.raises(InputError, match="a mapping with the tables 'cases' and 'referents'; got DataFrame"):
        compared(HURT, design="case_control", exposures="grip")
    with pytest.raises(ColumnError, match="no column 'unit'"):
        compared({"cases": HURT, "referents": MOVES.drop(columns="unit")}, design="case_control", exposures="grip")


def test_nothing_to_compare() -> None:
    with pytest.raises(DataError, match=r"no referents for design 'matched'.*recorded: 3 of unit move, unmatched"):
        compared({"cases": HURT, "referents": MOVES}, design="matched", exposures="grip")
    with pytest.raises(DataError, match="recorded: none"):
        compared({"cases": HURT, "referents": MOVES.iloc[:0]}, design="matched", exposures="grip")
    gradual = HURT.assign(onset_mode="repetitive_gradual")
    with pytest.raises(DataError, match=r"no case can be compared .*of 3 cases 3: gradual onset"):
        compared({"cases": gradual, "referents": MOVES}, design="case_control", exposures="grip")
    with pytest.raises(DataError, match=r"'mechanism' is recorded for none of the \d (cases|referents)"):
        compared({"cases": HURT, "referents": MOVES}, design="case_control", exposures="mechanism")


def test_every_kind_of_referent_has_its_sentences() -> None:
    fields = {field.name: field for field in TABLES["referents"].fields}
    assert set(OF_THE_UNIT) == {code.word for code in fields["unit"].codes}
    samplings = {code.word for code in fields["sampling"].codes}
    assert samplings == {word for words in SAMPLINGS.values() for word in words} == set(MEANINGS)
    for sampling, units in MEANINGS.items():
        for unit in units:
            for sentence in (meaning(sampling, unit, "injury"), cannot_mean(sampling, unit)):
                assert "{" not in sentence
                assert sentence.endswith(".")
    assert set(OF_THE_UNIT["move"]) <= set(fields)


def test_a_registry_with_referents(
    write_delivery: Callable[..., Path], take_in: Callable[..., IntakeReport], clean: dict[str, str], tmp_path: Path
) -> None:
    clean["referents"] = (
        "referent,match_set,athlete,unit,sampling,happened_on,observed_how,grip,mechanism\n"
        "R1,,,move,unmatched,2024-03-05,coach,open_hand,slow_pull\n"
        "R2,,,move,unmatched,2024-05-02,coach,full_crimp,slow_pull\n"
    )
    take_in(write_delivery(clean))
    with open_registry(tmp_path / "registry.duckdb") as view:
        both = compared(view, design="case_control", exposures=["grip", "mechanism"])
        rows = rows_of(both)
    assert (both.cases, both.referents) == (2, 2)
    assert left_out(both) == {"case: gradual onset (happened in no one move)": 1}
    assert rows["grip"].tolist() == ["open_hand", "full_crimp", "full_crimp", "half_crimp"]
    assert rows["minor"].tolist()[2:] == [False, False]
