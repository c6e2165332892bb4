"""Odds ratios of a frame: published figures, references, what is left out, strata, climbers who repeat."""

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

from analysis.exact_tables import general_association
from analysis.odds import odds_ratios
from analysis.results import ODDS_COLUMNS, OddsRatios
from registry.errors import ColumnError, DataError, InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "odds_ratio.json").read_text(encoding="utf-8"))
}
REFERENCE = json.loads((TESTS / "reference" / "injury_tables" / "expected.json").read_text(encoding="utf-8"))


def rows_of(counts: dict[tuple[Any, ...], int], names: list[str]) -> pd.DataFrame:
    return pd.DataFrame([cell for cell, n in counts.items() for _ in range(n)], columns=names)


def row(result: OddsRatios, method: str, level: str | None = None) -> pd.Series:  # type: ignore[type-arg]
    rows = result.table[result.table["method"] == method]
    return (rows if level is None else rows[rows["level"] == level]).iloc[0]


def codes(result: OddsRatios) -> list[str]:
    return [note.code for note in result.notes]


def sentence(result: OddsRatios, code: str) -> str:
    return next(note.sentence for note in result.notes if note.code == code)


GRIPS = rows_of(
    {
        (True, "full_crimp"): 12,
        (False, "full_crimp"): 20,
        (True, "half_crimp"): 9,
        (False, "half_crimp"): 25,
        (True, "open_hand"): 3,
        (False, "open_hand"): 22,
    },
    ["a2", "grip"],
)


def test_fingers_of_men_and_women() -> None:
    # Grønhaug 2018, BMJ Open SEM 4:e000406: 131 of 289 men, 28 of 96 women; ratio and limits derived (Woolf).
    counts = {("male", True): 131, ("male", False): 158, ("female", True): 28, ("female", False): 68}
    result = odds_ratios(rows_of(counts, ["sex", "finger"]), outcome="finger", exposure="sex", reference="female")
    sample = row(result, "woolf")
    assert (sample["estimate"], sample["conf_low"], sample["conf_high"]) == pytest.approx((2.01, 1.22, 3.31), abs=0.005)
    # computed with R 4.2.2: tests/reference/injury_tables/make.R
    wanted = REFERENCE["finger_by_sex"]["fisher"][0]
    assert row(result, "conditional_exact")["p_value"] == pytest.approx(wanted, rel=1e-9)


def test_columns_counts_and_methods() -> None:
    result = odds_ratios(GRIPS, outcome="a2", exposure="grip", reference="open_hand")
    assert tuple(result.table.columns) == ODDS_COLUMNS
    assert result.table["level"].tolist() == ["full_crimp"] * 3 + ["half_crimp"] * 3
    assert result.table["method"].tolist() == ["conditional_exact", "conditional_mid_p", "woolf"] * 2
    cells = ["exposed_events", "exposed_others", "reference_events", "reference_others"]
    assert row(result, "woolf", "full_crimp")[cells].tolist() == [12, 20, 3, 22]
    assert row(result, "woolf", "full_crimp")["estimate"] == pytest.approx(12 * 22 / (20 * 3))
    assert result.reference == "open_hand"
    assert (result.n_rows_in, result.n_rows_used) == (91, 91)
    # Three events stand behind the reference.
    assert codes(result) == ["sparse_cells"]
    assert result.tests.columns.tolist() == ["exposure", "level", "test", "statistic", "df", "p_value"]


def test_the_design_says_what_the_ratio_means() -> None:
    within = odds_ratios(GRIPS, outcome="a2", exposure="grip")
    assert "not the risk of being injured" in within.meaning
    control = odds_ratios(GRIPS, outcome="a2", exposure="grip", design="case_control")
    assert "rate ratio" in control.meaning
    with pytest.raises(OptionError, match="design is 'cohort'; it is one of within_cases, case_control"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", design="cohort")  # type: ignore[arg-type]


def test_the_reference_comes_from_the_code_list() -> None:
    assert odds_ratios(GRIPS, outcome="a2", exposure="grip").reference == "full_crimp"
    without = odds_ratios(GRIPS[GRIPS["grip"] != "full_crimp"], outcome="a2", exposure="grip")
    assert (without.reference, codes(without)[0]) == ("half_crimp", "reference_moved")
    named = GRIPS.rename(columns={"grip": "tape"}).replace({"half_crimp": "none"})
    assert odds_ratios(named, outcome="a2", exposure="tape").reference == "none"
    flag = GRIPS.assign(crimp=GRIPS["grip"] != "open_hand")
    for reference in (None, False, "no"):
        result = odds_ratios(flag, outcome="a2", exposure="crimp", reference=reference)
        assert (result.reference, result.table["level"].unique().tolist()) == ("no", ["yes"])
    pops = GRIPS.assign(pop_heard=np.where(flag["crimp"], "yes", "no"))
    assert odds_ratios(pops, outcome="a2", exposure="pop_heard").reference == "no"


def test_a_reference_that_does_not_exist() -> None:
    with pytest.raises(OptionError, match=r"no level 'open_hnd' of 'grip'.*Did you mean 'open_hand'"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", reference="open_hnd")
    with pytest.raises(DataError, match="no row that can be compared has 'sloper', the reference of 'grip'"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", reference="sloper")
    with pytest.raises(OptionError, match="'unknown' cannot be the reference"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", reference="unknown")


def test_missing_is_left_out_and_counted() -> None:
    extra = pd.DataFrame(
        {
            "a2": [True, False, None, True, None],
            "grip": ["unknown", None, "full_crimp", "not_applicable", "not_applicable"],
        }
    )
    result = odds_ratios(pd.concat([GRIPS, extra]), outcome="a2", exposure="grip")
    assert (result.n_rows_in, result.n_rows_used) == (96, 91)
    assert dict(result.left_out.itertuples(index=False)) == {
        "a2: not known": 2,
        "grip: unknown": 1,
        "grip: not applicable": 1,
        "grip: not recorded": 1,
    }
    whole = odds_ratios(GRIPS, outcome="a2", exposure="grip")
    pd.testing.assert_frame_equal(result.table, whole.table)


@pytest.mark.parametrize("make", [dict, pd.DataFrame, pl.DataFrame], ids=["dict", "pandas", "polars"])
def test_any_frame_gives_the_same(make: Any) -> None:
    rows = {
        "a2": [True, False, None, True, False, True, False],
        "grip": ["full_crimp", "full_crimp", "full_crimp", "open_hand", "open_hand", None, "open_hand"],
        "climber": ["a", "a", "b", "a", "c", None, "d"],
    }
    result = odds_ratios(make(rows), outcome="a2", exposure="grip")
    assert row(result, "woolf")["estimate"] == pytest.approx(0.5)
    assert (result.n_rows_used, codes(result)) == (5, ["few_events", "climbers_repeat", "few_clusters"])
    assert result.left_out["n"].tolist() == [1, 1]
    same = make(rows) if make is dict else pd.DataFrame(rows).astype({"grip": "category"})
    pd.testing.assert_frame_equal(odds_ratios(same, outcome="a2", exposure="grip").table, result.table)


def test_an_empty_cell_is_flagged() -> None:
    counts = {(True, "x"): 7, (False, "x"): 3, (False, "y"): 8}
    result = odds_ratios(rows_of(counts, ["up", "kind_of"]), outcome="up", exposure="kind_of", reference="y")
    assert result.table["zero_cell"].all()
    assert codes(result) == ["zero_cell"]
    assert row(result, "woolf")["estimate"] == math.inf
    assert math.isnan(row(result, "woolf")["conf_low"])
    # OR-MIDP-ZERO, computed with R 4.2.2
    wanted = CASES["OR-MIDP-ZERO"]["expected"]["exact_ci"][0]
    assert row(result, "conditional_exact")["conf_low"] == pytest.approx(wanted, abs=1e-5)


def berkeley() -> pd.DataFrame:
    given_ = CASES["MH-BERKELEY"]["inputs"]
    counts = {
        (sex, outcome == "admitted", dept): n
        for sex in ("male", "female")
        for outcome in ("admitted", "rejected")
        for dept, n in zip(given_["dept"], given_[f"{sex}_{outcome}"], strict=True)
    }
    return rows_of(counts, ["sex", "admitted", "dept"])


def test_a_reversal_is_named() -> None:
    # Bickel, Hammel & O'Connell 1975, Science 187:398-404; computed with R 4.2.2
    expected, tolerance = CASES["MH-BERKELEY"]["expected"], CASES["MH-BERKELEY"]["tolerance"]
    result = odds_ratios(berkeley(), outcome="admitted", exposure="sex", reference="female", strata="dept")
    assert row(result, "woolf")["estimate"] == pytest.approx(expected["crude_OR"], abs=tolerance)
    pooled = row(result, "mantel_haenszel")
    assert pooled["estimate"] == pytest.approx(expected["OR_MH"], abs=tolerance)
    assert (pooled["conf_low"], pooled["conf_high"]) == pytest.approx(expected["ci_RBG"], abs=tolerance)
    assert codes(result) == ["simpson_reversal"]
    assert "(0.905) and the ratio that ignores 'dept' (1.84)" in result.notes[0].sentence
    tests = result.tests.set_index("test")
    assert tests.loc["tarone", "statistic"] == pytest.approx(expected["tarone"], abs=tolerance)
    assert tests.loc["woolf_homogeneity", "statistic"] == pytest.approx(expected["woolf_chi2"], abs=tolerance)
    assert result.tests[["exposure", "level"]].drop_duplicates().to_numpy().tolist() == [["sex", "male"]]
    common = row(result, "common_exact")
    assert common["estimate"] == pytest.approx(expected["OR_conditional_MLE"], abs=tolerance)
    assert (common["conf_low"], common["conf_high"]) == pytest.approx(expected["exact_ci"], abs=tolerance)
    assert pooled["std_error"] == pytest.approx(expected["logSE_RBG"], abs=tolerance)
    # Each department alone, in the order of the case
    alone = [
        row(odds_ratios(rows, outcome="admitted", exposure="sex", reference="female"), "woolf")["estimate"]
        for _, rows in berkeley().groupby("dept")
    ]
    assert alone == pytest.approx(expected["dept_OR"], abs=tolerance)


def test_strata_that_say_nothing_are_counted() -> None:
    rows = pd.concat([GRIPS.assign(site="x"), GRIPS.head(12).assign(site="y"), GRIPS.head(2).assign(site=None)])
    result = odds_ratios(rows, outcome="a2", exposure="grip", reference="open_hand", strata="site")
    assert "1 of 2 strata of 'site' have an empty margin at full_crimp" in sentence(result, "empty_strata")
    assert dict(result.left_out.itertuples(index=False)) == {"site: not recorded": 2}
    assert row(result, "mantel_haenszel", "full_crimp")["estimate"] == pytest.approx(12 * 22 / (20 * 3))


def test_robust_limits_equal_the_sandwich_of_r() -> None:
    # computed with R 4.2.2 (logistic regression, scores summed by climber): tests/reference/injury_tables/make.R
    wanted = REFERENCE["climbers"]
    frame = pd.DataFrame(
        {
            "climber": [str(value) for value in wanted["climber"]],
            "crimp": np.array(wanted["crimp"]) == 1,
            "pulley": np.array(wanted["pulley"]) == 1,
        }
    )
    result = odds_ratios(frame, outcome="pulley", exposure="crimp")
    sample = row(result, "woolf")
    half = 1.959963984540054 * math.sqrt(wanted["log_odds_ratio_variance"][0])
    assert math.log(sample["estimate"]) == pytest.approx(wanted["log_odds_ratio"][0], abs=1e-9)
    assert math.log(sample["robust_high"]) == pytest.approx(wanted["log_odds_ratio"][0] + half, abs=1e-9)
    assert math.log(sample["robust_low"]) == pytest.approx(wanted["log_odds_ratio"][0] - half, abs=1e-9)
    assert codes(result) == ["sparse_cells", "climbers_repeat"]
    assert "7 of 21 climbers appear more than once, with 16 of 30 rows" in sentence(result, "climbers_repeat")
    alone = odds_ratios(frame.drop_duplicates("climber"), outcome="pulley", exposure="crimp")
    assert math.isnan(row(alone, "woolf")["robust_low"])
    assert row(result, "conditional_exact").isna()["robust_low"]


@pytest.mark.parametrize(
    ("values", "found"),
    [
        ([0, 1], "the numbers 0, 1"),
        ([1, 2], "the numbers 1, 2"),
        ([0.0, 1.0, None], "the numbers 0, 1"),
        (["yes", "no"], "text"),
    ],
)
def test_an_outcome_that_is_not_true_or_false_is_refused(values: list[Any], found: str) -> None:
    frame = pd.DataFrame({"a2": values, "grip": ["open_hand"] * len(values)})
    with pytest.raises(InputError, match=rf"outcome 'a2' must be true/false; it holds {found}\..*\.map\("):
        odds_ratios(frame, outcome="a2", exposure="grip")


def test_what_cannot_be_asked() -> None:
    with pytest.raises(ColumnError, match=r"no column 'gripp' \(given as exposure\).*Did you mean 'grip'"):
        odds_ratios(GRIPS, outcome="a2", exposure="gripp")
    with pytest.raises(InputError, match="'a2' is given twice"):
        odds_ratios(GRIPS, outcome="a2", exposure="a2")
    with pytest.raises(InputError, match="exposure 'age' holds whole numbers"):
        odds_ratios(GRIPS.assign(age=range(len(GRIPS))), outcome="a2", exposure="age")
    with pytest.raises(OptionError, match="between 0 and 1"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", conf_level=95)


def test_what_the_data_do_not_allow() -> None:
    with pytest.raises(DataError, match="exposure 'grip' has the single level 'open_hand' in the 25 rows"):
        odds_ratios(GRIPS[GRIPS["grip"] == "open_hand"], outcome="a2", exposure="grip")
    with pytest.raises(DataError, match=r"outcome 'a2' never happened in the 67 rows.*full_crimp, half_crimp"):
        odds_ratios(GRIPS[~GRIPS["a2"]], outcome="a2", exposure="grip")
    with pytest.raises(DataError, match="always happened"):
        odds_ratios(GRIPS[GRIPS["a2"]], outcome="a2", exposure="grip")
    with pytest.raises(DataError, match="outcome 'a2' has no value in any row"):
        odds_ratios(GRIPS.head(0), outcome="a2", exposure="grip")
    with pytest.raises(DataError, match="none of 24 rows has both outcome 'a2' and exposure 'grip'"):
        odds_ratios(GRIPS[GRIPS["a2"]].assign(grip="unknown"), outcome="a2", exposure="grip")


def test_three_rows_are_few() -> None:
    rows = {"a2": [True, False, False], "grip": ["full_crimp", "full_crimp", "open_hand"]}
    result = odds_ratios(rows, outcome="a2", exposure="grip", reference="open_hand")
    assert codes(result) == ["zero_cell", "few_events"]
    exact = row(result, "conditional_exact")
    assert (exact["p_value"], exact["conf_high"]) == (1, math.inf)
    assert "limits at 95 %" in result.summary()


some_rows = st.lists(
    st.tuples(st.booleans(), st.sampled_from("xyz"), st.sampled_from("abcdefghijkl")), min_size=8, max_size=60
)


@settings(max_examples=8, deadline=None)
@given(some_rows, st.randoms(use_true_random=False))
def test_laws_of_ratios(rows: list[tuple[bool, str, str]], random: Any) -> None:
    names = ["up", "hold", "climber"]
    frame = pd.DataFrame(rows, columns=names)
    assume(frame["up"].nunique() == 2 and {"x", "y"} <= set(frame["hold"]))
    result = odds_ratios(frame, outcome="up", exposure="hold", reference="x")
    forward = result.table.query("level == 'y'").set_index("method")
    numbers = ["estimate", "conf_low", "conf_high", "robust_low", "robust_high"]
    turned_numbers = ["estimate", "conf_high", "conf_low", "robust_high", "robust_low"]

    random.shuffle(rows)
    shuffled = odds_ratios(pl.DataFrame(rows, schema=names, orient="row"), outcome="up", exposure="hold", reference="x")
    pd.testing.assert_frame_equal(shuffled.table, result.table)

    turned = odds_ratios(frame, outcome="up", exposure="hold", reference="y").table.query("level == 'x'")
    denied = odds_ratios(frame.assign(up=~frame["up"]), outcome="up", exposure="hold", reference="x").table
    for other in (turned.set_index("method"), denied.query("level == 'y'").set_index("method")):
        with np.errstate(divide="ignore"):
            inverse = 1 / other[turned_numbers].to_numpy(float)
        assert forward[numbers].to_numpy(float) == pytest.approx(inverse, rel=1e-9, nan_ok=True)
        assert forward["p_value"].to_numpy() == pytest.approx(other["p_value"].to_numpy(), rel=1e-9, nan_ok=True)


def test_adults_and_minors_apart() -> None:
    # Counted by hand: every third row is a minor, one age is not known; the adults alone give the same ratios.
    rows = GRIPS.assign(minor=[i % 3 == 0 for i in range(len(GRIPS))]).astype({"minor": object})
    rows.loc[1, "minor"] = None
    everyone = odds_ratios(rows, outcome="a2", exposure="grip")
    adults = odds_ratios(rows, outcome="a2", exposure="grip", people="adults")
    alone = odds_ratios(rows[rows["minor"] == False], outcome="a2", exposure="grip")  # noqa: E712
    pd.testing.assert_frame_equal(adults.table, alone.table)
    assert adults.left_out.to_numpy().tolist() == [["under 18 (shown apart)", 31], ["age not known", 1]]
    assert (adults.n_rows_in, adults.n_rows_used, everyone.n_rows_used) == (91, 59, 91)
    assert "(adults)" in adults.method
    assert "(adults)" not in everyone.method
    minors = odds_ratios(rows, outcome="a2", exposure="grip", people="minors")
    assert minors.n_rows_used == 31
    with pytest.raises(OptionError, match=r"people is 'adult'.*Did you mean 'adults'"):
        odds_ratios(rows, outcome="a2", exposure="grip", people="adult")  # type: ignore[arg-type]
    with pytest.raises(ColumnError, match="no column 'minor'"):
        odds_ratios(GRIPS, outcome="a2", exposure="grip", people="adults")


def test_a_pooled_ratio_without_limits_is_named() -> None:
    # By hand: no row without the event at one level, in either stratum: the pooled ratio is infinite.
    counts = {(True, "x", "s"): 4, (True, "y", "s"): 2, (False, "y", "s"): 3, (True, "x", "t"): 2, (False, "y", "t"): 2}
    rows = rows_of(counts, ["up", "grip", "site"])
    result = odds_ratios(rows, outcome="up", exposure="grip", reference="y", strata="site")
    pooled = row(result, "mantel_haenszel")
    assert pooled["estimate"] == math.inf
    assert pooled["zero_cell"]
    sentences = {note.code: note.sentence for note in result.notes}
    assert sentences["pooled_without_limits"].startswith(
        "At x the Mantel-Haenszel ratio over 'site' (inf) has no limits"
    )


class View:
    """What odds_ratios needs of an opened registry."""

    def __init__(self, table: pd.DataFrame) -> None:
        self._cases = table

    def table(self, name: str) -> pd.DataFrame:
        return {"cases": self._cases}[name]

    def base(self, name: str) -> pd.DataFrame:
        raise KeyError(name)


@pytest.mark.parametrize("role", ["exposure", "strata"])
def test_a_registry_is_not_compared_person_by_person(role: str) -> None:
    rows = GRIPS.assign(athlete=[str(i % 3) for i in range(len(GRIPS))])
    columns = {"exposure": "grip", "strata": None, role: "athlete"}
    with pytest.raises(OptionError, match=f"{role} 'athlete' would list persons"):
        odds_ratios(View(rows), outcome="a2", **columns)  # type: ignore[arg-type]


def test_several_levels_over_strata_are_tested_together() -> None:
    site = np.arange(len(GRIPS)) % 2 == 0
    frame = GRIPS.assign(site=np.where(site, "north", "south"))
    result = odds_ratios(frame, outcome="a2", exposure="grip", reference="open_hand", strata="site")
    overall = result.tests.iloc[-1]
    cube = frame.groupby(["site", "grip", "a2"]).size().unstack(fill_value=0)
    wanted = general_association(cube.to_numpy().reshape(2, 3, 2))
    assert overall[["exposure", "level", "test"]].tolist() == ["grip", "", "generalised_cochran_mantel_haenszel"]
    assert (overall["statistic"], overall["df"]) == pytest.approx((wanted.statistic, 2))
    assert result.exposures == ("grip",)


def test_errors_and_z_stand_where_limits_are_normal() -> None:
    result = odds_ratios(GRIPS.assign(site="x"), outcome="a2", exposure="grip", strata="site")
    normal = result.table["method"].isin(["woolf", "mantel_haenszel"])
    assert result.table.loc[normal, ["std_error", "statistic"]].notna().all(axis=None)
    assert result.table.loc[~normal, ["std_error", "statistic"]].isna().all(axis=None)
    rows = result.table[normal]
    assert (np.log(rows["estimate"]) / rows["std_error"]).to_numpy() == pytest.approx(rows["statistic"].to_numpy())


def test_a_half_for_woolfs_test_is_said() -> None:
    counts = {(True, "x", "s"): 4, (False, "x", "s"): 3, (True, "y", "s"): 2, (False, "y", "s"): 5}
    more = {(True, "x", "t"): 6, (True, "y", "t"): 2, (False, "y", "t"): 5}
    rows = rows_of({**counts, **more}, ["up", "grip", "site"])
    result = odds_ratios(rows, outcome="up", exposure="grip", reference="y", strata="site")
    assert "half_added" in codes(result)
    assert "woolf_homogeneity_haldane" in set(result.tests["test"])
