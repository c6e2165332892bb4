"""Trends: a published table, R, statsmodels, laws, repeaters, and what is refused."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.contingency_tables import Table

from analysis.results import TrendTest
from analysis.trend import trend_test
from registry.errors import ColumnError, DataError, InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
FLEISS = json.loads((TESTS / "checks" / "trend.json").read_text(encoding="utf-8"))[0]
REFERENCE = TESTS / "reference" / "trend"
ROWS = pd.read_csv(REFERENCE / "rows.csv").astype({"outcome": bool})
with (REFERENCE / "trend.csv").open(encoding="utf-8") as lines:
    R = {line["name"]: float(line["value"]) for line in csv.DictReader(lines)}


def spread_out(events: list[int], of: list[int], levels: list[Any]) -> pd.DataFrame:
    """One row a person of a table of counts."""
    rows = [(level, k < x) for level, x, n in zip(levels, events, of, strict=True) for k in range(n)]
    return pd.DataFrame(rows, columns=["level", "event"])


def statistics(result: TrendTest) -> dict[str, Any]:
    return {row.test: row for row in result.tests.itertuples()}


def test_smokers_equal_fleiss_and_r() -> None:
    # Fleiss 1981, Statistical Methods for Rates and Proportions, 2nd ed., p. 139; R ?prop.trend.test.
    # computed with R 4.2.2; printed values: [from memory]
    case, inputs = FLEISS["expected"], FLEISS["inputs"]
    result = trend_test(spread_out(inputs["x"], inputs["n"], inputs["scores"]), outcome="event", ordered="level")
    found = statistics(result)
    near = {"abs": FLEISS["tolerance"]}
    assert found["cochran_armitage"].statistic == pytest.approx(case["trend_chi2"], **near)
    assert found["cochran_armitage"].p_value == pytest.approx(case["trend_p"], **near)
    assert found["cochran_armitage"].z == pytest.approx(case["z"], **near)
    assert found["linear_by_linear"].z == pytest.approx(case["z_N_minus_1"], **near)
    assert found["heterogeneity"].statistic == pytest.approx(case["hetero_chi2"], **near)
    assert found["heterogeneity"].p_value == pytest.approx(case["hetero_p"], **near)
    assert (found["heterogeneity"].df, found["departure_from_trend"].df) == (3, 2)
    assert found["departure_from_trend"].statistic == pytest.approx(case["departure_chi2"], **near)
    assert result.table["events"].tolist() == inputs["x"]
    assert result.table["n"].tolist() == inputs["n"]


def test_it_equals_r_with_and_without_climbers() -> None:
    # computed with R 4.2.2: tests/reference/trend/make.R
    result = trend_test(ROWS, outcome="outcome", ordered="score")
    found = statistics(result)
    for name in ("cochran_armitage", "heterogeneity", "departure_from_trend"):
        assert found[name].statistic == pytest.approx(R[name], rel=1e-10), name
        assert found[name].p_value == pytest.approx(R[f"{name}_p"], rel=1e-10), name
    assert found["linear_by_linear"].statistic == pytest.approx(R["linear_by_linear"], rel=1e-10)
    assert found["trend_by_climber"].z == pytest.approx(R["trend_by_climber_z"], rel=1e-10)
    assert [note.code for note in result.notes] == ["climbers_repeat"]


def test_an_ordered_outcome_equals_r() -> None:
    # computed with R 4.2.2: tests/reference/trend/make.R
    result = trend_test(ROWS, outcome="grade", ordered="score")
    found = statistics(result)
    assert list(found) == ["linear_by_linear", "trend_by_climber"]
    assert found["linear_by_linear"].statistic == pytest.approx(R["ordered_linear_by_linear"], rel=1e-10)
    assert found["trend_by_climber"].z == pytest.approx(R["ordered_trend_by_climber_z"], rel=1e-10)
    third = result.table.set_index("level").loc["3"]
    wanted = [R["mean_grade_at_3"], R["mean_grade_at_3_low"], R["mean_grade_at_3_high"]]
    assert third[["estimate", "conf_low", "conf_high"]].tolist() == pytest.approx(wanted, rel=1e-10)


def test_age_bands_order_themselves_as_in_r() -> None:
    # datasets::esoph of R 4.2.2: tests/reference/trend/make.R; the rows are given shuffled
    table = pd.read_csv(REFERENCE / "esoph_age.csv").sample(frac=1, random_state=1)
    people = spread_out(
        table["cases"].tolist(), (table["cases"] + table["referents"]).tolist(), table["agegp"].tolist()
    )
    result = trend_test(people, outcome="event", ordered="level")
    assert result.table["level"].tolist() == ["25-34", "35-44", "45-54", "55-64", "65-74", "75+"]
    assert statistics(result)["cochran_armitage"].statistic == pytest.approx(R["esoph_age"], rel=1e-10)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 9)), min_size=3, max_size=6))
def test_linear_by_linear_equals_statsmodels(cells: list[tuple[int, int]]) -> None:
    # statsmodels' ordinal test has the variance given both margins (N - 1); shift_zeros corrupts it, so it is off
    events, others = map(list, zip(*cells, strict=True))
    if not sum(events):
        events[0] = 1
    rows = spread_out(events, [x + y for x, y in zip(events, others, strict=True)], list(range(len(cells))))
    found = statistics(trend_test(rows, outcome="event", ordered="level"))
    table = np.array([events, others]).T
    theirs = Table(table, shift_zeros=False).test_ordinal_association(np.arange(len(cells)), np.array([1, 0]))
    assert found["linear_by_linear"].z == pytest.approx(theirs.zscore, rel=1e-9, abs=1e-9)


@settings(max_examples=15)
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(1, 9)), min_size=3, max_size=6), st.floats(0.5, 9))
def test_laws_of_a_trend(cells: list[tuple[int, int]], unit: float) -> None:
    """Another unit changes nothing, turning the scale turns the sign, and the parts add up."""
    events, of = [x for x, _ in cells], [x + y for x, y in cells]
    scores = [float(place) for place in range(len(cells))]
    first = statistics(trend_test(spread_out(events, of, scores), outcome="event", ordered="level"))
    scaled = spread_out(events, of, [7 - unit * score for score in scores]).sample(frac=1, random_state=2)
    second = statistics(trend_test(scaled, outcome="event", ordered="level"))
    assert second["cochran_armitage"].z == pytest.approx(-first["cochran_armitage"].z, abs=1e-9)
    parts = first["cochran_armitage"].statistic + first["departure_from_trend"].statistic
    assert parts == pytest.approx(first["heterogeneity"].statistic, abs=1e-9)


def test_climbers_who_never_repeat_and_rows_without_climber_change_nothing() -> None:
    alone = ROWS.assign(climber=[f"c{place}" if place % 3 else None for place in range(len(ROWS))])
    result = trend_test(alone, outcome="outcome", ordered="score")
    assert "trend_by_climber" not in statistics(result)
    assert result.table.equals(trend_test(ROWS.drop(columns="climber"), outcome="outcome", ordered="score").table)


def test_every_row_twice_by_one_climber_is_no_new_evidence() -> None:
    """With each climber's rows doubled the test by climber stays as it was; the others believe it."""
    once = ROWS.assign(climber=[f"c{place}" for place in range(len(ROWS))])
    twice = statistics(trend_test(pd.concat([once, once]), outcome="outcome", ordered="score"))
    before = statistics(trend_test(once, outcome="outcome", ordered="score"))
    assert twice["cochran_armitage"].statistic == pytest.approx(2 * before["cochran_armitage"].statistic)
    each = (ROWS["score"] - ROWS["score"].mean()) * (ROWS["outcome"] - ROWS["outcome"].mean())
    alone = each.sum() ** 2 / (len(each) / (len(each) - 1) * (each**2).sum())
    assert twice["trend_by_climber"].statistic == pytest.approx(alone)


def test_codes_keep_their_place_and_what_is_no_step_is_counted() -> None:
    cases = {
        "pulley_grade": ["I", "IV", "IV", "not_gradable", None, "unknown", "I", "IV"],
        "operated": [False, True, True, True, True, False, False, None],
    }
    result = trend_test(cases, outcome="operated", ordered="pulley_grade")
    assert result.table["score"].tolist() == [1.0, 4.0]
    assert (result.n_rows_in, result.n_rows_used) == (8, 4)
    left = dict(zip(result.left_out["reason"], result.left_out["n"], strict=True))
    assert left == {
        "operated: not known": 1,
        "pulley_grade: not gradable, which is no step of the scale": 1,
        "pulley_grade: unknown": 1,
        "pulley_grade: not recorded": 1,
    }
    assert {note.code for note in result.notes} == {"few_events", "sparse"}


@pytest.mark.parametrize(
    "load",
    [
        pd.Categorical(["low", "mid", "high"] * 6, categories=["low", "mid", "high"], ordered=True),
        pl.Series(["low", "mid", "high"] * 6, dtype=pl.Enum(["low", "mid", "high"])),
    ],
)
def test_an_ordered_category_brings_its_order(load: Any) -> None:
    hurt = [place % 3 == 2 for place in range(16)] + [True, False]
    frame = (pl.DataFrame if isinstance(load, pl.Series) else pd.DataFrame)({"load": load, "hurt": hurt})
    result = trend_test(frame, outcome="hurt", ordered="load")
    assert result.table["level"].tolist() == ["low", "mid", "high"]
    assert statistics(result)["cochran_armitage"].z > 0


def test_scores_may_be_given_and_name_one_family() -> None:
    frame = {"tier": ["pulley_1", "pulley_4", "joint"] * 4, "hurt": [False, True, True] * 3 + [True, False, False]}
    with pytest.raises(InputError, match=r"'tier' has no one order: .* scores="):
        trend_test(frame, outcome="hurt", ordered="tier")
    result = trend_test(frame, outcome="hurt", ordered="tier", scores={"pulley_1": 1, "pulley_4": 4})
    assert result.left_out["n"].tolist() == [4]
    assert result.table["level"].tolist() == ["pulley_1", "pulley_4"]
    bands = {"hours": ["0-4", "5-9", "10+"] * 3, "hurt": [True, False, False] * 2 + [False, True, True]}
    given_scores = trend_test(bands, outcome="hurt", ordered="hours", scores=[2, 7, 12])
    assert given_scores.table["score"].tolist() == [2, 7, 12]


def test_an_outcome_may_be_written_as_values() -> None:
    frame = {
        "grade": [1, 2, 3, 4] * 4,
        "pulley_grade": ["I", "II", "IV", "not_gradable"] * 3 + ["III", "IV", "I", "II"],
    }
    written = trend_test(frame, outcome="pulley_grade= III,IV", ordered="grade")
    assert written.outcome == "pulley_grade=III,IV"
    assert written.table["events"].tolist() == [1, 1, 3, 0]
    assert written.left_out.to_numpy().tolist() == [["pulley_grade=III,IV: not known", 3]]


def test_adults_and_minors_stand_apart() -> None:
    frame = ROWS.assign(minor=ROWS.index % 4 == 0)
    result = trend_test(frame, outcome="outcome", ordered="score", people="adults")
    assert (result.left_out["reason"].tolist(), result.n_rows_in) == (["under 18 (shown apart)"], len(ROWS))
    assert result.n_rows_used == int((~frame["minor"]).sum())


Y, X = [True, False, True, False], [1, 2, 3, 3]


@pytest.mark.parametrize(
    ("frame", "options", "error", "words"),
    [
        ({"y": Y, "x": X}, {"ordered": "z"}, ColumnError, "no column 'z' \\(given as ordered\\)"),
        ({"y": Y, "x": X}, {"ordered": "y"}, InputError, "'y' is given twice"),
        ({"y": [1, 2, 1, 2], "x": X}, {}, InputError, "outcome 'y' must be true/false.* it holds 1, 2"),
        (
            {"y": ["a", "b", "c", "a"], "x": X},
            {},
            InputError,
            "levels of 'y' \\(a, b, c\\) have no order that is known",
        ),
        ({"y": Y, "x": ["soft", "hard", "soft", "mid"]}, {}, InputError, "levels of 'x' .*hard.* have no order"),
        ({"y": Y, "x": X}, {"scores": [1, 2]}, OptionError, "2 numbers; its 3 levels are 1, 2, 3"),
        (
            {"y": Y, "x": X},
            {"scores": {"9": 1.0}},
            OptionError,
            "none of the levels with a score \\(9\\) occurs in 'x'",
        ),
        ({"y": Y, "x": X}, {"scores": {1: "high"}}, OptionError, "score of level '1' of 'x' is no number"),
        ({"y": Y, "x": [1, 1, 1, None]}, {}, DataError, "'x' has the single step 1 in the 3 rows"),
        ({"y": [True] * 4, "x": X}, {}, DataError, "'y' always happened in the 4 rows .*1, 2, 3"),
        ({"y": [False] * 4, "x": X}, {}, DataError, "'y' never happened"),
        ({"y": [None, None, True, True], "x": [1, 2, None, None]}, {}, DataError, "no row has both outcome 'y'"),
        ({"y": Y, "x": X}, {"conf_level": 95}, OptionError, "conf_level is 95"),
        ({"y": Y, "x": X}, {"people": "children"}, OptionError, "people is 'children'"),
        ({"y": Y, "x": X}, {"scores": 5}, OptionError, "scores of 'x' are 5; its 3 levels are 1, 2, 3"),
        ({"y": Y, "x": X}, {"outcome": None}, InputError, "outcome is given as NoneType; give the name of one column"),
        ({"y": Y, "x": X}, {"ordered": ["x"]}, InputError, "ordered is given as list; give the name of one column"),
        (pd.DataFrame({"y": Y, "x": X}).head(0), {}, DataError, "no row has both outcome 'y'"),
    ],
)
def test_bad_input_is_said_in_a_sentence(
    frame: Any, options: dict[str, Any], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        trend_test(frame, **{"outcome": "y", "ordered": "x", **options})


def test_measurements_and_dates_are_refused() -> None:
    many = {"y": [True, False] * 60, "x": list(range(120))}
    with pytest.raises(InputError, match="ordered 'x' has 120 different values"):
        trend_test(many, outcome="y", ordered="x")
    dated = pd.DataFrame({"y": [True, False], "x": pd.to_datetime(["2025-01-01", "2025-01-02"])})
    with pytest.raises(InputError, match="ordered 'x' holds dates"):
        trend_test(dated, outcome="y", ordered="x")


def test_a_registry_is_asked_by_its_cases(clean_registry: Path) -> None:
    from registry import open_registry

    with open_registry(clean_registry) as view:
        with pytest.raises(OptionError, match="ordered 'onset_day' would list persons"):
            trend_test(view, outcome="pop_heard", ordered="onset_day")
        result = trend_test(view, outcome="minor", ordered="digit")
    assert (result.unit, result.n_rows_used) == ("cases", 3)
    assert result.table[["level", "score", "n", "events"]].to_numpy().tolist() == [
        ["middle", 3.0, 2, 1],
        ["ring", 4.0, 1, 0],
    ]


@pytest.mark.parametrize(
    ("low", "middle", "high", "scores"),
    [
        ("-2", "-1", "0", [-2, -1, 0]),
        (".5", "1", "1.5", [0.5, 1, 1.5]),
        ("-3 to -2", "-1 to 0", "1 to 2", [1, 2, 3]),
        ("25-34", "35-44", "45+", [1, 2, 3]),
    ],
)
def test_numbers_in_names_keep_their_sign_and_point(low: str, middle: str, high: str, scores: list[float]) -> None:
    frame = {"y": [True, False, True, False, False], "x": [high, low, middle, middle, low]}
    table = trend_test(frame, outcome="y", ordered="x").table
    assert table["level"].tolist() == [low, middle, high]
    assert table["score"].tolist() == scores


def test_a_mean_without_limits_says_so() -> None:
    result = trend_test({"y": [1, 2, 3, 1, 2], "x": [1, 1, 2, 2, 3]}, outcome="y", ordered="x")
    assert result.table["conf_low"].isna().tolist() == [False, False, True]
    assert any(note.code == "no_spread" and "'x' 3 has a single row" in note.sentence for note in result.notes)


@pytest.mark.parametrize("names", [("x", "m"), ("a", "a_2"), ("products", "climbers")])
def test_a_column_may_be_called_anything(names: tuple[str, str]) -> None:
    random = np.random.default_rng(4)
    steps, climber = random.integers(1, 4, 60), random.integers(0, 30, 60).astype(str)
    hurt = random.random(60) < 0.2 * steps
    usual = trend_test({"step": steps, "hurt": hurt, "climber": climber}, outcome="hurt", ordered="step")
    here = trend_test({names[0]: steps, names[1]: hurt, "climber": climber}, outcome=names[1], ordered=names[0])
    assert here.tests.equals(usual.tests)
    assert "trend_by_climber" in set(here.tests["test"])


def test_an_ordered_category_of_numbers_keeps_them_as_scores() -> None:
    steps = pd.DataFrame({"y": [True, False, True] * 4, "x": pd.Categorical([10, 20, 40] * 4, ordered=True)})
    assert trend_test(steps, outcome="y", ordered="x").table["score"].tolist() == [10, 20, 40]
    turned = steps.assign(x=pd.Categorical([10, 20, 40] * 4, [40, 20, 10], ordered=True))
    result = trend_test(turned, outcome="y", ordered="x")
    assert result.table[["level", "score"]].to_numpy().tolist() == [["40", 1], ["20", 2], ["10", 3]]
