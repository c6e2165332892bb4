"""Results as text for people, and as JSON and CSV for programs."""

from __future__ import annotations

import csv
import io
import json
import math
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
import pytest

from analysis.results import Note
from reports.tables.building import tables_of
from reports.terminal import result_cautions, result_csv, result_json, result_said, result_text

KINDS = ["bars", "heat", "forest", "stratified", "curves", "one_curve", "survival", "rates", "incidence"]


@pytest.mark.parametrize("kind", KINDS)
def test_text_is_aligned_and_rounded(results: dict[str, Any], kind: str) -> None:
    text = result_text(results[kind])
    assert "nan" not in text
    assert "Unit:" in text
    assert not [line for line in text.splitlines() if line != line.rstrip()]
    assert not [word for word in text.split() if word.count(".") == 1 and len(word.split(".")[1].rstrip(")")) > 6]


@pytest.mark.parametrize("kind", KINDS)
def test_json_holds_every_table_unrounded(results: dict[str, Any], kind: str) -> None:
    result = results[kind]
    body = json.loads(result_json(result, identity={"name": "f"}))
    assert len(body["table"]) == len(result.table)
    assert list(body["table"][0]) == list(result.table.columns)
    for row, kept in zip(body["table"], result.table["estimate"], strict=True):
        if math.isnan(kept):
            assert row["estimate"] is None
        elif math.isinf(kept):
            assert row["estimate"] == "infinite"
        else:
            assert row["estimate"] == pytest.approx(kept, rel=1e-11)
    assert body["n_rows_in"] == result.n_rows_in
    assert body["method"] == result.method
    assert len(body["cautions"]) >= 2
    assert body["identity"] == {"name": "f"}


@pytest.mark.parametrize("kind", KINDS)
def test_csv_is_the_table_and_nothing_else(results: dict[str, Any], kind: str) -> None:
    result = results[kind]
    rows = list(csv.DictReader(io.StringIO(result_csv(result))))
    assert len(rows) == len(result.table)
    assert list(rows[0]) == list(result.table.columns)


def test_reasons_and_notes_are_said(results: dict[str, Any]) -> None:
    left_out = pd.DataFrame({"reason": ["no day"], "n": [3]})
    result = replace(results["bars"], left_out=left_out, notes=(Note("few", "Few events in pulley_3."),))
    said = " ".join(result_said(result))
    assert "left out: 3 no day" in said
    assert "Few events in Pulley III." in said
    body = json.loads(result_json(result))
    assert body["left_out"] == [{"reason": "no day", "n": 3}]
    assert body["notes"] == [{"code": "few", "sentence": "Few events in pulley_3."}]


def test_infinite_and_missing_ratios_are_words(results: dict[str, Any]) -> None:
    table = results["forest"].table.copy()
    table[["estimate", "conf_low", "conf_high"]] = [np.inf, 0.7, np.inf]
    text = result_text(replace(results["forest"], table=table))
    assert "inf (0.70 to inf)" in text
    table[["estimate", "conf_low", "conf_high"]] = np.nan
    assert "not estimable" in result_text(replace(results["forest"], table=table))


def test_every_estimate_names_the_cells_it_comes_from(results: dict[str, Any]) -> None:
    for kind in ("bars", "forest", "curves", "incidence"):
        table = tables_of(results[kind])[0]
        ids = {
            f"{table.row_key(place)}/{column.key}"
            for place, row in enumerate(table.rows)
            for column, _ in zip(table.columns, row, strict=True)
        }
        named = {source for row in table.rows for cell in row for source in cell.derived_from}
        assert named
        assert named <= ids


def test_impossible_cells_are_no_zeros(results: dict[str, Any]) -> None:
    table = tables_of(results["heat"])[0]
    impossible = results["heat"].table.query("impossible")
    assert len(impossible)
    shown = {table.row_key(place): row for place, row in enumerate(table.rows)}
    heads = [column.key for column in table.columns]
    for cell in impossible.itertuples():
        if cell.structure in shown:
            assert shown[cell.structure][heads.index(cell.digit)].shown == "–"


def test_groups_too_small_for_a_median_say_so(results: dict[str, Any]) -> None:
    result = results["curves"]
    small = set(result.groups.loc[result.groups["n"] < 5, "group"])
    assert small
    for row in tables_of(result)[0].rows:
        assert (row[0].value in small) == (row[-1].shown == "too few to tell")


def test_each_kind_of_result_carries_its_own_caution(results: dict[str, Any]) -> None:
    codes = {kind: {caution.code for caution in result_cautions(results[kind])} for kind in KINDS}
    assert "within_cases" in codes["forest"]
    assert "past_courses" in codes["curves"]
    assert "rates_differ" in codes["incidence"]
    assert all("group_figures" in found for found in codes.values())


@pytest.mark.parametrize("kind", KINDS)
def test_a_narrow_terminal_breaks_tables_and_loses_no_cell(results: dict[str, Any], kind: str) -> None:
    wide, narrow = result_text(results[kind]), result_text(results[kind], width=72)
    tables = tables_of(results[kind])
    widest_label = max(len(row[0].shown) for table in tables for row in table.rows)
    assert max(len(line) for line in narrow.splitlines()) <= max(72, widest_label + 40)
    for table in tables:
        for row in table.rows:
            for cell in row:
                shown = cell.shown.replace("\u202f", " ").replace("∞", "inf")
                assert shown in narrow
                assert shown in wide


def test_a_small_group_has_no_share_back(results: dict[str, Any]) -> None:
    result = results["curves"]
    groups = result.groups.copy()
    groups.loc[groups.index[0], "n"] = 4
    shares = next(table for table in tables_of(replace(result, groups=groups)) if table.key.endswith("_shares"))
    back = [place for place, column in enumerate(shares.columns) if column.key.startswith("back_")]
    assert {shares.rows[0][place].shown for place in back} == {"too few to tell"}
    assert {shares.rows[0][place].value for place in back} == {"too few to tell"}
    assert "too few to tell" not in {shares.rows[1][place].shown for place in back}


def test_a_curve_at_0_says_that_all_followed_were_back(results: dict[str, Any]) -> None:
    result = results["one_curve"]
    shares = result.shares_back.copy()
    shares.loc[shares.index[-1], ["estimate", "conf_low", "conf_high"]] = [1.0, np.nan, np.nan]
    cells = tables_of(replace(result, shares_back=shares))[1].rows[0]
    assert cells[-2].shown == "all back"
    assert cells[-2].value == 1


def test_dashes_are_explained_only_where_they_stand(results: dict[str, Any]) -> None:
    result = results["heat"]
    for impossible in (True, False):
        table = tables_of(replace(result, table=result.table.assign(impossible=impossible & (result.table["n"] == 0))))[
            0
        ]
        assert any("means: cannot be" in note for note in table.notes) is impossible


def test_standings_stand_once(results: dict[str, Any]) -> None:
    tables = tables_of(results["incidence"])
    assert "Where every injury event went." in [table.caption for table in tables]
    assert not any(note.startswith("Left out") for note in tables[0].notes)
    assert not any(line.startswith("left out") for line in result_said(results["incidence"]))


def test_tests_have_no_unit(results: dict[str, Any]) -> None:
    text = result_text(results["curves"])
    assert "Tests." in text
    assert "Unit: tests" not in text
