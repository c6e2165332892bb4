"""Which finger, which structure: published shares, denominators, climbers who repeat, impossible cells."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.proportions import wilson_limits
from analysis.results import Distribution
from analysis.shares import distribution
from registry.dictionary.anatomy import impossible, impossible_joint
from registry.dictionary.injury import DIGIT, JOINT, STRUCTURES
from registry.errors import ColumnError, InputError, OptionError

TESTS = Path(__file__).resolve().parent.parent
DIGITS = ["thumb", "index", "middle", "ring", "little"]


def frame_of(counts: dict[tuple[str, ...], int], names: list[str]) -> pd.DataFrame:
    """Rows from counts by cell."""
    return pd.DataFrame([cell for cell, n in counts.items() for _ in range(n)], columns=names)


def codes(result: Distribution) -> list[str]:
    return [note.code for note in result.notes]


def test_published_shares_by_sex() -> None:
    # Grønhaug 2018, BMJ Open SEM 4:e000406: fingers in 131 of 289 men and 28 of 96 women (printed 45.3 %, 29.2 %,
    # 41.3 % of all); chi-square 7.765, p = 0.0053 derived from these counts, R 4.2.2 agrees (reference/injury_tables).
    counts = {("male", "finger"): 131, ("male", "other"): 158, ("female", "finger"): 28, ("female", "other"): 68}
    rows = frame_of(counts, ["sex", "place"])
    result = distribution(rows, by=["sex", "place"])
    cells = result.table.set_index(["sex", "place"])
    assert 100 * cells.loc[("male", "finger"), "row_share"] == pytest.approx(45.3, abs=0.05)
    assert 100 * cells.loc[("female", "finger"), "row_share"] == pytest.approx(29.2, abs=0.05)
    test = result.tests.set_index("test").loc["pearson"]
    assert test["statistic"] == pytest.approx(7.765, abs=5e-4)
    assert test["p_value"] == pytest.approx(0.0053, abs=5e-5)
    whole = distribution(rows, by="place").table.set_index("place")
    assert 100 * whole.loc["finger", "estimate"] == pytest.approx(41.3, abs=0.05)


def test_published_pulley_grades() -> None:
    # Schöffl et al. 2003, WEM 14:94-100: 122 pulley injuries, printed 39/25/30/6 %; the split of II and III derived.
    grades = frame_of({("I",): 48, ("II",): 30, ("III",): 37, ("IV",): 7}, ["pulley_grade"])
    table = distribution(grades, by="pulley_grade").table.set_index("pulley_grade")
    assert table["n"].to_dict() == {"I": 48, "II": 30, "III": 37, "IV": 7, "not_gradable": 0}
    assert 100 * table["estimate"].iloc[:4].to_numpy() == pytest.approx([39, 25, 30, 6], abs=0.5)


def test_codes_that_do_not_occur_are_rows_with_limits() -> None:
    result = distribution({"digit": ["ring"] * 20}, by="digit")
    assert result.table["digit"].tolist() == DIGITS
    thumb = result.table.iloc[0]
    # Newcombe 1998, Table I (0 of 20), printed 0 to 0.1611
    assert (thumb["n"], thumb["of"], thumb["conf_low"]) == (0, 20, 0)
    assert thumb["conf_high"] == pytest.approx(0.1611, abs=5e-5)


def test_a_column_that_shares_a_name_keeps_its_own_levels() -> None:
    assert distribution({"level": ["b", "a", "b"]}, by="level").table["level"].tolist() == ["a", "b"]


def test_missing_is_a_level_and_part_of_the_denominator() -> None:
    rows = {"grip": ["full_crimp", None, "unknown", "not_applicable", "full_crimp"]}
    table = distribution(rows, by="grip").table
    assert table["grip"].tolist()[-3:] == ["unknown", "not_applicable", "not recorded"]
    assert (table["of"] == 5).all()
    assert table.set_index("grip")["estimate"]["full_crimp"] == pytest.approx(0.4)


@pytest.mark.parametrize("make", [dict, pd.DataFrame, pl.DataFrame], ids=["dict", "pandas", "polars"])
def test_any_frame_gives_the_same(make: Any) -> None:
    rows = {
        "digit": ["ring", None, "ring", "thumb", "unknown", "ring"],
        "climber": ["a", "a", None, "b", "c", "b"],
        "age": [20, None, 31, 20, 20, 31],
        "minor": [True, None, False, False, False, True],
    }
    made = make(rows)
    assert distribution(made, by="digit").table["n"].tolist() == [1, 0, 0, 3, 0, 1, 1]
    assert distribution(made, by="age").table["age"].tolist() == ["20", "31", "not recorded"]
    assert distribution(made, by="minor").table["minor"].tolist() == ["no", "yes", "not recorded"]
    same = distribution(made, by=["digit", "age"])
    pd.testing.assert_frame_equal(same.table, distribution(rows, by=["digit", "age"]).table)
    assert codes(same)[0] == "climbers_repeat"


def test_repeating_climbers_widen_the_limits() -> None:
    once = pd.DataFrame({"digit": ["ring"] * 30 + ["middle"] * 30, "climber": range(60)})
    twice = pd.concat([once, once])
    alone, doubled = distribution(once, by="digit"), distribution(twice, by="digit")
    rows = pd.DataFrame({"digit": twice["digit"]})
    plain = distribution(rows, by="digit").table.set_index("digit").loc["ring"]
    robust = doubled.table.set_index("digit").loc["ring"]
    single = alone.table.set_index("digit").loc["ring"]
    assert codes(alone) == []
    assert codes(doubled) == ["climbers_repeat"]
    assert "60 of 60 climbers appear more than once, with 120 of 120" in doubled.notes[0].sentence
    assert single["conf_low"] == pytest.approx(wilson_limits(30, 60)[0], abs=1e-15)
    # Every row doubled tells no more than every row once (the estimated design effect is 2 * 119/118).
    assert robust["conf_high"] - robust["conf_low"] == pytest.approx(single["conf_high"] - single["conf_low"], rel=0.02)
    assert robust["conf_high"] - robust["conf_low"] > 1.3 * (plain["conf_high"] - plain["conf_low"])
    # An empty cell falls back on Kish's size: 120^2 / (60 * 4) = 60.
    thumb = doubled.table.iloc[0]
    assert thumb["conf_high"] == pytest.approx(wilson_limits(0, 60)[1], abs=1e-12)


def test_one_climber_alone_counts_as_one() -> None:
    result = distribution({"digit": ["ring", "ring", "index"], "climber": ["a", "a", "a"]}, by="digit")
    ring = result.table.set_index("digit").loc["ring"]
    assert ring["conf_low"] == pytest.approx(wilson_limits(2, 3, effective=1)[0])
    assert ring["conf_high"] > 0.95
    assert result.table[["beside_low", "beside_high"]].isna().all(axis=None)
    assert any("Of a single climber there are no bootstrap limits" in note.sentence for note in result.notes)


FINDINGS = pd.DataFrame(
    {
        "site": ["x", "x", "x", "y", "y", "y"],
        "case": ["1", "1", "2", "1", "3", "3"],
        "structure": ["a2", "a3", "a2", "a4", "volar_plate", "volar_plate"],
        "joint": [None, None, None, None, "pip", "dip"],
        "digit": ["ring", "ring", "middle", "ring", "index", "index"],
    }
)


def test_findings_are_shared_among_cases() -> None:
    result = distribution(FINDINGS, by="structure")
    table = result.table.set_index("structure")
    assert result.unit == "findings"
    assert (table["of"] == 4).all(), "case 1 of site x and case 1 of site y are two cases"
    assert table["n"][["a2", "a3", "a4", "volar_plate"]].tolist() == [2, 1, 1, 1]
    assert table["estimate"].sum() == pytest.approx(5 / 4)
    assert codes(result) == ["no_pearson_on_findings"]
    assert "4 cases with a finding" in result.method


def test_no_pearson_where_a_case_counts_twice() -> None:
    result = distribution(FINDINGS, by=["digit", "structure"])
    cells = result.table.set_index(["digit", "structure"])
    assert result.tests.empty
    assert cells.loc[("ring", "a2"), "row_share"] == pytest.approx(1 / 2), "one of two ring fingers"
    assert cells.loc[("ring", "a2"), "column_share"] == pytest.approx(1 / 2), "one of two a2 pulleys"
    assert cells["expected"].isna().all()


def test_a_finding_without_case_is_left_out_and_counted() -> None:
    rows = pd.concat([FINDINGS, FINDINGS.head(1).assign(case=None)])
    result = distribution(rows, by="structure")
    assert (result.n_rows_in, result.n_rows_used) == (7, 6)
    assert result.left_out.to_dict("records") == [{"reason": "no case given", "n": 1}]


def test_impossible_cells_are_flagged_and_cost_no_degree_of_freedom() -> None:
    counts = {("thumb", "a1"): 5, ("thumb", "a2"): 6, ("ring", "a1"): 8, ("ring", "a2"): 30, ("ring", "a4"): 22,
              ("middle", "a1"): 9, ("middle", "a2"): 25, ("middle", "a4"): 19}  # fmt: skip
    result = distribution(frame_of(counts, ["digit", "structure"]), by=["digit", "structure"])
    cells = result.table.set_index(["digit", "structure"])
    assert cells.index[cells["impossible"]].tolist() == [("thumb", "a4")]
    assert cells.loc[("thumb", "a4"), "expected"] == 0
    assert len(cells) == 9
    assert result.tests["df"].tolist()[:2] == [3, 3]
    turned = distribution(frame_of(counts, ["digit", "structure"]), by=["structure", "digit"])
    assert turned.tests["statistic"].to_numpy() == pytest.approx(result.tests["statistic"].to_numpy(), abs=1e-8)


def test_a_filled_impossible_cell_is_told() -> None:
    counts = {("thumb", "pip"): 2, ("thumb", "mcp"): 9, ("ring", "pip"): 20, ("ring", "mcp"): 9, ("index", "pip"): 9,
              ("index", "mcp"): 9, (None, "pip"): 3}  # fmt: skip
    result = distribution(frame_of(counts, ["digit", "joint"]), by=["digit", "joint"])
    assert codes(result)[:2] == ["test_leaves_out_missing", "impossible_cells_filled"]
    assert result.notes[1].sentence.startswith("2 lie")
    unknown = result.table[result.table["digit"] == "not recorded"]
    assert unknown["expected"].isna().all()


def test_sparse_tables_are_simulated_with_a_recorded_seed() -> None:
    counts = {("ring", "left"): 4, ("ring", "right"): 1, ("middle", "left"): 1, ("middle", "right"): 5}
    result = distribution(frame_of(counts, ["digit", "side"]), by=["digit", "side"], seed=11)
    assert result.tests["test"].tolist() == ["pearson_monte_carlo", "g_squared", "cramers_v"]
    assert result.seed == 11
    # The likelihood ratio's p-value is empty, and the note says so.
    assert np.isnan(result.tests["p_value"][1])
    assert any("the likelihood ratio has none" in note.sentence for note in result.notes)
    dense = distribution(
        frame_of({cell: 40 * n for cell, n in counts.items()}, ["digit", "side"]), by=["digit", "side"]
    )
    assert dense.seed is None
    # (4 * 5 - 1)^2 * 11 / (5 * 6 * 5 * 6): Pearson's formula for a 2x2 table
    assert result.tests["statistic"][0] == pytest.approx(361 * 11 / 900)


@pytest.mark.parametrize("by", ["digit", ["digit", "side"], ["digit", "side", "grip"]])
@pytest.mark.parametrize("n", [0, 1, 3])
def test_tiny_tables_are_right(by: Any, n: int) -> None:
    rows = pd.DataFrame({"digit": ["ring"] * n, "side": ["left"] * n, "grip": [None] * n, "climber": ["a"] * n})
    result = distribution(rows, by=by)
    assert result.n_rows_in == n
    assert result.tests.empty
    assert result.table["n"].sum() == n
    assert ("no_rows" in codes(result)) == (n == 0)
    assert isinstance(result.summary(), str)


def test_three_columns_list_the_cells_that_occur() -> None:
    rows = frame_of({("ring", "left", "b"): 2, ("index", "right", "a"): 1}, ["digit", "side", "squad"])
    table = distribution(rows, by=["digit", "side", "squad"]).table
    assert table[["digit", "side", "squad", "n"]].to_numpy().tolist() == [
        ["index", "right", "a", 1],
        ["ring", "left", "b", 2],
    ]


def test_what_cannot_be_asked() -> None:
    rows = {"digit": ["ring"]}
    with pytest.raises(ColumnError, match=r"no column 'digt' \(given as by\).*Did you mean 'digit'"):
        distribution(rows, by="digt")
    with pytest.raises(InputError, match="by is empty"):
        distribution(rows, by=[])
    with pytest.raises(InputError, match="'digit' is given twice"):
        distribution(rows, by=["digit", "digit"])
    with pytest.raises(InputError, match="'estimate' has the name of a column of the result"):
        distribution({"estimate": ["a"]}, by="estimate")
    with pytest.raises(OptionError, match="Did you mean 'findings'"):
        distribution(rows, by="digit", of="finding")  # type: ignore[arg-type]
    with pytest.raises(OptionError, match="between 0 and 1"):
        distribution(rows, by="digit", conf_level=95)
    for nothing in (None, 5, ["digit", 5]):
        with pytest.raises(InputError, match="give the name of a column, or a list of names"):
            distribution(rows, by=nothing)  # type: ignore[arg-type]
    for seed in (-1, 1.5, "a", None, True):
        with pytest.raises(OptionError, match=r"seed is .*; it is a whole number of 0 or more"):
            distribution(rows, by="digit", seed=seed)  # type: ignore[arg-type]


class Registry:
    """The smallest thing that answers like an opened registry."""

    def table(self, name: str) -> Any:
        cases = FINDINGS[["site", "case", "digit"]].drop_duplicates()
        return {"cases": cases, "findings": FINDINGS}[name]

    def base(self, name: str) -> Any:
        raise AssertionError(name)


def test_a_registry_counts_cases_unless_findings_are_asked_for() -> None:
    assert distribution(Registry(), by="digit").unit == "cases"
    assert distribution(Registry(), by="digit").table["of"].iloc[0] == 4
    assert distribution(Registry(), by="structure", of="findings").unit == "findings"


def test_anatomy_knows_every_digit_structure_and_joint() -> None:
    for digit in (code.word for code in DIGIT):
        ruled_out = {structure for structure in STRUCTURES if impossible(digit, structure)}
        assert len(ruled_out) == (9 if digit == "thumb" else 2)
        joints = {code.word for code in JOINT if impossible_joint(digit, code.word)}
        assert joints == ({"pip", "dip"} if digit == "thumb" else {"ip"})
    assert not impossible("unknown", "fpl_tendon")


rows_of_cases = st.lists(
    st.tuples(
        st.sampled_from([*DIGITS, None, "unknown"]), st.sampled_from(["left", "right"]), st.sampled_from("abcdefgh")
    ),
    min_size=1,
    max_size=40,
)


@settings(max_examples=10, deadline=None)
@given(rows_of_cases, st.randoms(use_true_random=False))
def test_laws_of_shares(rows: list[tuple[str | None, str, str]], random: Any) -> None:
    frame = pd.DataFrame(rows, columns=["digit", "side", "climber"])
    table = distribution(frame, by="digit").table
    assert table["estimate"].sum() == pytest.approx(1)
    assert table["n"].sum() == len(rows)
    assert ((table["conf_low"] <= table["estimate"]) & (table["estimate"] <= table["conf_high"])).all()
    assert (table["conf_low"] >= 0).all()
    assert (table["conf_high"] <= 1).all()
    random.shuffle(rows)
    again = distribution(pl.DataFrame(rows, schema=["digit", "side", "climber"], orient="row"), by="digit").table
    pd.testing.assert_frame_equal(table, again)
    crossed = distribution(frame, by=["digit", "side"]).table
    assert crossed.groupby("digit")["row_share"].sum().to_numpy() == pytest.approx(1)
    assert crossed.groupby("side")["column_share"].sum().to_numpy() == pytest.approx(1)
    # A robust interval is never narrower than the plain one.
    plain = distribution(frame.drop(columns="climber"), by="digit").table
    width, plain_width = table["conf_high"] - table["conf_low"], plain["conf_high"] - plain["conf_low"]
    assert (width >= plain_width - 1e-12).all()


@pytest.mark.slow
def test_limits_cover_where_climbers_repeat_and_the_plain_ones_fail() -> None:
    """600 registries of 150 climbers with 1 to 5 cases, each with a liking of its own (mean 0.3, correlation 1/2).

    Bands set before the first run: robust 92.5 to 97.5 %, plain below 90 %.
    """
    random = np.random.default_rng(20)
    covered = plain_covered = 0
    registries = 600
    for _ in range(registries):
        sizes = random.integers(1, 6, 150)
        liking = random.beta(0.3, 0.7, 150)
        climber = np.repeat(np.arange(150), sizes)
        ring = random.random(len(climber)) < liking[climber]
        frame = pd.DataFrame({"climber": climber, "ring": ring})
        for columns, robust in ((["climber", "ring"], True), (["ring"], False)):
            row = distribution(frame[columns], by="ring").table.set_index("ring").loc["yes"]
            hit = row["conf_low"] <= 0.3 <= row["conf_high"]
            covered += robust and hit
            plain_covered += (not robust) and hit
    assert 0.925 <= covered / registries <= 0.975
    assert plain_covered / registries < 0.90


class View:
    """What distribution needs of an opened registry."""

    def __init__(self, table: pd.DataFrame) -> None:
        self._cases = table

    def table(self, name: str) -> pd.DataFrame:
        return {"cases": self._cases}[name]

    def base(self, name: str) -> pd.DataFrame:
        raise KeyError(name)


@pytest.mark.parametrize("column", ["athlete", "climber", "case", "onset", "onset_day", "birth_year", "squad"])
def test_a_registry_is_not_listed_person_by_person(column: str) -> None:
    rows = pd.DataFrame({column: ["1", "2"], "site": ["x", "x"]})
    with pytest.raises(OptionError, match=f"by '{column}' would list persons"):
        distribution(View(rows), by=column)
    assert distribution(rows, by=column).table["n"].sum() == 2
    assert distribution(View(rows), by="site").table["n"].tolist() == [2]


@pytest.mark.parametrize("names", [["x", "m"], ["climbers", "n_2"], ["a", "a_2"], ["o'clock", 'the "side"']])
def test_a_column_may_be_called_anything(names: list[str]) -> None:
    random = np.random.default_rng(4)
    labels = random.choice(["u", "v", "w"], (60, 2))
    climber = random.integers(0, 30, 60).astype(str)
    usual = pd.DataFrame(labels, columns=["digit", "side"]).assign(climber=climber)
    unusual = pd.DataFrame(labels, columns=names).assign(climber=climber)
    here, there = distribution(unusual, by=names), distribution(usual, by=["digit", "side"])
    assert here.table.drop(columns=names).equals(there.table.drop(columns=["digit", "side"]))
    assert here.tests.equals(there.tests)
    with pytest.raises(InputError, match="'squares' has the name of a column of the result"):
        distribution(usual.rename(columns={"side": "squares"}), by=["digit", "squares"])


@pytest.mark.parametrize("name", ["season", "level"])
def test_words_without_an_order_have_no_trend(name: str) -> None:
    rows = pd.DataFrame({"side": ["left", "right"] * 12, name: ["spring", "autumn", "summer"] * 8})
    result = distribution(rows, by=["side", name])
    assert result.tests["test"].tolist()[0].startswith("pearson")
    assert "cochran_armitage" not in set(result.tests["test"])
