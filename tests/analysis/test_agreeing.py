"""Agreement of readers: published tables, R, statsmodels, laws, repeaters, and what is refused."""

from __future__ import annotations

import csv
import json
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from analysis.agreeing import agreement
from registry.errors import ColumnError, DataError, InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
CASES: dict[str, dict[str, Any]] = {
    case["id"]: case for case in json.loads((TESTS / "checks" / "agreement.json").read_text(encoding="utf-8"))
}
REFERENCE = TESTS / "reference" / "agreement"
ROWS = pd.read_csv(REFERENCE / "rows.csv", dtype=str)
GRADES = ["0", "1", "2", "3", "4", "not_gradable"]
with (REFERENCE / "agreement.csv").open(encoding="utf-8") as lines:
    R = {line["name"]: float(line["value"]) for line in csv.DictReader(lines)}


def read(table: list[list[int]]) -> pd.DataFrame:
    """One row a case of a table of two readers' grades 1, 2, ..."""
    cells = [(i + 1, j + 1) for i, row in enumerate(table) for j, n in enumerate(row) for _ in range(n)]
    return pd.DataFrame(cells, columns=["first", "second"])


@pytest.mark.parametrize(
    ("weights", "name"), [("none", "unweighted"), ("linear", "linear"), ("quadratic", "quadratic")]
)
def test_two_pathologists_equal_the_published_table(weights: str, name: str) -> None:
    # Landis & Koch 1977; Agresti 2002, section 10.5 (kappa 0.493, standard error 0.057: [from memory]);
    # computed with R 4.2.2, vcd 1.4.11
    case = CASES["KAPPA-PATHOL"]
    expected, near = case["expected"][name], {"abs": case["tolerance"]}
    row = agreement(read(case["inputs"]["table"]), readers=["first", "second"], weights=weights).table.iloc[0]
    assert row["method"] == ("cohen_kappa" if weights == "none" else "weighted_kappa")
    assert (row["observed"], row["expected"]) == pytest.approx((expected["po"], expected["pe"]), **near)
    assert row["estimate"] == pytest.approx(expected["kappa"], **near)
    assert (row["std_error"], row["std_error_null"]) == pytest.approx((expected["se"], expected["se0"]), **near)
    assert (row["conf_low"], row["conf_high"]) == pytest.approx(tuple(expected["ci"]), **near)


@pytest.mark.parametrize(("name", "weighted"), [("kappa", False), ("weighted", True)])
def test_weights_as_given_equal_fleiss_cohen_and_everitt(name: str, weighted: bool) -> None:
    # Fleiss, Cohen & Everitt 1969, Psychol Bull 72:323-327; inputs [from memory], outputs computed with base R;
    # printed values: [printed value, second-hand]
    case = CASES["KAPPA-FCE1969"]
    expected, near = case["expected"][name], {"abs": case["tolerance"]}
    weights = case["inputs"]["weights"] if weighted else "none"
    result = agreement(read(case["inputs"]["table"]), readers=["first", "second"], weights=weights)
    row = result.table.iloc[0]
    assert (row["estimate"], row["observed"]) == pytest.approx((expected["kappa"], expected["po"]), **near)
    assert (row["std_error"], row["std_error_null"]) == pytest.approx((expected["se"], expected["se0"]), **near)
    assert (row["conf_low"], row["conf_high"]) == pytest.approx(tuple(expected["ci"]), **near)
    assert result.weights == ("given" if weighted else "none")


@pytest.mark.parametrize("as_votes", [True, False])
def test_six_psychiatrists_equal_fleiss(as_votes: bool) -> None:
    # Fleiss 1971, Psychol Bull 76:378-382, table 1: inputs [from memory], table [printed value, second-hand],
    # kappa [from memory]; output computed
    case = CASES["FLEISS-1971"]
    expected, near = case["expected"], {"abs": case["tolerance"]}
    names = ["depression", "personality", "schizophrenia", "neurosis", "other"]
    votes = pd.DataFrame(case["inputs"]["table"], columns=names)
    if as_votes:
        result = agreement(votes, votes=names)
    else:
        said = [[name for name in names for _ in range(row[name])] for _, row in votes.iterrows()]
        readers = [f"r{place}" for place in range(6)]
        result = agreement(pd.DataFrame(said, columns=readers), readers=readers, levels=names)
    row = result.table.iloc[0]
    assert (row["method"], row["n"]) == ("fleiss_kappa", 30)
    assert (row["observed"], row["expected"]) == pytest.approx((expected["P_bar"], expected["P_e"]), **near)
    assert row["estimate"] == pytest.approx(expected["kappa"], **near)
    assert (row["std_error_null"], row["statistic"]) == pytest.approx((expected["se0"], expected["z"]), **near)
    assert result.categories["estimate"].tolist() == pytest.approx(expected["kappa_by_category"], **near)
    assert len(result.table) == (1 if as_votes else 16)
    assert result.cells.empty


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_grades_with_not_gradable_equal_r(weights: str) -> None:
    # computed with R 4.2.2: tests/reference/agreement/make.R (not_gradable agrees with itself alone)
    alone = agreement(ROWS.drop(columns="climber"), readers=["first", "second"], weights=weights).table.iloc[0]
    for column in ("estimate", "std_error", "std_error_null"):
        assert alone[column] == pytest.approx(R[f"{weights}_{column}"], rel=1e-10), column
    clustered = agreement(ROWS, readers=["first", "second"], weights=weights)
    # R's derivative is numerical
    assert clustered.table["std_error"].iloc[0] == pytest.approx(R[f"{weights}_by_climber"], rel=1e-7)
    assert clustered.table["estimate"].iloc[0] == alone["estimate"]
    assert "climbers_repeat" in [note.code for note in clustered.notes]


def test_three_readers_equal_r() -> None:
    # computed with R 4.2.2: tests/reference/agreement/make.R; R's derivative is numerical
    names = ["first", "second", "third"]
    alone = agreement(ROWS.drop(columns="climber"), readers=names).table.iloc[0]
    assert alone["estimate"] == pytest.approx(R["fleiss_estimate"], rel=1e-10)
    assert alone["std_error_null"] == pytest.approx(R["fleiss_std_error_null"], rel=1e-10)
    assert alone["std_error"] == pytest.approx(R["fleiss_over_cases"], rel=1e-7)
    clustered = agreement(ROWS, readers=names)
    assert clustered.table["std_error"].iloc[0] == pytest.approx(R["fleiss_by_climber"], rel=1e-7)
    assert clustered.table["readers"].tolist()[1:] == ["first, second", "first, third", "second, third"]


tables = (
    st.integers(2, 4)
    .flatmap(lambda k: st.lists(st.lists(st.integers(0, 6), min_size=k, max_size=k), min_size=k, max_size=k))
    .filter(lambda table: all(sum(row) for row in table) and all(sum(column) for column in zip(*table, strict=True)))
)


@settings(max_examples=20)
@given(tables)
def test_statsmodels_agrees(table: list[list[int]]) -> None:
    result = agreement(read(table), readers=["first", "second"], weights=("none", "linear", "quadratic"))
    for row, kind in zip(result.table.itertuples(), (None, "linear", "quadratic"), strict=True):
        theirs = cohens_kappa(np.array(table), wt=kind)
        assert row.estimate == pytest.approx(theirs.kappa, abs=1e-10)
        assert row.std_error_null == pytest.approx(theirs.std_kappa0, abs=1e-10)
        if not np.isnan(row.std_error):
            assert row.std_error == pytest.approx(theirs.std_kappa, abs=1e-10)


@settings(max_examples=15)
@given(st.lists(st.tuples(*[st.sampled_from("abc")] * 4), min_size=4, max_size=12))
def test_laws_of_agreement(rows: list[tuple[str, ...]]) -> None:
    """Who is called first, and how the grades are called, changes nothing; nor does the order of the cases."""
    names = ["r1", "r2", "r3", "r4"]
    frame = pd.DataFrame(rows, columns=names)
    plain = agreement(frame, readers=names)
    turned = agreement(frame[names[::-1]].iloc[::-1], readers=names[::-1])
    relabelled = agreement(frame.replace({"a": "z", "b": "x", "c": "y"}), readers=names)
    for other in (turned, relabelled):
        assert other.table["estimate"].iloc[0] == pytest.approx(plain.table["estimate"].iloc[0], nan_ok=True)
    votes = np.array([[row.count(grade) for grade in "abc"] for row in rows])
    if len({grade for row in rows for grade in row}) > 1:
        assert plain.table["estimate"].iloc[0] == pytest.approx(fleiss_kappa(votes))
    pair = agreement(frame, readers=["r1", "r2"]).table.iloc[0]
    swapped = agreement(frame, readers=["r2", "r1"]).table.iloc[0]
    assert pair["estimate"] == pytest.approx(swapped["estimate"], nan_ok=True)
    assert pair["std_error"] == pytest.approx(swapped["std_error"], nan_ok=True)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_perfect_agreement_is_one_and_has_no_limits(weights: str) -> None:
    result = agreement({"a": [1, 2, 3] * 4, "b": [1, 2, 3] * 4}, readers=["a", "b"], weights=weights)
    row = result.table.iloc[0]
    assert (row["estimate"], row["observed"]) == (1, 1)
    assert np.isnan([row["std_error"], row["conf_low"], row["conf_high"]]).all()
    note = next(note for note in result.notes if note.code == "perfect_agreement")
    # 0.025 ** (1 / 12) = 0.735: the exact (Clopper-Pearson) lower limit of 12 of 12
    assert "of 12 cases all alike, the share that would be read alike is at least 74%" in note.sentence


def test_limits_end_at_one() -> None:
    row = agreement(read([[9, 1], [0, 9]]), readers=["first", "second"]).table.iloc[0]
    assert row["conf_high"] == 1
    assert row["beside_low"] < row["estimate"] < row["beside_high"] < 1
    assert row["estimate"] + 1.96 * row["std_error"] > 1


def test_limits_on_fishers_scale_equal_the_formula() -> None:
    row = agreement(ROWS, readers=["first", "second"], weights="linear").table.iloc[0]
    # Fisher's z: half the logarithm of (1 + k) / (1 - k), with the standard error divided by 1 - k * k
    centre = 0.5 * np.log((1 + row["estimate"]) / (1 - row["estimate"]))
    ends = centre + np.array([-1, 1]) * 1.959963984540054 * row["std_error"] / (1 - row["estimate"] ** 2)
    back = (np.exp(2 * ends) - 1) / (np.exp(2 * ends) + 1)
    assert row[["beside_low", "beside_high"]].tolist() == pytest.approx(back.tolist(), rel=1e-12)


def test_one_grade_for_all_has_no_kappa() -> None:
    result = agreement({"a": ["3"] * 5, "b": ["3"] * 5}, readers=["a", "b"])
    assert result.table[["estimate", "std_error", "conf_low", "statistic", "p_value"]].isna().all(axis=None)
    assert [note.code for note in result.notes] == ["one_grade", "prevalence"]


def test_a_reader_with_a_single_grade_has_kappa_zero_and_a_note() -> None:
    result = agreement({"a": [1, 2, 1, 2], "b": [1, 1, 1, 1]}, readers=["a", "b"])
    assert result.table["estimate"].iloc[0] == 0
    assert result.table[["conf_low", "p_value"]].isna().all(axis=None)
    assert "no_spread" in [note.code for note in result.notes]


def test_missing_readings_are_left_out_and_counted() -> None:
    frame = {"a": ["1", "2", None, "unknown", "9"], "b": ["1", "2", "1", "1", "1"]}
    result = agreement(frame, readers=["a", "b"], levels=["1", "2"])
    assert (result.n_rows_in, result.n_rows_used) == (5, 2)
    left = dict(zip(result.left_out["reason"], result.left_out["n"], strict=True))
    assert left == {"a: not recorded": 1, "a: unknown": 1, "a: 9, which is none of the levels": 1}
    assert result.cells["n"].tolist() == [1, 0, 0, 1]


def test_not_gradable_stands_last_and_agrees_with_itself_alone() -> None:
    frame = {"a": ["not_gradable", "0", "4", "not_gradable"], "b": ["4", "0", "4", "not_gradable"]}
    result = agreement(frame, readers=["a", "b"], weights="linear")
    assert result.table["observed"].iloc[0] == 0.75
    assert list(dict.fromkeys(result.cells["first"])) == ["0", "4", "not_gradable"]
    assert "not_gradable is no step of it: it agrees with itself alone" in result.method


def test_few_climbers_have_no_limits() -> None:
    frame = ROWS[ROWS["climber"].isin(ROWS["climber"].drop_duplicates().head(8))]
    result = agreement(frame, readers=["first", "second"])
    assert result.table[["std_error", "conf_low"]].isna().all(axis=None)
    assert any("fewer than 10 climbers there are no limits" in note.sentence for note in result.notes)


PAIR = {"a": ["x", "y", "z", "x"], "b": ["x", "y", "y", "x"]}


@pytest.mark.parametrize(
    ("frame", "options", "error", "words"),
    [
        (PAIR, {"readers": ["a"]}, InputError, r"one reader \(a\)"),
        (PAIR, {"readers": ["a", "a"]}, InputError, "reader 'a' is given twice"),
        (PAIR, {"readers": "ab"}, InputError, "single word; give a list"),
        (PAIR, {"readers": ["a", "c"]}, ColumnError, r"no column 'c' \(given as a reader\)"),
        (PAIR, {"readers": None}, InputError, "name either the columns"),
        (PAIR, {"weights": "linear"}, InputError, "linear weights need the order of the grades, and that of x, y, z"),
        (PAIR, {"weights": "square"}, OptionError, "weights are 'square'"),
        (PAIR, {"weights": [[1, 0], [0, 1]]}, OptionError, "weights are 2 by 2, but there are 3 grades"),
        (PAIR, {"weights": np.ones((3, 3)) - np.eye(3)}, OptionError, "1 on the diagonal"),
        (PAIR, {"weights": 3}, OptionError, "weights are none, linear, quadratic, or a square matrix"),
        (PAIR, {"levels": ["x", "x"]}, OptionError, "names a grade twice"),
        (PAIR, {"levels": []}, OptionError, r"levels is \[\]; give a list of the grades"),
        (PAIR, {"levels": "xyz"}, OptionError, "levels is 'xyz'; give a list of the grades"),
        (PAIR, {"levels": 5}, OptionError, "levels is 5; give a list of the grades"),
        (PAIR, {"readers": 5}, InputError, "readers is 5; give a list of the names"),
        (PAIR, {"readers": ["a", 5]}, InputError, "readers is .*; give a list of the names"),
        (
            {"p": [3, 0], "q": [0, 3]},
            {"readers": None, "votes": ["p", "q"], "weights": "linear"},
            OptionError,
            "weights are linear; votes have Fleiss' kappa, which takes none",
        ),
        ({"a": [], "b": []}, {}, DataError, "none of 0 cases has a grade of every reader"),
        (PAIR, {"site": "north"}, InputError, "site chooses readings of a registry"),
        (PAIR, {"people": "adults"}, ColumnError, "no column 'minor'"),
        (PAIR, {"conf_level": 1.5}, OptionError, "conf_level is 1.5"),
        ({"a": ["x", None], "b": [None, "x"]}, {}, DataError, r"none of 2 cases .* \(cases with one: a 1, b 1\)"),
        ({"a": [0.1 * x for x in range(30)], "b": [0.2 * x for x in range(30)]}, {}, InputError, "different values"),
        ({"p": [1, 2], "q": [1, 1]}, {"readers": None, "votes": ["p", "q"]}, InputError, "add up to 2, 3; every case"),
        ({"p": [0.5], "q": [1.5]}, {"readers": None, "votes": ["p", "q"]}, InputError, "no column of whole numbers"),
        ({"p": [1], "q": [1]}, {"readers": None, "votes": ["p"]}, InputError, "two different columns or more"),
    ],
)
def test_bad_input_is_said_in_a_sentence(
    frame: dict[str, list[Any]], options: dict[str, Any], error: type[Exception], words: str
) -> None:
    with pytest.raises(error, match=words):
        agreement(frame, **{"readers": ["a", "b"], **options})


def test_every_pattern_of_three_readers_is_counted_once() -> None:
    rows = [row for row in product("123", repeat=3) for _ in range(int(row[0]))]
    result = agreement(pd.DataFrame(rows, columns=list("abc")), readers=list("abc"))
    assert result.n_rows_used == len(rows) == 54
    assert result.categories["share"].sum() == pytest.approx(1)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_rounding_is_no_spread(weights: str) -> None:
    # A reader with one grade: both standard errors are 0 in exact arithmetic, whatever the shares round to.
    result = agreement({"a": [1] * 10, "b": [1, 2, 1, 2, 1, 3, 1, 1, 1, 2]}, readers=["a", "b"], weights=weights)
    assert result.table["estimate"].item() == pytest.approx(0, abs=1e-12)
    assert result.table["std_error_null"].item() < 1e-12
    assert result.table[["std_error", "statistic", "p_value"]].isna().all(axis=None)


@pytest.mark.parametrize(
    ("written", "meant"), [("Linear", "linear"), (None, "none"), ("unweighted", "none"), ("squared", "quadratic")]
)
def test_weights_are_known_however_they_are_written(written: Any, meant: str) -> None:
    assert agreement(ROWS, readers=["first", "second"], weights=written).weights == meant


def test_the_order_of_a_category_comes_from_the_reader_who_knows_all_grades() -> None:
    few = pd.Categorical(["low", "high"] * 4, ["low", "high"], ordered=True)
    all_three = pd.Categorical(["low", "mid"] * 4, ["low", "mid", "high"], ordered=True)
    frame = pd.DataFrame({"a": few, "b": all_three})
    for readers in (["a", "b"], ["b", "a"]):
        result = agreement(frame, readers=readers, weights="linear")
        assert list(dict.fromkeys(result.cells["first"])) == ["low", "mid", "high"]
        # half of the cases agree, half are one of two steps apart
        assert result.table["observed"].item() == 0.75
    other_way = frame.assign(b=pd.Categorical(["low", "mid"] * 4, ["high", "mid", "low"], ordered=True))
    with pytest.raises(InputError, match="linear weights need the order of the grades"):
        agreement(other_way, readers=["a", "b"], weights="linear")


def test_weights_of_grades_without_an_order_say_which_order_was_taken() -> None:
    half = [[1, 0.5, 0], [0.5, 1, 0.5], [0, 0.5, 1]]
    note = next(n for n in agreement(PAIR, readers=["a", "b"], weights=half).notes if n.code == "order_of_weights")
    assert "were taken to be x, y, z, in this order" in note.sentence
    codes = [note.code for note in agreement(PAIR, readers=["a", "b"], weights=half, levels=["z", "y", "x"]).notes]
    assert "order_of_weights" not in codes


def test_every_line_without_limits_is_explained() -> None:
    # a and b agree always; c sets each case apart alike, so that no case could change Fleiss' kappa.
    result = agreement({"a": [1, 2], "b": [1, 2], "c": [3, 1]}, readers=["a", "b", "c"])
    assert result.table["std_error"].isna().all()
    assert {"perfect_agreement", "no_spread"} <= {note.code for note in result.notes}


@pytest.mark.parametrize("names", [["a", "a_2"], ["products", "climbers"]])
def test_a_reader_may_be_called_anything(names: list[str]) -> None:
    renamed = ROWS.rename(columns=dict(zip(["first", "second"], names, strict=True)))
    here, there = agreement(renamed, readers=names), agreement(ROWS, readers=["first", "second"])
    assert here.table["std_error"].tolist() == there.table["std_error"].tolist()
