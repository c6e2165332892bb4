"""Event rates: exact limits and ratios against R and against published figures; laws; bad input."""

import json
from pathlib import Path

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis import event_rates
from analysis.poisson import exact_limits, rate_ratio
from registry.errors import ColumnError, DataError, InputError, OptionError

TESTS = Path(__file__).parents[1]
# Each case names its source and how its values were obtained (source_status).
CHECKS = {case["id"]: case for case in json.loads((TESTS / "checks" / "rates.json").read_text("utf-8"))}
RATE = ["estimate", "conf_low", "conf_high"]
COUNTS = st.lists(st.tuples(st.sampled_from("ab"), st.integers(0, 9), st.floats(0.5, 900)), min_size=2, max_size=20)


def rates(rows, **options):
    table = pd.DataFrame(rows, columns=["group", "injuries", "hours"])
    return event_rates(table, events="injuries", exposure="hours", **options)


def ratio(result, method):
    return result.ratios.query("method == @method").iloc[0]


def test_exact_limits_of_a_count():
    case = CHECKS["POIS-TABLE"]
    for count, limits in zip(case["inputs"]["x"], case["expected"]["garwood"], strict=True):
        row = rates([("a", count, 1.0)], per=1).table.iloc[0]
        assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(limits, abs=case["tolerance"])
        assert row["estimate"] == count


def test_rate_ratio_boice():
    case = CHECKS["IRR-BOICE"]
    given_, expected, tolerance = case["inputs"], case["expected"], case["tolerance"]
    rows = [("exposed", given_["a"], given_["t1"]), ("unexposed", given_["b"], given_["t0"])]
    ours = rates(rows, by="group", per=1, reference="unexposed")
    assert ours.table["estimate"].tolist() == pytest.approx([expected["rate1"], expected["rate0"]], abs=tolerance)
    for method, limits, p_value in (
        ("conditional_exact", "exact_conditional_ci", expected["exact_p_R"]),
        ("conditional_mid_p", "midp_ci", expected["midp_p_twice"]),
        ("wald_log", "wald_log_ci", None),
    ):
        row = ratio(ours, method)
        assert row["estimate"] == pytest.approx(expected["IRR"], abs=tolerance)
        assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(expected[limits], abs=tolerance), method
        if p_value is not None:
            assert row["p_value"] == pytest.approx(p_value, abs=tolerance)


def test_rate_ratio_with_a_zero_count():
    case = CHECKS["IRR-ZERO"]
    given_, expected = case["inputs"], case["expected"]
    rows = [("x", given_["a"], given_["t1"]), ("y", given_["b"], given_["t0"])]
    ours = rates(rows, by="group", reference="y")
    row = ratio(ours, "conditional_exact")
    assert row["estimate"] == expected["IRR"]
    assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(expected["exact_ci"], abs=case["tolerance"])
    assert row["p_value"] == pytest.approx(expected["p"], abs=case["tolerance"])
    assert np.isnan(ratio(ours, "wald_log")["conf_low"])
    # p = 0.035 beside limits that reach beyond 1: the result says so.
    assert "p_and_limits" in {note.code for note in ours.notes}


def test_crude_rate_ratio_of_the_british_doctors():
    case = CHECKS["IRR-MH-DOLL"]
    given_ = case["inputs"]
    rows = [("smoker", d, t) for d, t in zip(given_["smoker_deaths"], given_["smoker_py"], strict=True)]
    rows += [("other", d, t) for d, t in zip(given_["nonsmoker_deaths"], given_["nonsmoker_py"], strict=True)]
    ours = ratio(rates(rows, by="group", reference="other"), "conditional_exact")
    assert ours["estimate"] == pytest.approx(case["expected"]["crude_IRR"], abs=case["tolerance"])
    assert ours["estimate"] == pytest.approx(case["published"]["crude"], abs=0.005)


def test_exact_limits_of_a_crude_rate_and_of_observed_over_expected():
    case = CHECKS["DSR-PROP"]
    rows = [("a", n, t) for n, t in zip(case["inputs"]["count"], case["inputs"]["pop"], strict=True)]
    row = rates(rows, per=1).table.iloc[0]
    assert row["estimate"] == pytest.approx(case["expected"]["crude"], abs=case["tolerance"])
    assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(
        case["expected"]["garwood_rate"], abs=case["tolerance"]
    )
    case = CHECKS["SMR-BLAND"]
    row = rates([("a", case["inputs"]["O"], case["inputs"]["E"])], per=1).table.iloc[0]
    assert row["estimate"] == pytest.approx(case["expected"]["SMR"], abs=case["tolerance"])
    assert row[["conf_low", "conf_high"]].tolist() == pytest.approx(case["expected"]["exact_ci"], abs=case["tolerance"])


def test_ratios_equal_r():
    # computed with R 4.2.2, poisson.test (tests/reference/rates/make.R)
    reference = pd.read_csv(TESTS / "reference" / "rates" / "ratios.csv")
    for row in reference.itertuples():
        ours = rate_ratio(row.events, row.exposure, row.reference_events, row.reference_exposure, conf_level=0.9)[
            "conditional_exact"
        ]
        expected = (row.estimate, row.conf_low, row.conf_high, row.p_value)
        got = (ours.estimate, ours.conf_low, ours.conf_high, ours.p_value)
        assert got == pytest.approx(expected, rel=1e-9)


def test_acute_injuries_in_a_climbing_gym():
    # Schoeffl, Hoffmann & Kuepper 2013, Wilderness Environ Med 24:187-194: 30 acute injuries in 515,337 visits
    # of 2 h 47 min; printed 0.02 per 1000 h. The limits are derived from these figures.
    hours = 515_337 * (2 + 47 / 60)
    row = rates([("gym", 30, hours)]).table.iloc[0]
    assert row["estimate"] == pytest.approx(0.02, abs=0.005)
    assert row[RATE].tolist() == pytest.approx([0.0209, 0.0141, 0.0299], abs=0.00005)


def test_the_same_gym_by_sex():
    # ibid.: 22 injuries of men and 8 of women; men made 63.6 % of the visits. Rates and ratio derived, assuming
    # visits of equal length.
    hours = 515_337 * (2 + 47 / 60)
    ours = rates([("male", 22, 0.636 * hours), ("female", 8, 0.364 * hours)], by="group", reference="female")
    assert ours.table.set_index("group")["estimate"].to_dict() == pytest.approx(
        {"male": 0.0241, "female": 0.0153}, abs=0.00005
    )
    row = ratio(ours, "wald_log")
    assert row[RATE].tolist() == pytest.approx([1.57, 0.70, 3.54], abs=0.005)


def test_a_world_championship():
    # Schoeffl & Kuepper 2006, Wilderness Environ Med (DOI 10.1580/PR26-05): 4 significant of 18 problems, printed
    # 3.1 per 1000 h. The hours (1300) and the limits are derived.
    row = rates([("significant", 4, 1300)]).table.iloc[0]
    assert row["estimate"] == pytest.approx(3.1, abs=0.05)
    assert row[["conf_low", "conf_high"]].tolist() == pytest.approx([0.84, 7.88], abs=0.005)
    assert rates([("all", 18, 1300)]).table["estimate"].iloc[0] == pytest.approx(13.8, abs=0.05)


def test_the_printed_limits_of_a_youth_cohort_fit_few_counts():
    # Woollings et al. 2015, Br J Sports Med 49:44-50: 4.44 (3.74-5.23) per 1000 h; counts were not read. If the
    # limits are exact and the rate is 4.44, only 142 to 144 injuries fit them (derived); 141 fits as well if the
    # rate was 4.438, which is printed as 4.44 too.
    def fitting(rate):
        limits = {n: exact_limits(n, conf_level=0.95) for n in range(100, 200)}
        return [n for n, pair in limits.items() if [round(limit / n * rate, 2) for limit in pair] == [3.74, 5.23]]

    assert fitting(4.44) == [142, 143, 144]
    assert fitting(4.438) == [141, 142, 143]


def test_a_printed_relative_risk_that_compares_nobody():
    # Jones, Llewellyn & Johnson 2015, BMJ Open SEM 1:e000031: 36 of 101 re-injured, printed "relative risk" 1.55
    # (1.34-1.80). It is 1 / (1 - p) of one group, not a ratio of two: do not imitate.
    injured, again = 101, 36
    printed = injured / (injured - again)
    reach = 1.959964 * np.sqrt(1 / (injured - again) - 1 / injured)
    assert [printed, printed * np.exp(-reach), printed * np.exp(reach)] == pytest.approx([1.55, 1.34, 1.80], abs=0.005)
    ours = rates([("re-injured", again, injured)], by="group", per=1)
    assert ours.table["estimate"].iloc[0] == pytest.approx(0.356, abs=0.0005)
    assert len(ours.ratios) == 0


@settings(max_examples=20, deadline=None)
@given(COUNTS, st.randoms(use_true_random=False))
def test_the_order_of_the_rows_does_not_matter(rows, random):
    shuffled = rows[:]
    random.shuffle(shuffled)
    pd.testing.assert_frame_equal(rates(rows, by="group").table, rates(shuffled, by="group").table)


@settings(max_examples=20, deadline=None)
@given(COUNTS)
def test_hours_and_minutes_tell_the_same(rows):
    hours, minutes = rates(rows), rates([(group, n, amount * 60) for group, n, amount in rows], per=60_000)
    assert hours.table[RATE].values.tolist()[0] == pytest.approx(minutes.table[RATE].values.tolist()[0])


@settings(max_examples=20, deadline=None)
@given(COUNTS)
def test_the_pool_lies_between_its_groups_and_wider_levels_hold_narrower(rows):
    apart, pooled = rates(rows, by="group").table["estimate"], rates(rows).table.iloc[0]
    assert apart.min() * (1 - 1e-12) <= pooled["estimate"] <= apart.max() * (1 + 1e-12)
    wide = rates(rows, conf_level=0.99).table.iloc[0]
    assert wide["conf_low"] <= pooled["conf_low"] <= pooled["estimate"] <= pooled["conf_high"] <= wide["conf_high"]


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 40), st.integers(0, 40), st.floats(1, 500), st.floats(1, 500))
def test_a_ratio_turned_round_is_its_inverse(a, b, one, other):
    if a + b == 0:
        return
    there, back = rate_ratio(a, one, b, other, conf_level=0.95), rate_ratio(b, other, a, one, conf_level=0.95)
    for method in ("conditional_exact", "conditional_mid_p"):
        assert there[method].p_value == pytest.approx(back[method].p_value, rel=1e-6)
        if back[method].conf_low > 0:
            assert there[method].conf_high == pytest.approx(1 / back[method].conf_low, rel=1e-6)
        assert there[method].conf_low <= there[method].estimate <= there[method].conf_high


def test_true_false_events_and_polars_frames():
    columns = {"hurt": [True, False, True, None], "hours": [10.0, 20.0, None, 5.0]}
    ours = event_rates(pl.DataFrame(columns), events="hurt", exposure="hours")
    theirs = event_rates(pd.DataFrame(columns).astype({"hurt": "boolean"}), events="hurt", exposure="hours")
    pd.testing.assert_frame_equal(ours.table, theirs.table)
    assert ours.table[["events", "exposure"]].values.tolist() == [[1, 30]]
    assert ours.left_out.values.tolist() == [["no 'hurt' (the events)", 1], ["no 'hours' (the exposure)", 1]]
    assert (ours.n_rows_in, ours.n_rows_used) == (4, 2)


def test_groups_follow_the_code_list_and_an_empty_cell_is_a_level():
    rows = {
        "level": ["recreational", None, "competitive_regional", "unknown"],
        "n": [1, 2, 3, 4],
        "h": [10, 10, 10, 10],
    }
    ours = event_rates(rows, events="n", exposure="h", by="level")
    assert ours.table["level"].tolist() == ["recreational", "competitive_regional", "unknown", "not recorded"]
    assert set(ours.ratios["reference"]) == {"recreational"}


def test_several_columns_make_the_groups():
    rows = {
        "sex": ["female", "male", "female"],
        "setting": ["indoor"] * 2 + ["outdoor"],
        "n": [1, 2, 3],
        "h": [9, 9, 9],
    }
    ours = event_rates(rows, events="n", exposure="h", by=["sex", "setting"], reference=("male", "indoor"))
    assert ours.by == ("sex", "setting")
    assert ours.table["events"].tolist() == [1, 3, 2]
    assert set(ours.ratios["reference"]) == {"male / indoor"}


def test_events_without_exposure_have_no_rate():
    ours = rates([("a", 3, 100.0), ("b", 2, 0.0)], by="group")
    assert ours.table["estimate"].isna().tolist() == [False, True]
    assert "b (events: 2)" in next(note.sentence for note in ours.notes if note.code == "no_exposure")
    assert len(ours.ratios) == 0


@pytest.mark.parametrize(
    ("events", "hours", "error", "message"),
    [
        ([-1, 2], [3, 4], DataError, "1 of 2 rows have a negative or broken count"),
        ([1.5, 2], [3, 4], DataError, "events are whole numbers"),
        ([1, 2], [3, -4], DataError, "negative or endless exposure in 'h'"),
        ([1, 2], [0, 0], DataError, "add up to zero; a rate needs exposure"),
        ([1, 2], [None, None], DataError, "no value in any row"),
        (["x", "y"], [3, 4], InputError, r"holds text; give counts"),
        ([1, 2], ["3", "4"], InputError, "holds text; give a number"),
    ],
)
def test_impossible_rows_are_refused(events, hours, error, message):
    with pytest.raises(error, match=message):
        event_rates({"n": events, "h": hours}, events="n", exposure="h")


def test_misuse_is_refused():
    rows = {"n": [1, 2], "hours": [3, 4], "sex": ["female", "male"]}
    with pytest.raises(ColumnError, match="Did you mean 'hours'"):
        event_rates(rows, events="n", exposure="hour")
    with pytest.raises(OptionError, match=r"no group 'femal'.*Did you mean 'female'"):
        event_rates(rows, events="n", exposure="hours", by="sex", reference="femal")
    with pytest.raises(OptionError, match="a reference needs groups"):
        event_rates(rows, events="n", exposure="hours", reference="female")
    with pytest.raises(OptionError, match="above zero"):
        event_rates(rows, events="n", exposure="hours", per=0)
    with pytest.raises(InputError, match="'n' cannot make groups"):
        event_rates(rows, events="n", exposure="hours", by="n")


def test_a_tiny_mid_p_is_not_lost_and_does_not_depend_on_the_order():
    # Computed with R 4.2.2: 2 * (pbinom(49, 350, .5) + dbinom(50, 350, .5) / 2)
    for counts in ((50, 300), (300, 50)):
        found = rate_ratio(counts[0], 10.0, counts[1], 10.0, conf_level=0.95)["conditional_mid_p"]
        assert found.p_value == pytest.approx(8.08262761127218e-45, rel=1e-9)
