"""Kaplan-Meier, quartiles and log-rank against R's survival and against published values."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from analysis import survival_curves

TESTS = Path(__file__).parents[1]
REFERENCE = TESTS / "reference" / "survival"
DATA = TESTS / "reference" / "data"
# Each case names its source and how its values were obtained (source_status).
CHECKS = {case["id"]: case for case in json.loads((TESTS / "checks" / "survival.json").read_text("utf-8"))}


def data(name):
    return pd.read_csv(DATA / f"{name}.csv")


def residents():
    """Channing House from 68 years on: late entry, one group a sex."""
    table = data("channing").query("age > 816").copy()
    table["entry"] = np.maximum(table["ageentry"], 816)
    table["event"] = table["death"] == 1
    return table[table["entry"] < table["age"]].drop(columns="time").rename(columns={"age": "time", "gender": "group"})


def dataset(name):
    if name == "channing":
        return residents()
    time, event, group = {
        "lung": ("time", ("status", 2), "sex"),
        "veteran": ("time", ("status", 1), "celltype"),
        "remission": ("weeks", ("relapse", 1), "arm"),
    }[name]
    table = data(name)
    table["event"] = table[event[0]] == event[1]
    return table.rename(columns={time: "time", group: "group"})


def estimated(name, **options):
    table = dataset(name)
    entry = "entry" if name == "channing" else None
    return survival_curves(table, duration="time", event="event", by="group", entry=entry, **options)


@pytest.mark.parametrize("name", ["lung", "veteran", "remission", "channing"])
def test_curves_quartiles_and_log_rank_equal_r(name):
    # computed with R 4.2.2, survival 3.5-3 (tests/reference/survival/make.R)
    ours = estimated(name)
    for file, estimate, key in (("curves", ours.table, "time"), ("quartiles", ours.quantiles, "probability")):
        r = pd.read_csv(REFERENCE / f"{file}.csv").query("dataset == @name").drop(columns="dataset")
        table, theirs = (t.assign(group=t["group"].astype(str)).sort_values(["group", key]) for t in (estimate, r))
        assert table["group"].tolist() == theirs["group"].tolist()
        for column in theirs.columns.drop("group"):
            expected = pytest.approx(theirs[column].to_numpy(float), abs=1e-9, nan_ok=True)
            assert table[column].to_numpy(float) == expected, column
    test = pd.read_csv(REFERENCE / "tests.csv").query("dataset == @name").iloc[0]
    assert ours.tests.iloc[0][["statistic", "df", "p_value"]].tolist() == pytest.approx(
        test[["statistic", "df", "p_value"]].tolist(), abs=1e-9
    )


def test_km_freireich():
    case = CHECKS["KM-FREIREICH"]
    expected, tolerance = case["expected"]["loglog"], case["tolerance"]
    ours = estimated("remission").table.query("group == '6-MP' and events > 0")
    names = {
        "time": "time",
        "surv": "estimate",
        "se": "std_error",
        "lo": "conf_low",
        "hi": "conf_high",
        "n_risk": "at_risk",
    }
    for theirs, column in names.items():
        assert ours[column].tolist() == pytest.approx(expected[theirs], abs=tolerance), column
    # The printed values, to half a unit of their last digit (from memory; see the case).
    assert ours["estimate"].tolist() == pytest.approx(case["published"]["S"], abs=0.0005)
    assert ours["std_error"].tolist() == pytest.approx(case["published"]["se"], abs=0.00005)


def test_km_quantiles_freireich():
    case = CHECKS["KM-QUANT-FREIREICH"]
    ours = estimated("remission").quantiles
    for column, theirs in (("estimate", "quantile"), ("conf_low", "lower"), ("conf_high", "upper")):
        for arm, row in zip(("6-MP", "placebo"), case["expected"]["loglog"][theirs], strict=True):
            expected = [np.nan if value is None else value for value in row]
            got = ours.loc[ours["group"] == arm, column].tolist()
            assert got == pytest.approx(expected, abs=case["tolerance"], nan_ok=True), (arm, column)


def test_log_rank_freireich():
    case = CHECKS["LR-FREIREICH"]
    test = estimated("remission").tests.iloc[0]
    assert test["statistic"] == pytest.approx(case["expected"]["chi2"], abs=case["tolerance"])
    assert test["p_value"] == pytest.approx(case["expected"]["p"], abs=case["tolerance"])
    assert test["statistic"] == pytest.approx(case["published"]["logrank"], abs=0.005)


@pytest.mark.parametrize("which", ["a", "b"])
def test_the_median_on_a_plateau_is_its_middle(which):
    case = CHECKS["KM-MEDIAN-PLATEAU"]
    spells = {"t": case["inputs"][f"time_{which}"], "e": [bool(e) for e in case["inputs"][f"event_{which}"]]}
    ours = survival_curves(spells, duration="t", event="e").quantiles.query("probability == 0.5")
    assert ours["estimate"].iloc[0] == pytest.approx(case["expected"][f"R_median_{which}"], abs=case["tolerance"])


def test_a_plateau_to_the_end_of_follow_up():
    # computed with R 4.2.2, survival 3.5-3: quantile(survfit(Surv(c(1,2,3,4), c(1,1,0,0)) ~ 1)) gives 1.5, 3, NA
    spells = {"t": [1, 2, 3, 4], "e": [True, True, False, False]}
    ours = survival_curves(spells, duration="t", event="e").quantiles["estimate"].tolist()
    assert ours == pytest.approx([1.5, 3.0, np.nan], nan_ok=True)


def test_left_truncation_toy():
    case = CHECKS["LT-TOY"]
    spells = {**case["inputs"], "event": [bool(e) for e in case["inputs"]["event"]]}
    ours = survival_curves(spells, duration="exit", event="event", entry="entry").table
    for theirs, column in {"time": "time", "n_risk": "at_risk", "n_event": "events", "surv": "estimate"}.items():
        assert ours[column].tolist() == pytest.approx(case["expected"][theirs], abs=case["tolerance"]), column


def test_left_truncation_channing_house():
    case = CHECKS["LT-CHANNING"]
    ours = estimated("channing")
    assert ours.groups["n"].tolist() == case["expected"]["n"]
    assert ours.groups["events"].tolist() == case["expected"]["events"]
    rows = [ours.table.query("group == @sex and time <= @age").iloc[-1] for sex in (1, 2) for age in (960, 1080)]
    assert [row["estimate"] for row in rows] == pytest.approx(case["expected"]["surv"], abs=case["tolerance"])
    assert [row["std_error"] for row in rows] == pytest.approx(case["expected"]["se"], abs=case["tolerance"])
    at = [
        ours.table.query("group == @sex and time >= @age").iloc[0]["at_risk"] for sex in (1, 2) for age in (960, 1080)
    ]
    assert at == case["expected"]["n_risk"]


def test_four_sample_log_rank_larynx():
    case = CHECKS["LR-TREND-LARYNX"]
    table = data("larynx").assign(died=lambda t: t["delta"] == 1)
    ours = survival_curves(table, duration="time", event="died", by="stage").tests.iloc[0]
    assert (ours["statistic"], ours["df"]) == pytest.approx((case["expected"]["chi2_4"], 3), abs=case["tolerance"])


def test_greenwood_in_the_rats():
    # The case's cluster-robust errors are another method; its curve and Greenwood errors are this one.
    case = CHECKS["RATS-KM-CLUSTER"]
    table = data("rats").query("sex == 'f'").assign(tumour=lambda t: t["status"] == 1)
    ours = survival_curves(table, duration="time", event="tumour", by="rx").table
    rows = [ours.query("group == @arm and time <= @t").iloc[-1] for arm in (0, 1) for t in case["inputs"]["times"]]
    assert [row["estimate"] for row in rows] == pytest.approx(case["expected"]["surv"], abs=case["tolerance"])
    assert [row["std_error"] for row in rows] == pytest.approx(case["expected"]["se_greenwood"], abs=case["tolerance"])
