"""Odds ratios of matched sets: published and R's values, what is left out, repeaters, laws."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from analysis.matched import matched_odds_ratios
from analysis.results import ODDS_COLUMNS, SET_COLUMNS, OddsRatios
from registry.errors import DataError

TESTS = Path(__file__).resolve().parent.parent
CHECKS: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "matched.json").read_text(encoding="utf-8"))
}
REFERENCE = TESTS / "reference" / "matched"
INFERT = pd.read_csv(TESTS / "reference" / "data" / "infert.csv").assign(case=lambda rows: rows["case"] == 1)
INFERT["group"] = np.ceil(INFERT["stratum"] / 4).astype(int)
# The models of tests/reference/matched/make.R: R 4.2.2, survival 3.5-3
MODELS: dict[str, dict[str, Any]] = {
    "one_case": {"terms": ["spontaneous", "induced"], "matched_on": "stratum"},
    "several_cases": {"terms": ["spontaneous", "induced"], "matched_on": "pooled.stratum"},
    "levels": {
        "terms": ["spontaneous", "induced"],
        "matched_on": "pooled.stratum",
        "references": {"spontaneous": 0, "induced": 0},
    },
    "large_sets": {
        "terms": ["spontaneous", "induced", "parity", "age"],
        "matched_on": "education",
        "references": {"spontaneous": 0, "induced": 0},
    },
}


def codes(result: OddsRatios) -> list[str]:
    return [note.code for note in result.notes]


def note(result: OddsRatios, code: str) -> str:
    return next(note.sentence for note in result.notes if note.code == code)


def rows_of_sets(sets: list[tuple[str, str]], column: str = "grip") -> pd.DataFrame:
    """One row a member: each set is the words of its cases and those of its referents, parted by blanks."""
    lines = [
        (number, case, word)
        for number, (cases, referents) in enumerate(sets)
        for case, words in ((True, cases), (False, referents))
        for word in words.split()
    ]
    return pd.DataFrame(lines, columns=["pair", "hurt", column])


def grips(sets: list[tuple[str, str]], **options: Any) -> OddsRatios:
    return matched_odds_ratios(rows_of_sets(sets), outcome="hurt", terms="grip", matched_on="pair", **options)


CRIMPS = [("crimp", "open")] * 9 + [("open", "crimp")] * 5 + [("crimp", "crimp")] * 4 + [("open", "open")] * 6


def test_infertility_after_abortion() -> None:
    # Trichopoulos et al. 1976, Br J Obstet Gynaecol 83:645-650 (R ?clogit); computed with R 4.2.2, survival 3.5.3
    case = CHECKS["CLOGIT-INFERT"]
    expected, tolerance = case["expected"], case["tolerance"]
    result = matched_odds_ratios(INFERT, outcome="case", terms=["spontaneous", "induced"], matched_on="stratum")
    table, tests = result.table, result.tests.set_index("test")
    assert table["estimate"].tolist() == pytest.approx(expected["OR"], abs=tolerance)
    assert result.coefficients["coefficient"].tolist() == pytest.approx(expected["coef"], abs=tolerance)
    assert table["std_error"].tolist() == pytest.approx(expected["se"], abs=tolerance)
    assert result.fit["log_likelihood"].tolist() == pytest.approx(expected["loglik"][1:], abs=tolerance)
    assert tests.loc["likelihood_ratio", "statistic"] == pytest.approx(expected["LR"], abs=tolerance)
    assert tests.loc["score", "statistic"] == pytest.approx(expected["score"], abs=tolerance)
    assert tests.loc["wald", "statistic"] == pytest.approx(expected["wald"], abs=0.005)  # printed with two digits
    # from memory: the coefficients 1.9859 and 1.4090 with errors 0.3524 and 0.3607
    assert table["std_error"].round(4).tolist() == case["published"]["se"]


@pytest.mark.parametrize("name", list(MODELS))
def test_models_as_r_fits_them(name: str) -> None:
    result = matched_odds_ratios(INFERT, outcome="case", **MODELS[name])
    wanted = pd.read_csv(REFERENCE / "coefficients.csv").query("model == @name")
    assert result.coefficients["coefficient"].to_numpy() == pytest.approx(wanted["coefficient"].to_numpy(), rel=1e-7)
    for column in ("std_error", "statistic", "p_value"):
        assert result.table[column].to_numpy() == pytest.approx(wanted[column].to_numpy(), rel=1e-6)
    fit = pd.read_csv(REFERENCE / "tests.csv").set_index("model").loc[name]
    assert result.fit["log_likelihood"].iloc[0] == pytest.approx(fit["log_likelihood"], rel=1e-10)
    assert result.n_rows_used == fit["n"]
    whole = result.tests[result.tests["exposure"] == "(model)"].set_index("test")["statistic"]
    for test in ("likelihood_ratio", "score", "wald"):
        assert whole[test] == pytest.approx(fit[test], rel=1e-7)
    # Terms with several levels are tested as a whole too.
    assert set(result.tests["exposure"]) == {"(model)", *MODELS[name].get("references", {})}


def test_errors_by_cluster_as_r_makes_them() -> None:
    options: dict[str, Any] = {"outcome": "case", **MODELS["one_case"]}
    result = matched_odds_ratios(INFERT, cluster="group", **options)
    wanted = pd.read_csv(REFERENCE / "robust.csv")
    g = wanted["clusters"].iloc[0]
    # R leaves out the factor G / (G - 1)
    assert result.table["std_error"].to_numpy() == pytest.approx(
        wanted["robust_error"].to_numpy() * np.sqrt(g / (g - 1)), rel=1e-7
    )
    assert result.fit["clusters"].iloc[0] == g
    assert result.table["robust_low"].equals(result.table["conf_low"])
    assert "G/(G-1)" in result.method
    # A column 'climber' is used without being named, where climbers are in several sets; else sets are independent.
    named = matched_odds_ratios(INFERT.assign(climber=INFERT["group"]), **options)
    assert named.table.equals(result.table)
    alone = matched_odds_ratios(INFERT.assign(climber=INFERT["stratum"]), **options)
    assert alone.table.equals(matched_odds_ratios(INFERT, **options).table)
    assert (alone.fit["clusters"].iloc[0], "climbers_repeat" in codes(alone)) == (0, False)
    assert note(named, "climbers_repeat").startswith(
        "20 values of 'climber' are in more than one matched set (75 of 76"
    )


def test_sets_that_share_a_climber_go_together_whoever_it_is() -> None:
    """The variance by hand, over all pairs of sets that share a climber as case or as referent."""
    rng = np.random.default_rng(11)
    frame = pd.DataFrame({"pair": np.repeat(np.arange(60), 2), "hurt": [True, False] * 60})
    frame["crimp"], frame["climber"] = rng.random(120) < 0.5, rng.integers(0, 40, 120)
    result = matched_odds_ratios(frame, outcome="hurt", terms="crimp", matched_on="pair")
    wide = frame.pivot_table(index="pair", columns="hurt", values=["crimp", "climber"], aggfunc="first")
    difference = wide["crimp"][True].astype(float) - wide["crimp"][False].astype(float)
    telling = np.flatnonzero(difference)
    beta = math.log((difference > 0).sum() / (difference < 0).sum())
    scores = {pair: difference[pair] * (1 - 1 / (1 + math.exp(-difference[pair] * beta))) for pair in telling}
    people = {pair: set(wide["climber"].loc[pair]) for pair in telling}
    meat = sum(scores[a] * scores[b] for a in telling for b in telling if people[a] & people[b])
    bread = 1 / (difference > 0).sum() + 1 / (difference < 0).sum()
    g = min(len(telling), len(set().union(*people.values())))
    error = bread * math.sqrt(meat * g / (g - 1))
    assert result.table["std_error"].iloc[0] == pytest.approx(error, rel=1e-9)
    assert result.fit["clusters"].iloc[0] == g


def test_too_few_clusters_for_limits() -> None:
    frame = rows_of_sets(CRIMPS).assign(club=lambda rows: rows["pair"] % 3)
    result = matched_odds_ratios(frame, outcome="hurt", terms="grip", matched_on="pair", cluster="club")
    plain = grips(CRIMPS)
    assert result.table["robust_low"].isna().all()
    assert result.table["conf_low"].equals(plain.table["conf_low"])
    assert "Only 3 independent values of 'club'" in note(result, "few_clusters")
    assert "do not allow for it" in note(result, "climbers_repeat")


def test_pairs_have_exact_limits_beside_the_model() -> None:
    result = grips(CRIMPS, references={"grip": "open"})
    assert tuple(result.table.columns) == ODDS_COLUMNS
    assert result.table["method"].tolist() == ["conditional_logistic", "mcnemar_exact"]
    assert result.table["estimate"].tolist() == pytest.approx([9 / 5, 9 / 5])
    assert result.table["std_error"].iloc[0] == pytest.approx(math.sqrt(1 / 9 + 1 / 5))
    cells = ["exposed_events", "exposed_others", "reference_events", "reference_others"]
    assert result.table[cells].to_numpy().tolist() == [[13, 9, 11, 15]] * 2
    assert result.tests["test"].tolist()[-4:] == ["mcnemar", "mcnemar_corrected", "mcnemar_exact", "mcnemar_mid_p"]
    assert result.tests.set_index("test").loc["mcnemar", "statistic"] == pytest.approx(16 / 14)
    assert tuple(result.sets.columns) == SET_COLUMNS
    makeups = result.sets.set_index(["cases_exposed", "referents_exposed"])
    assert makeups["sets"].to_dict() == {(1, 0): 9, (0, 1): 5, (1, 1): 4, (0, 0): 6}
    assert makeups["informative"].to_dict() == {(1, 0): True, (0, 1): True, (1, 1): False, (0, 0): False}
    assert note(result, "uninformative_sets").startswith("In 10 of 24 matched sets")
    assert (result.design, result.n_rows_in, result.n_rows_used) == ("matched", 48, 48)
    assert "no risk" in result.cannot_mean


def test_exact_pairs_only_where_they_answer_the_question() -> None:
    def methods(result: OddsRatios) -> set[str]:
        return set(result.table["method"])

    assert methods(grips([*CRIMPS, ("crimp", "open open")])) == {"conditional_logistic"}
    assert methods(grips([*CRIMPS, ("jam", "open")])) == {"conditional_logistic"}
    # A larger set that says nothing does not matter, and numbers one apart are two levels.
    assert methods(grips([*CRIMPS, ("open", "open open")])) == {"conditional_logistic", "mcnemar_exact"}
    numbers = rows_of_sets(CRIMPS).assign(crimp=lambda rows: (rows["grip"] == "crimp").astype(int))
    for unit, wanted in ((1, {"conditional_logistic", "mcnemar_exact"}), (2, {"conditional_logistic"})):
        frame = numbers.assign(crimp=numbers["crimp"] * unit)
        result = matched_odds_ratios(frame, outcome="hurt", terms=["crimp"], matched_on="pair")
        assert methods(result) == wanted
        assert result.table["estimate"].iloc[0] == pytest.approx((9 / 5) ** (1 / unit))
        assert (result.table["level"].iloc[0], result.table["reference"].iloc[0]) == ("per unit", "")


def test_a_level_that_always_goes_with_the_case() -> None:
    result = grips([("jam", "open")] * 6 + CRIMPS, references={"grip": "open"})
    table = result.table.set_index("level")
    assert table.loc["jam", "estimate"] == math.inf
    assert table.loc["jam", ["conf_low", "conf_high", "p_value", "std_error"]].isna().all()
    assert bool(table.loc["jam", "zero_cell"])
    assert table.loc["crimp", "estimate"] == pytest.approx(9 / 5)
    assert "'grip' at 'jam'" in note(result, "separation")
    assert "infinite" in note(result, "separation")
    assert result.tests.set_index("test").loc["likelihood_ratio", "p_value"] < 0.05
    pairs = grips([("jam", "open")] * 6, references={"grip": "open"}).table.set_index("method")
    # 6 of 6: the exact lower limit is (0.025 ** (1 / 6)) as odds
    share = 0.025 ** (1 / 6)
    assert pairs.loc["mcnemar_exact", "conf_low"] == pytest.approx(share / (1 - share))
    assert pairs["estimate"].tolist() == [math.inf, math.inf]
    turned = grips([("open", "jam")] * 6, references={"grip": "open"})
    assert turned.table["estimate"].tolist() == [0, 0]
    assert "its ratio is 0" in note(turned, "separation")


def test_a_level_that_no_set_compares() -> None:
    result = grips([*CRIMPS, ("jam", "jam"), ("jam", "pinch")], references={"grip": "open"})
    table = result.table.set_index("level")
    assert table.loc[["jam", "pinch"], "estimate"].isna().all()
    assert table.loc["crimp", "estimate"] == pytest.approx(9 / 5)
    assert "'grip' at 'pinch', 'grip' at 'jam'" in note(result, "level_not_compared")
    assert "separation" not in codes(result)


def test_few_sets_behind_a_ratio() -> None:
    three = grips([("crimp", "open")] * 2 + [("open", "crimp")])
    assert three.table["estimate"].tolist() == pytest.approx([1 / 2, 1 / 2])  # open against crimp
    assert "'grip' at 'open'" in note(three, "few_events")
    assert "few_events" not in codes(grips(CRIMPS))
    # Four pairs that differ are too few, however many agree.
    assert "few_events" in codes(grips([("crimp", "open")] * 9 + [("open", "crimp")] * 4 + [("open", "open")] * 90))


def test_what_is_left_out_is_counted() -> None:
    frame = pd.concat(
        [
            rows_of_sets(CRIMPS),
            pd.DataFrame(
                [
                    (None, True, "crimp"),
                    (100, None, "crimp"),
                    (100, True, "not_applicable"),
                    (101, True, "unknown"),
                    (101, False, "open"),
                    (102, False, None),
                    (102, True, "open"),
                    (103, True, "crimp"),
                    (103, True, "open"),
                ],
                columns=["pair", "hurt", "grip"],
            ),
        ]
    )
    result = matched_odds_ratios(frame, outcome="hurt", terms="grip", matched_on="pair")
    assert dict(zip(result.left_out["reason"], result.left_out["n"], strict=True)) == {
        "pair: not recorded": 1,
        "hurt: not known": 1,
        "grip: unknown": 1,
        "grip: not applicable": 1,
        "grip: not recorded": 1,
        "in a matched set without a case": 1,
        "in a matched set without a referent": 3,
    }
    assert result.n_rows_in == result.n_rows_used + result.left_out["n"].sum() == 57
    assert note(result, "incomplete_sets").startswith("Of 27 matched sets 1 have no case and 2 no referent")
    assert result.table["estimate"].equals(grips(CRIMPS).table["estimate"])


def test_adults_apart_from_minors() -> None:
    young = rows_of_sets([("open", "crimp")] * 5).assign(minor=True, pair=lambda rows: rows["pair"] + 500)
    frame = pd.concat([rows_of_sets(CRIMPS).assign(minor=False), young])
    result = matched_odds_ratios(frame, outcome="hurt", terms="grip", matched_on="pair", people="adults")
    assert result.table["estimate"].equals(grips(CRIMPS).table["estimate"])
    assert result.left_out.to_numpy().tolist() == [["under 18 (shown apart)", 10]]
    assert "(adults)" in result.method


def test_the_key_of_a_set_may_need_two_columns() -> None:
    frame = rows_of_sets(CRIMPS).assign(site="x").rename(columns={"pair": "key"})
    both = pd.concat([frame, frame.assign(site="y")])
    result = matched_odds_ratios(both, outcome="hurt", terms="grip", matched_on=["site", "key"])
    assert result.table["estimate"].tolist() == pytest.approx(grips(CRIMPS).table["estimate"].tolist())
    assert result.fit["events"].iloc[0] == 28
    assert "matched on site and key" in result.method


SET = st.tuples(
    st.lists(st.sampled_from(["crimp", "open", "jam"]), min_size=1, max_size=3),
    st.lists(st.sampled_from(["crimp", "open", "jam"]), min_size=1, max_size=3),
)


@settings(max_examples=8)
@given(st.lists(SET, min_size=10, max_size=25), st.randoms(use_true_random=False), st.integers(1, 5))
def test_order_and_silent_sets_change_nothing(drawn: Any, chance: Any, more: int) -> None:
    sets = [(" ".join(cases), " ".join(referents)) for cases, referents in drawn]
    words = {word for cases, referents in drawn for word in cases + referents}
    assume({"crimp", "open"} <= words and any(len({*cases, *referents}) > 1 for cases, referents in drawn))
    frame = rows_of_sets(sets)
    options: dict[str, Any] = {"outcome": "hurt", "terms": "grip", "matched_on": "pair"}
    try:
        result = matched_odds_ratios(frame, **options)
    except DataError as error:
        # No set links a level with the reference.
        assume("compares a level" not in str(error))
        raise
    numbers = ["estimate", "conf_low", "conf_high"]
    shuffled = frame.iloc[chance.sample(range(len(frame)), len(frame))]
    turned = matched_odds_ratios(pl.from_pandas(shuffled), **options)
    padded = matched_odds_ratios(rows_of_sets([*sets, *[("open open", "open")] * more]), **options)
    for other in (turned, padded):
        assert other.table[numbers].to_numpy() == pytest.approx(result.table[numbers].to_numpy(), rel=1e-6, nan_ok=True)
        assert other.tests["statistic"].to_numpy() == pytest.approx(
            result.tests["statistic"].to_numpy(), rel=1e-6, abs=1e-9, nan_ok=True
        )


@settings(max_examples=10)
@given(st.integers(0, 40), st.integers(0, 40))
def test_exact_limits_contain_the_ratio_of_discordant_pairs(case_only: int, referent_only: int) -> None:
    assume(case_only + referent_only > 0)
    result = grips(
        [("crimp", "open")] * case_only + [("open", "crimp")] * referent_only, references={"grip": "open"}
    ).table.set_index("method")
    ratio = math.inf if referent_only == 0 else case_only / referent_only
    assert result.loc["conditional_logistic", "estimate"] == pytest.approx(ratio)
    assert result.loc["mcnemar_exact", "conf_low"] <= ratio <= result.loc["mcnemar_exact", "conf_high"]


def test_sets_that_stay_tied_in_the_limit_keep_their_likelihood() -> None:
    # By hand: in the limit the third set still has three referents to choose its case from, so that its likelihood is
    # 1/3, and the others' are 1; at a ratio of 1 they are 1/2, 1/2 and 1/4. One set is alike inside: 1/2 throughout.
    result = grips(
        [("jam", "pinch"), ("jam", "pinch"), ("jam", "jam jam pinch"), ("jam", "jam")], references={"grip": "pinch"}
    )
    assert result.table["estimate"].iloc[0] == math.inf
    assert result.fit["log_likelihood"].iloc[0] == pytest.approx(math.log(1 / 3) + math.log(1 / 2), rel=1e-12)
    test = result.tests.set_index("test").loc["likelihood_ratio"]
    assert test["statistic"] == pytest.approx(2 * (math.log(1 / 3) - math.log(1 / 16)), rel=1e-12)


def test_a_single_cluster_is_named() -> None:
    frame = rows_of_sets([("jam", "pinch"), ("pinch", "jam"), ("jam", "pinch")]).assign(gym="one")
    result = matched_odds_ratios(frame, outcome="hurt", terms="grip", matched_on="pair", cluster="gym")
    assert "few_clusters" in codes(result)
    assert "Only 1 independent value of 'gym'" in note(result, "few_clusters")
    assert result.table["robust_low"].isna().all()


def test_a_term_may_be_called_n() -> None:
    sets = [("jam", "pinch"), ("jam", "pinch"), ("pinch", "jam")]
    plain, short = (
        matched_odds_ratios(
            rows_of_sets(sets, name), outcome="hurt", terms=[name], matched_on="pair", references={name: "pinch"}
        )
        for name in ("grip", "n")
    )
    assert short.table["estimate"].tolist() == plain.table["estimate"].tolist()
