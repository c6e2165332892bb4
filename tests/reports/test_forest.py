"""The forest plot: crude and adjusted together, headings, measured exposures, ratios without limits."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd
import pytest

from analysis.results import Note, OddsRatios, no_rows_left_out, odds_frame
from reports.alternatives import alternative
from reports.pictures.drawing import draw
from reports.pictures.forest_rows import forest_rows, methods_drawn
from reports.pictures.style import saved
from reports.tables.building import tables_of
from reports.terminal import result_cautions, result_json, result_said, result_text


def ratio_row(exposure: str, level: str, method: str, estimate: float, **more: Any) -> dict[str, Any]:
    # Invented numbers: the picture must show what the table holds, whatever that is.
    row = {
        "exposure": exposure,
        "level": level,
        "reference": "open_hand" if exposure == "grip" else "slow_pull",
        "method": method,
        "exposed_events": 12,
        "exposed_others": 34,
        "reference_events": 5,
        "reference_others": 60,
        "estimate": estimate,
        "conf_low": estimate / 2,
        "conf_high": estimate * 2,
        "p_value": 0.2,
    }
    return row | more


def ratios(rows: list[dict[str, Any]], **more: Any) -> OddsRatios:
    words: dict[str, Any] = {
        "table": odds_frame(rows),
        "method": "Invented.",
        "unit": "cases",
        "conf_level": 0.95,
        "n_rows_in": 111,
        "n_rows_used": 111,
        "left_out": no_rows_left_out(),
        "outcome": "pulley_grade=III,IV",
        "exposure": "grip",
        "reference": "open_hand",
        "strata": None,
        "design": "within_cases",
        "meaning": "What it means.",
        "cannot_mean": "What it cannot mean.",
        "exposures": ("grip", "mechanism"),
        "covariates": ("sex",),
    }
    return OddsRatios(**(words | more))


@pytest.fixture(scope="module")
def both() -> OddsRatios:
    rows = []
    for exposure, level in (("grip", "full_crimp"), ("grip", "half_crimp"), ("mechanism", "foot_slip")):
        rows.append(ratio_row(exposure, level, "conditional_exact", 3.0))
        rows.append(ratio_row(exposure, level, "logistic", 2.5, p_holm=0.4, p_benjamini_hochberg=0.3))
    measured = {"reference": "", "reference_events": 0, "reference_others": 0}
    rows.append(ratio_row("age_at_onset", "per unit", "logistic", 1.1, **measured))
    rows.append(ratio_row("sex", "male", "logistic", 9.87, reference="female"))
    return ratios(rows)


def test_rows_carry_headings_references_and_no_covariate(both: OddsRatios) -> None:
    rows = forest_rows(both)
    assert [row.label for row in rows] == [
        "Grip",
        "open hand (reference)",
        "full crimp",
        "half crimp",
        "Mechanism",
        "slow pull (reference)",
        "foot slip",
        "Age at onset, per unit",
    ]
    assert [row.is_heading for row in rows].count(True) == 2
    assert rows[1].counts == "5 / 60"
    assert methods_drawn(both.table) == ["conditional_exact", "logistic"]


def test_every_ratio_of_the_table_stands_in_the_picture(both: OddsRatios) -> None:
    figure = draw(both)
    words = {text.get_text() for text in figure.axes[0].texts}
    assert {"3.00 (1.50 to 6.00)", "2.50 (1.25 to 5.00)", "1.10 (0.55 to 2.20)"} <= words
    assert not any("9.87" in word for word in words)
    legend = figure.axes[0].get_legend()
    assert legend is not None
    assert [text.get_text() for text in legend.get_texts()] == [
        "crude (conditional, exact limits)",
        "adjusted for sex (logistic regression)",
    ]
    markers = {line.get_marker() for line in figure.axes[0].get_lines()}
    assert {"s", "o", "D"} <= markers


def test_picture_is_the_same_bytes_each_time(both: OddsRatios) -> None:
    assert saved(draw(both), kind="svg") == saved(draw(both), kind="svg")


@pytest.mark.parametrize("estimate", [0.0, math.inf, 2.0])
def test_ratio_without_limits_is_drawn_and_said(estimate: float) -> None:
    nan = float("nan")
    row = ratio_row("grip", "full_crimp", "logistic", estimate, conf_low=nan, conf_high=nan)
    figure = draw(ratios([row], covariates=()))
    words = [text.get_text() for text in figure.axes[0].texts]
    assert any("no limits" in word for word in words)
    assert len(figure.axes[0].get_lines()) > 2


def test_tables_put_methods_side_by_side_and_leave_covariates_out(both: OddsRatios) -> None:
    table = tables_of(both)[0]
    headings = [column.heading for column in table.columns]
    assert headings[:4] == ["Exposure", "Level", "With outcome", "Without"]
    assert "Adjusted: logistic regression" in headings
    assert {"p, Holm", "p, Benjamini-Hochberg"} <= set(headings)
    text = result_text(both)
    assert "slow pull (reference)" in text
    assert "9.87" not in text
    assert "9.87" in result_json(both)
    assert any("What it cannot mean." in note for note in table.notes)


def test_frames_beside_become_tables(both: OddsRatios) -> None:
    fit = pd.DataFrame(
        [["logistic", 111, 17, 4, 4.25, -30.0, 0]],
        columns=["method", "n", "events", "parameters", "events_per_parameter", "log_likelihood", "clusters"],
    )
    sets = pd.DataFrame(
        [["grip", "full_crimp", "open_hand", 1, 2, 1, 0, 7, True]],
        columns=[
            "exposure",
            "level",
            "reference",
            "cases",
            "referents",
            "cases_exposed",
            "referents_exposed",
            "sets",
            "informative",
        ],
    )
    result = ratios(both.table.to_dict("records"), fit=fit, sets=sets)
    tables = {table.key: table for table in tables_of(result, key="odds")}
    assert [cell.shown for cell in tables["odds_fit"].rows[0]] == ["logistic regression", "111", "17", "4", "4.2", "–"]
    assert [cell.shown for cell in tables["odds_sets"].rows[0]] == [
        "full crimp against open hand",
        "1 : 2",
        "1 : 0",
        "7",
        "yes",
    ]


def test_caution_follows_the_design(both: OddsRatios) -> None:
    assert "within_cases" in [caution.code for caution in result_cautions(both)]
    matched = ratios(both.table.to_dict("records"), design="matched")
    codes = [caution.code for caution in result_cautions(matched)]
    assert "sampled_referents" in codes
    assert "within_cases" not in codes


def test_alternative_names_both_series(both: OddsRatios) -> None:
    said = alternative(both)
    assert "odds ratios of pulley grade III or IV" in said
    assert "full crimp crude 3.00 (1.50 to 6.00), adjusted 2.50 (1.25 to 5.00)" in said


def test_alternative_says_no_limits_where_there_are_none() -> None:
    nan = float("nan")
    row = ratio_row("grip", "full_crimp", "logistic", math.inf, conf_low=nan, conf_high=nan)
    assert "full crimp ∞ (no limits)" in alternative(ratios([row], covariates=(), exposures=("grip",)))


PRODUCT = ratio_row("grip:sex", "full_crimp:male", "logistic", 2.0, reference="open_hand:female")


def test_a_product_is_a_ratio_of_ratios_without_a_reference_row(both: OddsRatios) -> None:
    result = ratios([*both.table.to_dict("records"), PRODUCT])
    assert [row.label for row in forest_rows(result)][-2:] == ["Grip × sex (ratio of ratios)", "full crimp × male"]
    rows = [[cell.shown for cell in row] for row in tables_of(result)[0].rows]
    products = [row for row in rows if row[0] == "Grip × sex (ratio of ratios)"]
    assert [row[1] for row in products] == ["full crimp × male"]
    assert "not estimable" not in products[0]


def test_notes_say_products_as_tables_do(both: OddsRatios) -> None:
    note = Note("few", "grip:sex: few rows at 'grip:sex' at 'full_crimp:male' against open_hand:female.")
    result = ratios([*both.table.to_dict("records"), PRODUCT], notes=(note,))
    said = "note: grip × sex: few rows at 'grip × sex' at 'full crimp × male' against open hand × female."
    assert said in result_said(result)


def test_the_picture_names_outcome_exposure_and_reference() -> None:
    result = ratios(
        [ratio_row("grip", "jam", "conditional_exact", 2.0)],
        outcome="main_structure=a2+main_extent=complete",
        covariates=(),
        exposures=("grip",),
    )
    words = draw(result).axes[0].get_xlabel()
    assert words.split("\n")[0] == "odds of complete rupture (A2 pulley) by grip, against open hand"


def test_cases_stand_beside_referents_by_name() -> None:
    row = ratio_row("grip", "jam", "conditional_exact", 2.0)
    result = ratios([row], unit="cases and referents", outcome="injured", design="case_control", covariates=())
    table = tables_of(result)[0]
    assert table.caption == "Odds of injury by grip, against open hand."
    assert [column.heading for column in table.columns][1:3] == ["Cases", "Referents"]
    assert "cases /\nreferents" in {text.get_text() for text in draw(result).axes[0].texts}


@pytest.mark.parametrize(("method", "said"), [("mantel_haenszel", "pooled over sex"), ("mcnemar_exact", "pairs (")])
def test_what_is_not_crude_is_not_called_so(method: str, said: str) -> None:
    rows = [ratio_row("grip", "jam", each, 2.0) for each in (method, "logistic")]
    legend = draw(ratios(rows, strata="sex")).axes[0].get_legend()
    assert legend is not None
    assert legend.get_texts()[0].get_text().startswith(said)


def test_long_words_stay_inside_the_picture() -> None:
    long = "a very long level of an exposure that nobody would ever like to read in a picture"
    rows = [ratio_row("grip", long, each, 2.0) for each in ("conditional_exact", "logistic", "firth")]
    covariates = ("sex", "age_band", "discipline", "level", "site", "season", "setting", "context", "history")
    figure = draw(ratios([*rows, PRODUCT], covariates=covariates))
    figure.canvas.draw()
    axes = figure.axes[0]
    legend = axes.get_legend()
    assert legend is not None
    for part in (*axes.get_yticklabels(), axes.xaxis.label, legend):
        box = part.get_window_extent()
        assert box.x0 >= 0
        assert box.y0 >= 0
        assert box.x1 <= figure.bbox.x1


TESTS = ("exposure", "level", "test", "statistic", "df", "p_value")


def test_tests_say_what_they_test(both: OddsRatios) -> None:
    nan = float("nan")
    tests = pd.DataFrame(
        [
            ["grip", "(model)", "score", 2.2, 2.0, 0.33],
            ["grip", "", "wald", 2.0, 2.0, 0.36],
            ["age_at_onset", "per unit", "mcnemar_exact", nan, nan, 0.82],
        ],
        columns=list(TESTS),
    )
    table = next(
        table for table in tables_of(ratios(both.table.to_dict("records"), tests=tests)) if "Tests" in table.caption
    )
    assert [[cell.shown for cell in row] for row in table.rows] == [
        ["Grip", "whole model", "score", "2.20", "2", "0.33"],
        ["Grip", "all levels", "Wald", "2.00", "2", "0.36"],
        ["Age at onset", "per unit", "McNemar, exact", "–", "", "0.82"],
    ]


def test_models_and_handlings_are_named(both: OddsRatios) -> None:
    fit = pd.DataFrame(
        [["logistic", 111, 17, 4, 4.25, -30.0, 99, "grip"], ["logistic", 110, 16, 3, 5.0, -31.0, 99, "mechanism"]],
        columns=["method", "n", "events", "parameters", "events_per_parameter", "log_likelihood", "clusters", "model"],
    )
    line = {"exposure": "grip", "reference": "open_hand", "method": "logistic", "n": 111, "events": 17, "estimate": 2.0}
    rest = {"std_error": 0.1, "conf_low": 1.0, "conf_high": 4.0, "p_value": 0.1, "df": 9.0, "fraction_missing": None}
    handled = pd.DataFrame(
        [
            {"handling": handling, "level": level, **line, **rest}
            for handling in ("complete_case", "missing_as_level", "multiple_imputation")
            for level in ("full_crimp", "half_crimp")
        ]
    )
    result = ratios(both.table.to_dict("records"), fit=fit, sensitivity=handled, method="Variance by climber.")
    tables = {table.key: table for table in tables_of(result, key="odds")}
    assert [row[0].shown for row in tables["odds_fit"].rows] == ["Grip", "Mechanism"]
    assert tables["odds_fit"].columns[-1].heading == "Climbers"
    assert [[cell.shown for cell in row[:2]] for row in tables["odds_sensitivity"].rows][:3] == [
        ["full crimp against open hand", "left out (complete cases only)"],
        ["full crimp against open hand", "kept, as a level of their own"],
        ["full crimp against open hand", "filled in (multiple imputation)"],
    ]


def test_a_heading_stays_on_the_page() -> None:
    short = ratio_row("grip", "jam", "logistic", 2.0, reference="pinch")
    product = ratio_row("mechanism:sex", "jam:male", "logistic", 1.0, reference="", reference_events=0)
    figure = draw(ratios([short, product, product | {"level": "jam:female"}]))
    figure.canvas.draw()
    renderer = figure.canvas.get_renderer()  # type: ignore[attr-defined]
    lefts = [label.get_window_extent(renderer).x0 for label in figure.axes[0].get_yticklabels()]
    assert min(lefts) >= 0


def test_a_picture_names_its_column() -> None:
    from analysis.shares import distribution

    drawn = draw(distribution({"hand_is_dominant": [True, False, True]}, by="hand_is_dominant"))
    assert "by dominant hand hurt" in drawn.axes[0].get_xlabel()
