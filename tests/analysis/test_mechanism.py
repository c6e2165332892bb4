"""One entry for three designs: which rows, which ratios, what they mean, and what is refused."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.adjusted import adjusted_odds_ratios
from analysis.matched import matched_odds_ratios
from analysis.mechanism import mechanism_odds
from analysis.mechanisms.e_value import e_value
from analysis.multiplicity import adjust_p
from analysis.odds import odds_ratios
from analysis.results import ODDS_COLUMNS, OddsRatios
from analysis.trend import trend_test
from registry.errors import AnnularyError, ColumnError, DataError, InputError, OptionError


def injuries(n: int = 240, *, seed: int = 1) -> pd.DataFrame:
    draw = np.random.default_rng(seed)
    grip = draw.choice(["full_crimp", "half_crimp", "open_hand"], n)
    return pd.DataFrame(
        {
            "climber": [f"c{k}" for k in draw.integers(0, 2 * n, n)],
            "onset_mode": draw.choice(["sudden", "repetitive_gradual"], n, p=[0.9, 0.1]),
            "grip": np.where(draw.random(n) < 0.05, None, grip),
            "mechanism": draw.choice(["foot_slip", "slow_pull", "unknown"], n),
            "sex": draw.choice(["female", "male"], n),
            "age_band": draw.choice(["18-24", "25-34", "35-44"], n),
            "pulley_grade": draw.choice(["I", "II", "III", "IV", "not_gradable"], n),
            "ruptured": draw.random(n) < np.where(grip == "full_crimp", 0.6, 0.35),
        }
    )


@pytest.fixture(autouse=True)
def _fewer_draws(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.modelling.adjusted_model.REPLICATES", 50)
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)


FRAME = injuries()
SUDDEN = FRAME[FRAME["onset_mode"] == "sudden"]


def codes(result: OddsRatios) -> list[str]:
    return [note.code for note in result.notes]


def rows(result: OddsRatios, exposure: str, method: str) -> pd.DataFrame:
    table = result.table
    return table[(table["exposure"] == exposure) & (table["method"] == method)].reset_index(drop=True)


SHARED = ["exposure", "level", "reference", "method", "estimate", "conf_low", "conf_high", "p_value"]


def test_crude_and_adjusted_stand_together() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures="grip", adjust=["sex"])
    crude = odds_ratios(SUDDEN, outcome="ruptured", exposure="grip")
    model = adjusted_odds_ratios(SUDDEN, outcome="ruptured", terms=["grip", "sex"])
    expected = pd.concat([crude.table, model.table[model.table["exposure"] == "grip"]], ignore_index=True)
    pd.testing.assert_frame_equal(result.table[SHARED], expected[SHARED])
    assert list(result.table.columns) == list(ODDS_COLUMNS)
    assert (result.exposures, result.covariates, result.reference) == (("grip",), ("sex",), "full_crimp")
    assert set(result.coefficients["exposure"]) == {"(intercept)", "grip", "sex"}
    assert set(result.fit["model"]) == {"grip"}
    assert result.meaning.startswith("Among injuries only")
    assert "not the risk of being injured" in result.cannot_mean
    assert result.table["e_value"].isna().all()


def test_gradual_onsets_are_not_applicable_and_counted() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures="grip")
    reasons = dict(zip(result.left_out["reason"], result.left_out["n"], strict=True))
    assert reasons["grip: not applicable"] == len(FRAME) - len(SUDDEN)
    assert result.n_rows_used + result.left_out["n"].sum() == result.n_rows_in == len(FRAME)


def test_outcomes_may_be_written_as_values() -> None:
    result = mechanism_odds(FRAME, outcome="pulley_grade=III,IV", exposures="sex")
    judged = FRAME[FRAME["pulley_grade"] != "not_gradable"]
    severe = judged.assign(severe=judged["pulley_grade"].isin(["III", "IV"]))
    expected = odds_ratios(severe, outcome="severe", exposure="sex").table["estimate"]
    assert result.table["estimate"].tolist() == expected.tolist()
    assert result.outcome == "pulley_grade=III,IV"


def test_several_exposures_are_one_family_and_have_their_own_models() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures=["grip", "mechanism"], adjust="sex")
    for method in ("conditional_exact", "woolf", "logistic"):
        family = result.table[result.table["method"] == method]
        assert len(family) == 3
        for column in ("holm", "benjamini_hochberg"):
            expected = adjust_p(family["p_value"], method=column)  # type: ignore[arg-type]
            assert family[f"p_{column}"].to_numpy() == pytest.approx(expected)
    alone = mechanism_odds(FRAME, outcome="ruptured", exposures="mechanism", adjust="sex")
    assert alone.table["p_holm"].isna().all()
    pd.testing.assert_frame_equal(
        rows(result, "mechanism", "logistic")[SHARED], rows(alone, "mechanism", "logistic")[SHARED]
    )
    assert result.n_rows_used + result.left_out["n"].sum() == result.n_rows_in
    assert codes(result).count("rows_used") == 2


def test_an_exposure_among_the_covariates_adjusts_the_others() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures=["grip", "sex"], adjust=["grip", "sex"])
    model = adjusted_odds_ratios(SUDDEN, outcome="ruptured", terms=["grip", "sex"]).table
    for name in ("grip", "sex"):
        expected = model[(model["exposure"] == name) & (model["method"] == "logistic")]["estimate"]
        assert rows(result, name, "logistic")["estimate"].tolist() == pytest.approx(expected.tolist())
    assert result.covariates == ()


def test_interactions_have_a_model_of_their_own() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures="grip", adjust="sex", interactions="grip:sex")
    model = adjusted_odds_ratios(SUDDEN, outcome="ruptured", terms=["grip", "sex"], interactions=["grip:sex"])
    expected = model.table[model.table["exposure"] == "grip:sex"]
    ours = rows(result, "grip:sex", "logistic")
    assert ours["estimate"].tolist() == expected["estimate"].tolist()
    plain = mechanism_odds(FRAME, outcome="ruptured", exposures="grip", adjust="sex")
    assert rows(result, "grip", "logistic")["estimate"].tolist() == rows(plain, "grip", "logistic")["estimate"].tolist()
    assert (result.tests["exposure"] == "grip:sex").sum() == 1
    assert set(result.fit["model"]) == {"grip", "grip:sex"}


def test_trend_of_an_ordered_exposure() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures="age_band", trend="age_band")
    expected = trend_test(FRAME, outcome="ruptured", ordered="age_band").tests
    ours = result.tests[result.tests["test"].isin(expected["test"])]
    assert ours["p_value"].tolist() == pytest.approx(expected["p_value"].tolist(), nan_ok=True)
    assert "trend" in codes(result)


def test_the_order_of_a_categorical_column_is_its_own() -> None:
    load = pd.Categorical(np.where(FRAME["sex"] == "male", "low", "high"), categories=["low", "high"], ordered=True)
    result = mechanism_odds(FRAME.assign(load=load), outcome="ruptured", exposures="load", trend="load")
    assert "at low and" in next(note.sentence for note in result.notes if note.code == "trend")


def test_strata_and_firth_on_request() -> None:
    result = mechanism_odds(FRAME, outcome="ruptured", exposures="grip", strata="sex", firth="always")
    assert {"mantel_haenszel", "logistic", "firth"} <= set(result.table["method"])
    assert {"breslow_day", "tarone"} <= set(result.tests["test"])


def test_case_control_rows_carry_e_values() -> None:
    for unit, outcome in (("session", "rare"), (None, "common"), ("climber", "common")):
        result = mechanism_odds(FRAME, design="case_control", unit=unit, outcome="ruptured", exposures="sex")  # type: ignore[arg-type]
        row = result.table.iloc[0]
        limits = {"conf_low": row["conf_low"], "conf_high": row["conf_high"]}
        expected = e_value(row["estimate"], **limits, outcome=outcome)
        assert (row["e_value"], row["e_value_limit"]) == (expected.estimate, expected.limit)
        assert "e_value" in codes(result)
        assert result.meaning.startswith("Cases against referents")


def pairs(n: int = 60) -> pd.DataFrame:
    draw = np.random.default_rng(5)
    case = np.arange(2 * n) % 2 == 0
    crimp = draw.random(2 * n) < np.where(case, 0.6, 0.35)
    return pd.DataFrame(
        {
            "match_set": np.arange(2 * n) // 2,
            "injured": case,
            "grip": np.where(crimp, "half_crimp", "open_hand"),
            "setting": draw.choice(["indoor", "outdoor"], 2 * n),
            "age_band": draw.choice(["18-24", "25-34", "35-44"], 2 * n),
        }
    )


def test_matched_sets() -> None:
    frame = pairs()
    plain = mechanism_odds(
        frame, design="matched", outcome="injured", exposures="grip", references={"grip": "open_hand"}
    )
    expected = matched_odds_ratios(
        frame, outcome="injured", terms="grip", matched_on="match_set", references={"grip": "open_hand"}
    )
    pd.testing.assert_frame_equal(plain.table[SHARED], expected.table[SHARED])
    assert set(plain.table["method"]) == {"conditional_logistic", "mcnemar_exact"}
    assert len(plain.sets) == len(expected.sets)
    assert plain.table["e_value"].notna().all()
    both = mechanism_odds(frame, design="matched", outcome="injured", exposures="grip", adjust="setting")
    assert set(both.table["method"]) == {"conditional_logistic"}
    assert "unadjusted" in codes(both)


def test_trend_within_matched_sets_is_the_model_of_its_scores() -> None:
    frame = pairs()
    result = mechanism_odds(frame, design="matched", outcome="injured", exposures="age_band", trend="age_band")
    scores = {"18-24": 3.0, "25-34": 4.0, "35-44": 5.0}
    model = matched_odds_ratios(
        frame.assign(step=frame["age_band"].map(scores)), outcome="injured", terms="step", matched_on="match_set"
    )
    ours = result.tests[result.tests["test"] == "trend"].iloc[0]
    assert ours["p_value"] == pytest.approx(model.table["p_value"].iloc[0])
    assert ours["statistic"] == pytest.approx(model.table["statistic"].iloc[0] ** 2)


def registry_tables(*, own: bool = False) -> dict[str, dict[str, list[Any]]]:
    """Twelve cases and the referents of a registry: moves that a coach noted, or own earlier sessions."""
    n, first = 12, date(2024, 5, 1)
    cases: dict[str, list[Any]] = {
        "site": ["x"] * n,
        "case": [str(k) for k in range(n)],
        "athlete": [f"a{k}" for k in range(n)],
        "onset": [first + timedelta(days=k) for k in range(n)],
        "onset_mode": ["sudden"] * (n - 2) + ["repetitive_gradual"] * 2,
        "grip": ["half_crimp", "open_hand", "half_crimp"] * 4,
        "setting": ["indoor", "outdoor"] * 6,
        "pulley_grade": ["III", "I"] * 6,
        "match_set": [f"m{k}" for k in range(n)],
    }
    referents: dict[str, list[Any]] = {
        "site": ["x"] * n,
        "referent": [str(k) for k in range(n)],
        "athlete": [f"a{k}" if own else None for k in range(n)],
        "unit": ["session" if own else "move"] * n,
        "sampling": ["own_earlier" if own else "unmatched"] * n,
        "happened_on": [first + timedelta(days=k - 9) for k in range(n)],
        "grip": [None] * n if own else ["open_hand", "half_crimp", "open_hand", "open_hand"] * 3,
        "setting": ["outdoor", "indoor", "indoor"] * 4,
        "match_set": [f"m{k}" if own else None for k in range(n)],
    }
    return {"cases": cases, "referents": referents}


def test_cases_beside_the_referents_of_a_registry() -> None:
    result = mechanism_odds(
        registry_tables(), design="case_control", exposures="grip", references={"grip": "open_hand"}
    )
    row = result.table.iloc[0]
    # Of 10 sudden cases 7 crimped, of 12 moves 3.
    assert row[["exposed_events", "reference_events", "exposed_others", "reference_others"]].tolist() == [7, 3, 3, 9]
    assert "rate of an injury per move" in result.meaning
    assert result.n_rows_used + result.left_out["n"].sum() == result.n_rows_in == 24
    assert row["e_value"] == pytest.approx(e_value(row["estimate"]).estimate)
    severe = mechanism_odds(
        registry_tables(),
        design="case_control",
        outcome="pulley_grade=III",
        exposures="grip",
        references={"grip": "open_hand"},
    )
    assert severe.table.iloc[0][["exposed_events", "reference_events"]].sum() == 5
    assert severe.outcome == "pulley_grade=III"


def test_own_earlier_sessions_have_no_e_value() -> None:
    result = mechanism_odds(registry_tables(own=True), design="matched", exposures="setting")
    assert "case-crossover" in result.meaning
    assert result.table["e_value"].isna().all()
    assert "no_e_value" in codes(result)
    with pytest.raises(OptionError, match="a session cannot have 'grip'"):
        mechanism_odds(registry_tables(own=True), design="matched", exposures="grip")


@pytest.mark.parametrize(
    ("options", "kind", "words"),
    [
        ({"exposures": []}, InputError, "exposures is empty"),
        ({"exposures": ["grip", "grip"]}, InputError, "'grip' is given twice in exposures"),
        ({"exposures": "grap"}, ColumnError, "Did you mean 'grip'"),
        ({"exposures": "grip", "adjust": "sax"}, ColumnError, "Did you mean 'sex'"),
        ({"exposures": "climber"}, InputError, "'climber' says whose rows belong together"),
        ({"exposures": "ruptured"}, InputError, "'ruptured' is what the outcome"),
        ({"exposures": "grip", "adjust": "sex", "outcome": "sex=male"}, InputError, "'sex' is what the outcome"),
        ({"exposures": "grip", "design": "cohort"}, OptionError, "design is 'cohort'"),
        ({"exposures": "grip", "firth": "often"}, OptionError, "firth is 'often'"),
        ({"exposures": "grip", "unit": "move"}, OptionError, "within_cases has none"),
        ({"exposures": "grip", "references": {"grap": "jam"}}, OptionError, "names 'grap', which is no exposure"),
        ({"exposures": "grip", "references": {"grip": "jam"}}, DataError, "no row that can be compared has 'jam'"),
        ({"exposures": "grip", "references": {"grip": "jamm"}}, OptionError, "no level 'jamm' of 'grip'"),
        ({"exposures": "grip", "interactions": "grip:sex"}, OptionError, "interaction 'grip:sex' is not one of two"),
        ({"exposures": "grip", "trend": "sex"}, OptionError, "trend names 'sex', which is no exposure"),
        ({"exposures": "grip", "design": "matched", "strata": "sex"}, OptionError, "'sex' cannot be pooled over"),
        ({"exposures": "grip", "design": "matched"}, ColumnError, "no column 'match_set'"),
        ({"exposures": "grip", "outcome": None}, InputError, "outcome is missing"),
        ({"exposures": "grip", "outcome": "sex=,"}, OptionError, "COLUMN=VALUE"),
        ({"exposures": "grip", "outcome": "sex"}, InputError, "outcome 'sex' must be true/false"),
        ({"exposures": "grip", "people": "children"}, OptionError, "people is 'children'"),
        ({"exposures": "grip", "conf_level": 95}, OptionError, "conf_level"),
        (
            {"exposures": ["grip", "sex"], "adjust": "grip", "interactions": "grip:sex", "design": "matched"},
            OptionError,
            "is not estimated in matched sets",
        ),
    ],
)
def test_refusals(options: dict[str, Any], kind: type[AnnularyError], words: str) -> None:
    with pytest.raises(kind, match=words):
        mechanism_odds(FRAME, **{"outcome": "ruptured", **options})


def test_codes_and_flags_are_levels_in_every_row() -> None:
    coded = FRAME.assign(pop=(FRAME["sex"] == "male").astype(int), warm=FRAME["sex"] == "male", age=np.arange(240.0))
    word, code, flag = (
        mechanism_odds(coded, outcome="ruptured", exposures=name, adjust="age", missing=True)
        for name in ("sex", "pop", "warm")
    )
    for one, level, reference in ((code, "1", "0"), (flag, "yes", "no")):
        assert one.table["estimate"].tolist() == pytest.approx(word.table["estimate"].tolist())
        assert one.sensitivity["estimate"].tolist() == pytest.approx(word.sensitivity["estimate"].tolist())
        for frame in (one.table, one.sensitivity):
            assert set(zip(frame["level"], frame["reference"], strict=True)) == {(level, reference)}


@pytest.mark.parametrize("design", ["within_cases", "case_control", "matched"])
def test_three_cases_give_a_result_or_a_sentence(design: Any) -> None:
    frame = pd.DataFrame({"hurt": [True, False, True], "grip": ["jam", "pinch", "pinch"], "match_set": [1, 1, 2]})
    result = mechanism_odds(frame, design=design, outcome="hurt", exposures="grip", missing=True)
    assert {"few_events"} <= set(codes(result))
    for name in ("hurt", "grip"):
        with pytest.raises(DataError, match=f"'{name}'"):
            mechanism_odds(frame.assign(**{name: frame[name].iloc[0]}), design=design, outcome="hurt", exposures="grip")


def test_among_keeps_the_rows_of_which_the_condition_holds() -> None:
    by_hand = FRAME[FRAME["pulley_grade"].isin(["III", "IV"])]
    one = mechanism_odds(FRAME, outcome="ruptured", exposures="sex", among="pulley_grade=III,IV")
    other = mechanism_odds(by_hand, outcome="ruptured", exposures="sex")
    pd.testing.assert_frame_equal(one.table, other.table)
    assert one.n_rows_in == len(FRAME)
    assert (
        dict(one.left_out.to_numpy())["pulley_grade=III,IV: not known"]
        == (FRAME["pulley_grade"] == "not_gradable").sum()
    )
    with pytest.raises(DataError, match="none of the 240 rows can be used"):
        mechanism_odds(FRAME.assign(pulley_grade="I"), outcome="ruptured", exposures="sex", among="pulley_grade=III,IV")
