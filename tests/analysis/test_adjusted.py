"""Adjusted odds ratios: published models, separation, who is in them and what their readers are told."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.adjusted import adjusted_odds_ratios
from analysis.modelling.likelihood_limits import profile_limits
from analysis.modelling.logistic import logistic_fit
from analysis.modelling.patterns import tally_patterns
from analysis.modelling.sandwich import Correction, clustered_covariance
from analysis.results import ODDS_COLUMNS, OddsRatios
from registry.door import enter
from registry.errors import OptionError

HERE = Path(__file__).resolve().parent.parent
INFERT = pd.read_csv(HERE / "reference" / "data" / "infert.csv").astype({"case": bool})
ENDOMETRIAL = pd.read_csv(HERE / "reference" / "data" / "endometrial.csv").astype({"HG": bool})


def check(file: str, name: str) -> dict[str, Any]:
    cases = json.loads((HERE / "checks" / file).read_text(encoding="utf-8"))
    return next(case for case in cases if case["id"] == name)


# R datasets::infert, computed with R 4.2.2, sandwich 3.0-2
CLUSTER = check("logistic.json", "LOGIT-CLUSTER")
# Heinze & Schemper 2002, Stat Med 21:2409-2419; computed with R 4.2.2, brglm2 0.9; printed values from memory
SEPARATED = check("firth.json", "FIRTH-ENDOMETRIAL")
INFERT_TERMS = ["spontaneous", "induced", "age", "parity"]


def rows(n: int = 300, *, seed: int = 3) -> pd.DataFrame:
    """Invented cases of 200 climbers: nothing about them is true."""
    draws = np.random.default_rng(seed)
    frame = pd.DataFrame(
        {
            "grip": draws.choice(["full_crimp", "half_crimp", "open_hand"], n),
            "sex": draws.choice(["female", "male"], n),
            "cold": draws.choice([True, False], n),
            "years": draws.integers(1, 30, n),
            "climber": draws.integers(0, max(2, 2 * n // 3), n).astype(str),
        }
    )
    chance = np.where(frame["grip"] == "full_crimp", 0.6, 0.4) - 0.1 * (frame["sex"] == "male")
    return frame.assign(a2=draws.random(n) < chance)


def codes(result: OddsRatios) -> set[str]:
    return {note.code for note in result.notes}


def sentence(result: OddsRatios, code: str) -> str:
    return next(note.sentence for note in result.notes if note.code == code)


def one(result: OddsRatios, exposure: str, level: str = "per unit", method: str = "logistic") -> Any:
    table = result.table
    chosen = table[(table["exposure"] == exposure) & (table["level"] == level) & (table["method"] == method)]
    return chosen.iloc[0]


def test_the_published_model_with_errors_by_cluster() -> None:
    expected, tolerance = CLUSTER["expected"], CLUSTER["tolerance"]
    result = adjusted_odds_ratios(INFERT, outcome="case", terms=INFERT_TERMS, cluster="stratum")
    model = result.coefficients.set_index("exposure")
    assert model["coefficient"].tolist() == pytest.approx(expected["coef"], abs=tolerance)
    assert model["model_std_error"].tolist() == pytest.approx(expected["se_model"], abs=tolerance)
    # R stops a step early: its intercept's error by cluster is off by 1.5e-5 (tests/reference/logistic/make.R).
    assert model["std_error"].tolist()[1:] == pytest.approx(expected["se_CL_g_over_gm1"][1:], abs=tolerance)
    assert model["std_error"].iloc[0] == pytest.approx(expected["se_CL_g_over_gm1"][0], abs=2e-5)
    assert -2 * result.fit["log_likelihood"].iloc[0] == pytest.approx(expected["deviance"], abs=1e-8)
    assert result.fit[["n", "events", "parameters", "clusters"]].iloc[0].tolist() == [248, 83, 4, 83]
    row = one(result, "induced")
    assert row["estimate"] == pytest.approx(math.exp(expected["coef"][2]), abs=1e-5)
    assert (row["robust_low"], row["robust_high"]) == (row["conf_low"], row["conf_high"])
    assert math.log(row["conf_high"]) == pytest.approx(
        expected["coef"][2] + 1.959963984540054 * expected["se_CL_g_over_gm1"][2], abs=2e-5
    )


@pytest.mark.parametrize(
    ("correction", "name", "cluster"),
    [
        ("none", "se_CL_noadj", "stratum"),
        ("clusters", "se_CL_g_over_gm1", "stratum"),
        ("clusters_and_parameters", "se_CL_HC1_full", "stratum"),
        ("none", "se_HC0", "row"),
    ],
)
def test_each_small_sample_convention(correction: Correction, name: str, cluster: str) -> None:
    inside = enter(INFERT.assign(row=range(len(INFERT))))
    patterns = tally_patterns(inside, outcome="case", terms=INFERT_TERMS)
    design = patterns.design()
    fit = logistic_fit(design.matrix, design.events, design.others)
    covariance = clustered_covariance(
        design,
        patterns.membership(inside, cluster),
        probabilities=fit.probabilities,
        root=fit.root,
        correction=correction,
    )
    errors = np.sqrt(np.diag(covariance))
    assert errors[1:].tolist() == pytest.approx(CLUSTER["expected"][name][1:], abs=CLUSTER["tolerance"])
    assert errors[0] == pytest.approx(CLUSTER["expected"][name][0], abs=2e-5)


def test_profile_limits_of_the_published_model() -> None:
    matrix = np.column_stack([np.ones(len(INFERT)), INFERT[INFERT_TERMS]])
    model = matrix, INFERT["case"], ~INFERT["case"]
    for place, expected in enumerate(CLUSTER["expected"]["profile_ci"]):
        # R's confint interpolates the profile by a spline, right to about 1e-4.
        assert profile_limits(*model, place) == pytest.approx(expected, abs=1e-3)


def test_under_separation_the_others_are_those_of_the_limit() -> None:
    expected = SEPARATED["expected"]
    result = adjusted_odds_ratios(ENDOMETRIAL, outcome="HG", terms=["NV", "PI", "EH"])
    lost = one(result, "NV")
    assert lost["estimate"] == math.inf
    assert lost[["conf_low", "conf_high", "p_value", "std_error"]].isna().all()
    finite = [math.log(one(result, name)["estimate"]) for name in ("PI", "EH")]
    assert finite == pytest.approx(expected["ML_PI_EH"], abs=1e-6)
    assert "The ratio of 'NV' is infinite and has no limits" in sentence(result, "separation")
    assert {"limiting_estimates", "no_wald_test"} <= codes(result)


def test_firth_stands_beside_and_is_the_published_one() -> None:
    expected, tolerance = SEPARATED["expected"], SEPARATED["tolerance"]
    result = adjusted_odds_ratios(ENDOMETRIAL, outcome="HG", terms=["NV", "PI", "EH"])
    beside = [one(result, name, method="firth") for name in ("NV", "PI", "EH")]
    assert [math.log(row["estimate"]) for row in beside] == pytest.approx(expected["coef"][1:], abs=1e-6)
    limits = [[math.log(row["conf_low"]), math.log(row["conf_high"])] for row in beside]
    assert np.array(limits) == pytest.approx(np.array(expected["profile_ci_NV_PI_EH"]), abs=1e-6)
    assert [row["p_value"] for row in beside] == pytest.approx(expected["plr_p_NV_PI_EH"], abs=tolerance)
    assert result.fit["method"].tolist() == ["logistic", "firth"]
    assert "with profile limits" in result.method
    alone = adjusted_odds_ratios(ENDOMETRIAL, outcome="HG", terms=["NV", "PI", "EH"], firth="never")
    assert set(alone.table["method"]) == {"logistic"}


def test_firth_stays_away_where_cells_are_full_and_comes_when_asked() -> None:
    frame = rows().drop(columns="climber")
    assert set(adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex"]).table["method"]) == {"logistic"}
    always = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex"], firth="always")
    assert set(always.table["method"]) == {"logistic", "firth"}
    assert always.seed is None


@pytest.mark.parametrize("always", [True, False])
def test_a_level_without_one_outcome(always: bool) -> None:
    frame = rows()
    frame.loc[frame["grip"] == "open_hand", "a2"] = always
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex", "years"], cluster="climber", firth="never")
    lost = one(result, "grip", "open_hand")
    assert lost["estimate"] == (math.inf if always else 0)
    assert bool(lost["zero_cell"])
    rest = frame[frame["grip"] != "open_hand"]
    alone = adjusted_odds_ratios(rest, outcome="a2", terms=["grip", "sex", "years"], firth="never", cluster="climber")
    for exposure, level in (("grip", "half_crimp"), ("sex", "male"), ("years", "per unit")):
        kept, same = one(result, exposure, level), one(alone, exposure, level)
        assert kept["estimate"] == pytest.approx(same["estimate"], rel=1e-10)
        # Clusters that only have foretold rows add nothing but themselves to the factor.
        several, fewer = (int(each.fit["clusters"].iloc[0]) for each in (result, alone))
        ratio = math.sqrt(several / (several - 1) / (fewer / (fewer - 1)))
        assert kept["std_error"] == pytest.approx(same["std_error"] * ratio, rel=1e-9)
    n = int((frame["grip"] == "open_hand").sum())
    word = f"'a2' {'always' if always else 'never'} happened there ({n if always else 0} of {n})"
    assert word in sentence(result, "separation")
    assert sentence(result, "sparse_cells").endswith("'grip' at 'open_hand' (0).")
    assert "No test of 'grip' as a whole" in sentence(result, "no_wald_test")
    assert result.tests.set_index("exposure").loc["sex", "p_value"] > 0


def test_a_reference_without_events_makes_every_other_level_infinite() -> None:
    frame = rows().drop(columns="climber")
    frame.loc[frame["grip"] == "full_crimp", "a2"] = False
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex"], firth="never")
    assert [one(result, "grip", level)["estimate"] for level in ("half_crimp", "open_hand")] == [math.inf, math.inf]
    assert "never happened at its reference 'full_crimp'" in sentence(result, "separation")
    assert one(result, "sex", "male")["conf_high"] < math.inf


def test_two_levels_without_events_cannot_be_compared() -> None:
    frame = rows().drop(columns="climber")
    frame.loc[frame["grip"] != "half_crimp", "a2"] = False
    result = adjusted_odds_ratios(
        frame, outcome="a2", terms=["grip", "sex"], references={"grip": "open_hand"}, firth="never"
    )
    assert math.isnan(one(result, "grip", "full_crimp")["estimate"])
    assert one(result, "grip", "half_crimp")["estimate"] == math.inf
    assert any("'grip' at 'full_crimp' cannot be told" in note.sentence for note in result.notes)


def test_where_climbers_repeat_firth_has_limits_from_resampled_climbers() -> None:
    frame = rows(120)
    frame.loc[frame["grip"] == "open_hand", "a2"] = False
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex"], seed=4)
    again = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex"], seed=4)
    pd.testing.assert_frame_equal(result.table, again.table)
    assert result.seed == 4
    assert "1000 bootstrap samples of climber (seed 4)" in result.method
    common, lost = one(result, "sex", "male", "firth"), one(result, "grip", "open_hand", "firth")
    assert (common["conf_low"], common["conf_high"]) == (common["robust_low"], common["robust_high"])
    # The empty cell is empty in every sample: the profile reaches further down.
    assert lost["conf_low"] < lost["robust_low"]
    assert "firth_limits_widened" in codes(result)


def test_without_a_named_cluster_climbers_are_taken_where_they_repeat() -> None:
    frame = rows()
    by_itself = adjusted_odds_ratios(frame, outcome="a2", terms=["grip"])
    named = adjusted_odds_ratios(frame, outcome="a2", terms=["grip"], cluster="climber")
    pd.testing.assert_frame_equal(by_itself.table, named.table)
    assert "climbers_repeat" in codes(by_itself)
    once = frame.assign(climber=range(len(frame)))
    alone = adjusted_odds_ratios(once, outcome="a2", terms=["grip"])
    assert alone.fit["clusters"].tolist() == [0]
    assert alone.table[["robust_low", "robust_high"]].isna().all(axis=None)
    assert "rows taken as independent" in alone.method
    asked = adjusted_odds_ratios(once, outcome="a2", terms=["grip"], cluster="climber")
    assert asked.fit["clusters"].tolist() == [len(frame)]
    assert asked.table["std_error"].iloc[0] != alone.table["std_error"].iloc[0]


def test_a_row_without_a_climber_stands_for_itself() -> None:
    frame = rows()
    some = frame["climber"].where(np.arange(len(frame)) % 3 > 0)
    own = some.fillna(pd.Series([f"own {place}" for place in range(len(frame))]))
    first = adjusted_odds_ratios(frame.assign(climber=some), outcome="a2", terms=["grip", "years"])
    second = adjusted_odds_ratios(frame.assign(climber=own), outcome="a2", terms=["grip", "years"])
    assert first.fit["clusters"].tolist() == second.fit["clusters"].tolist()
    assert first.coefficients["std_error"].tolist() == pytest.approx(second.coefficients["std_error"].tolist())


def test_what_misses_something_is_left_out_and_counted_once() -> None:
    frame = rows().astype({"a2": object, "grip": object, "years": float})
    frame.loc[[0, 1], "a2"] = None
    frame.loc[[1, 2, 3], "grip"] = "not_applicable"
    frame.loc[[4], "grip"] = None
    frame.loc[[4, 5, 6], "years"] = np.nan
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "years"])
    assert result.left_out.to_numpy().tolist() == [
        ["a2: not known", 2],
        ["grip: not applicable", 2],
        ["grip: not recorded", 1],
        ["years: not recorded", 2],
    ]
    assert (result.n_rows_in, result.n_rows_used) == (300, 293)
    assert result.fit["n"].tolist() == [293]


def test_adults_and_minors_are_told_apart() -> None:
    frame = rows().assign(minor=[True, False, False] * 100)
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["grip"], people="adults")
    assert result.left_out.to_numpy().tolist() == [["under 18 (shown apart)", 100]]
    assert (result.n_rows_in, result.n_rows_used) == (300, 200)
    assert "(adults)" in result.method


def test_the_shape_and_what_it_says() -> None:
    result = adjusted_odds_ratios(rows(), outcome="a2", terms=["grip", "cold", "years"])
    assert tuple(result.table.columns) == ODDS_COLUMNS
    assert result.table[["exposure", "level", "reference"]].to_numpy().tolist() == [
        ["grip", "half_crimp", "full_crimp"],
        ["grip", "open_hand", "full_crimp"],
        ["cold", "yes", "no"],
        ["years", "per unit", ""],
    ]
    measured = one(result, "years")
    assert measured[["exposed_events", "exposed_others"]].sum() == 300
    assert measured[["reference_events", "reference_others"]].tolist() == [0, 0]
    assert not measured["zero_cell"]
    assert result.meaning.startswith("Among injuries only")
    assert "not the risk of being injured" in result.cannot_mean
    other = adjusted_odds_ratios(rows(), outcome="a2", terms="grip", design="case_control")
    assert other.meaning.startswith("Cases against referents")
    assert "each adjusted" not in other.method
    assert result.exposures == ("grip", "cold", "years")
    assert "300 of 300 rows used" in result.summary()


def test_a_reference_makes_levels_of_a_few_whole_numbers() -> None:
    frame = rows().assign(tries=lambda each: each["years"] % 3)
    measured = adjusted_odds_ratios(frame, outcome="a2", terms=["tries"])
    assert "Name its reference if they are codes" in sentence(measured, "measured_codes")
    levels = adjusted_odds_ratios(frame, outcome="a2", terms=["tries"], references={"tries": 1})
    words = adjusted_odds_ratios(frame.astype({"tries": str}), outcome="a2", terms=["tries"], references={"tries": "1"})
    pd.testing.assert_frame_equal(levels.table, words.table)
    assert levels.table["level"].tolist() == ["0", "2"]


def test_an_interaction_of_two_yes_no_columns_is_the_ratio_of_two_ratios() -> None:
    frame = rows().drop(columns="climber")
    result = adjusted_odds_ratios(frame, outcome="a2", terms=["cold", "sex"], interactions=[("cold", "sex")])
    ratio = {}
    for sex in ("female", "male"):
        part = frame[frame["sex"] == sex]
        cells = pd.crosstab(part["cold"], part["a2"]).to_numpy()
        ratio[sex] = cells[1, 1] * cells[0, 0] / (cells[1, 0] * cells[0, 1])
    assert one(result, "cold", "yes")["estimate"] == pytest.approx(ratio["female"])
    product = one(result, "cold:sex", "yes:male")
    assert product["estimate"] == pytest.approx(ratio["male"] / ratio["female"])
    assert product["reference"] == "no:female"
    both = frame[frame["cold"] & (frame["sex"] == "male")]
    assert product["exposed_events"] == int(both["a2"].sum())
    assert result.tests["exposure"].tolist() == ["cold", "sex", "cold:sex"]
    last = result.tests.iloc[-1]
    assert last["statistic"] == pytest.approx(product["statistic"] ** 2)
    assert last["p_value"] == pytest.approx(product["p_value"])
    assert "where 'sex' is 'female'" in sentence(result, "interaction")
    turned = adjusted_odds_ratios(frame, outcome="a2", terms=["cold", "sex"], interactions="sex:cold")
    assert one(turned, "sex:cold", "male:yes")["estimate"] == pytest.approx(product["estimate"])


def test_few_clusters_and_a_single_one_are_named() -> None:
    frame = rows().assign(squad=["a", "b", "c"] * 100, all_alike="x")
    few = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "sex", "years"], cluster="squad")
    assert "rest on 3 clusters by 'squad'" in sentence(few, "few_clusters")
    single = adjusted_odds_ratios(frame, outcome="a2", terms=["grip"], cluster="all_alike")
    assert single.table[["conf_low", "conf_high", "p_value"]].isna().all(axis=None)
    assert "one cluster by 'all_alike' only" in sentence(single, "no_spread")


class Opened:
    """An opened registry as an analysis sees it."""

    def table(self, name: str) -> pd.DataFrame:
        return rows(60).assign(athlete="x", case=range(60)) if name == "cases" else pd.DataFrame()

    def base(self, name: str) -> pd.DataFrame:
        raise KeyError(name)


def test_a_registry_gives_its_cases_and_is_not_listed_person_by_person() -> None:
    result = adjusted_odds_ratios(Opened(), outcome="a2", terms=["sex", "years"])
    assert result.unit == "cases"
    with pytest.raises(OptionError, match="term 'athlete' would list persons"):
        adjusted_odds_ratios(Opened(), outcome="a2", terms=["sex", "athlete"])
    with pytest.raises(OptionError, match="term 'climber' would list persons"):
        adjusted_odds_ratios(Opened(), outcome="a2", terms="climber")


def test_names_and_levels_with_quotes_colons_and_blanks() -> None:
    frame = rows()
    odd = pd.DataFrame(
        {
            "did it?": frame["a2"],
            'the "grip"': frame["grip"].map({"full_crimp": "climber's own", "half_crimp": "a:b", "open_hand": ""}),
            "a:b": frame["sex"],
            "who; --": frame["climber"],
        }
    )
    plain = adjusted_odds_ratios(frame.drop(columns="years"), outcome="a2", terms=["grip", "sex"])
    result = adjusted_odds_ratios(
        odd,
        outcome="did it?",
        terms=['the "grip"', "a:b"],
        references={'the "grip"': "climber's own"},
        cluster="who; --",
    )
    assert sorted(result.table["estimate"]) == pytest.approx(sorted(plain.table["estimate"]))
    assert sorted(result.table["std_error"]) == pytest.approx(sorted(plain.table["std_error"]))


def test_no_number_is_missing_from_a_relation_that_has_not_passed_the_door() -> None:
    frame = rows().astype({"years": float})
    frame.loc[::7, "years"] = np.nan
    inside = enter(frame).to_native()
    spelled = inside.project("a2, sex, climber, coalesce(years, CAST('nan' AS DOUBLE)) AS years")
    plain = adjusted_odds_ratios(frame, outcome="a2", terms=["sex", "years"])
    result = adjusted_odds_ratios(spelled, outcome="a2", terms=["sex", "years"])
    pd.testing.assert_frame_equal(result.table, plain.table)
    assert result.left_out.to_numpy().tolist() == [["years: not recorded", 43]]
    assert result.fit["clusters"].tolist() == plain.fit["clusters"].tolist()
