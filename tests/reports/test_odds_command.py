"""``annulary odds``: what each option adds, and one sentence for every call that cannot be carried out."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import typer
from typer.testing import CliRunner

from registry.errors import AnnularyError
from reports.commands import doing_what

Run = Callable[..., Any]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, invented_view: Callable[[int], Any]) -> Run:
    """Return a runner of the command over 160 invented cases and their moves."""
    view = invented_view(160)
    draw = np.random.default_rng(4)
    view.tables["cases"] = view.tables["cases"].assign(
        athlete=lambda cases: cases["climber"].str.partition(":")[2],
        activity=draw.choice(["climbing", "campus_board"], 160),
        main_extent=draw.choice(["partial", "complete"], 160),
        onset=lambda cases: pd.to_datetime(cases["onset_day"], unit="D").dt.date,
    )
    view.bases["referents"] = pd.DataFrame(
        {
            "site": ["south"] * 90,
            "unit": ["move"] * 90,
            "sampling": ["unmatched"] * 90,
            "grip": draw.choice(["full_crimp", "half_crimp", "open_hand"], 90),
            "mechanism": draw.choice(["foot_slip", "slow_pull"], 90),
            "athlete": [None] * 90,
            "happened_on": pd.to_datetime(["2024-04-02"] * 90).date,
        }
    )
    view.bases["athletes"] = pd.DataFrame(
        {
            "site": ["south"],
            "athlete": ["k1"],
            "sex": ["male"],
            "level": ["recreational"],
            "dominant_hand": ["right"],
            "birth_year": [1990],
        }
    )

    @contextmanager
    def opened(registry: Any, freeze: Any) -> Iterator[Any]:
        yield view

    monkeypatch.setattr(doing_what, "opened", opened)
    # Fewer draws: what they say is tested beside the analyses.
    monkeypatch.setattr("analysis.modelling.adjusted_model.REPLICATES", 50)
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)
    app = typer.Typer()
    app.command("odds")(doing_what.odds)

    def invoke(*words: object) -> Any:
        return CliRunner().invoke(app, [str(word) for word in words])

    return invoke


def body(shown: Any) -> dict[str, Any]:
    assert shown.exception is None, shown.exception
    found: dict[str, Any] = json.loads(shown.stdout)
    return found


def test_defaults_compare_grips_among_adults(run: Run) -> None:
    found = body(run("--json"))
    assert (found["outcome"], found["exposures"], found["design"]) == ("pulley_grade=III,IV", ["grip"], "within_cases")
    assert {row["reference"] for row in found["table"]} == {"open_hand"}
    assert {row["method"] for row in found["table"]} == {"conditional_exact", "conditional_mid_p", "woolf"}
    assert any("under 18" in row["reason"] for row in found["left_out"])


def test_options_reach_the_analysis(run: Run) -> None:
    found = body(
        run(
            "--json", "--exposure", "grip,mechanism", "--adjust", "setting", "--reference",
            "grip=half_crimp,mechanism=foot_slip", "--interaction", "grip:setting", "--outcome", "pulley_grade=IV,III",
            "--people", "all",
        )
    )  # fmt: skip
    assert {(row["exposure"], row["reference"]) for row in found["table"]} >= {
        ("grip", "half_crimp"),
        ("mechanism", "foot_slip"),
    }
    assert {row["exposure"] for row in found["table"]} == {"grip", "mechanism", "grip:setting"}
    assert found["covariates"] == ["setting"]
    assert all(row["p_holm"] is not None for row in found["table"] if row["method"] == "conditional_exact")
    assert not any("under 18" in row["reason"] for row in found["left_out"])


def test_complete_rupture_of_a2_by_campus_training(run: Run) -> None:
    outcome = "main_structure=a2+main_extent=complete"
    shown = run("--outcome", outcome, "--exposure", "activity", "--people", "all")
    assert shown.exception is None, shown.exception
    assert "Odds of complete rupture (A2 pulley) by activity, against climbing" in shown.stdout
    assert "campus board" in shown.stdout
    assert "=" not in shown.stdout
    assert f"next: annulary odds --outcome {outcome} --exposure activity --people all --figure odds.svg" in shown.stderr


def test_a_usual_reference_that_no_row_has_gives_way(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doing_what, "REFERENCES", {"grip": "sloper", "mechanism": "slow_pull"})
    found = body(run("--json", "--exposure", "grip,mechanism"))
    references = {row["exposure"]: row["reference"] for row in found["table"]}
    assert references == {"grip": "full_crimp", "mechanism": "slow_pull"}
    moved = [note["sentence"] for note in found["notes"] if note["code"] == "reference_moved"]
    assert moved == ["No row that can be compared has 'sloper', the usual reference of 'grip': another stands in."]
    with pytest.raises(AnnularyError, match="no row that can be compared has 'jam', the reference of 'grip'"):
        raise run("--reference", "jam").exception


def test_missing_adds_the_sensitivity_table(run: Run) -> None:
    found = body(run("--json", "--missing", "--reference", "half_crimp"))
    assert {row["handling"] for row in found["sensitivity"]} == {
        "complete_case",
        "missing_as_level",
        "multiple_imputation",
    }
    shown = run("--missing", "--reference", "half_crimp")
    assert "Fraction of" in shown.stdout


def test_cases_beside_moves(run: Run, tmp_path: Path) -> None:
    picture = tmp_path / "moves.svg"
    shown = run("--design", "case_control", "--unit", "move", "--figure", picture)
    assert shown.exception is None, shown.exception
    assert "E-value" in shown.stdout
    assert picture.read_text(encoding="utf-8").startswith("<?xml")
    found = body(run("--json", "--design", "case_control", "--outcome", "pulley_grade=III,IV"))
    assert found["outcome"] == "pulley_grade=III,IV"
    assert found["meaning"].startswith("The rate of an injury")


def test_trend_over_bands(run: Run) -> None:
    found = body(
        run("--json", "--exposure", "age_band", "--people", "all", "--trend", "age_band", "--outcome", "sex=male")
    )
    assert "cochran_armitage" in {row["test"] for row in found["tests"]}


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--design", "cohort"], "design is 'cohort'; it is one of within_cases, case_control, matched"),
        (["--exposure", " , "], "--exposure names no column"),
        (["--exposure", "grap"], "Did you mean 'grip'"),
        (["--exposure", "grip,grip"], "given twice"),
        (["--exposure", "climber"], "would list persons|says whose rows"),
        (["--exposure", "onset_day"], "would list persons"),
        (["--outcome", "pulley_grade"], "COLUMN=VALUE"),
        (["--outcome", "pulley_grade="], "COLUMN=VALUE"),
        (["--outcome", "grade=III"], "no column 'grade'"),
        (["--reference", "jamm"], "no level 'jamm' of 'grip'"),
        (["--reference", "sex=male"], "'sex' is neither compared nor adjusted for; the columns are grip"),
        (["--reference", "grip="], "is not COLUMN=LEVEL"),
        (["--exposure", "grip,mechanism", "--reference", "jam"], "leaves open of which column; write one of grip=jam"),
        (["--adjust", "sax"], "Did you mean 'sex'"),
        (["--strata", "sax"], "Did you mean 'sex'"),
        (["--unit", "move"], "within_cases has none"),
        (["--design", "case_control", "--unit", "day"], "unit is 'day'"),
        (["--design", "case_control", "--sampling", "own"], "sampling is 'own'"),
        (["--design", "case_control", "--exposure", "digit"], "referents have no 'digit'"),
        (["--interaction", "grip"], "interaction 'grip' is not one of two"),
        (["--trend", "sex"], "trend names 'sex'"),
        (["--exposure", "grip", "--trend", "grip"], "trend 'grip': its levels .* have no order of their own"),
        (["--outcome", "pulley_grade=V"], "no case has 'V' as 'pulley_grade'; it is one of I, II, III, IV"),
        (["--outcome", "pulley_grade=unknown"], "'unknown' says that it is not known"),
        (["--outcome", "pulley_grade=III+pulley_grade=IV"], "names 'pulley_grade' twice"),
        (["--outcome", "pulley_grade==III"], "main_structure=a2.main_extent=complete"),
        (["--outcome", "minor=maybe"], "'minor' is yes or no; 'maybe' is neither"),
        (["--outcome", "athlete=k1"], "outcome 'athlete' would list persons"),
        (["--outcome", "pulley_grade=IV+grip=jam"], "'grip' is what the outcome"),
        (["--among", "pulley_grad=III"], "given as among.*Did you mean 'pulley_grade'"),
        (["--among", "pulley_grade=V"], "among 'pulley_grade=V': no case has 'V'"),
        (["--among", "athlete=k1"], "among 'athlete' would list persons"),
        (["--design", "case_control", "--among", "digit=ring"], "among goes with the design within_cases"),
        (["--figure", "odds.bmp"], "written as .svg, .png or .pdf"),
        (["--people", "children"], "--people is 'children'; it is one of adults, minors, all"),
        (["--json", "--csv"], "--json or --csv"),
    ],
)
def test_a_bad_call_gets_one_sentence(run: Run, words: list[str], said: str) -> None:
    shown = run(*words)
    assert isinstance(shown.exception, AnnularyError), shown.exception
    assert shown.exception.exit_code == 2
    assert "\n" not in str(shown.exception)
    with pytest.raises(AnnularyError, match=said):
        raise shown.exception


def test_only_some_injuries_are_compared_and_the_others_counted(run: Run) -> None:
    words = ("--among", "main_structure=a2", "--outcome", "main_extent=complete", "--exposure", "sex")
    body = json.loads(run(*words, "--json", "--people", "all").stdout)
    assert body["among"] == "main_structure=a2"
    left = {row["reason"]: row["n"] for row in body["left_out"]}
    assert left["not main_structure=a2"] > 0
    assert body["n_rows_used"] + sum(left.values()) == body["n_rows_in"] == 160
    assert "; only main structure A2 pulley." in run(*words).stdout.replace("\n", " ")


def test_minors_come_with_their_own_caution(run: Run) -> None:
    asked = ("--outcome", "main_extent=complete", "--exposure", "sex")
    assert "Under 18: pain in a finger joint" in run(*asked, "--people", "minors").stderr
    assert "Under 18: pain in a finger joint" not in run(*asked).stderr


def test_a_level_too_rare_for_an_interaction_can_be_left_out(run: Run) -> None:
    words = ("--outcome", "main_extent=complete", "--exposure", "grip", "--adjust", "sex", "--interaction", "grip:sex")
    kept = run(*words, "--among", "sex=female,male")
    assert kept.exception is None
    assert "Grip × sex" in kept.stdout


def test_a_refused_model_says_how_levels_are_left_out() -> None:
    sentence = "'a' cannot be told apart from 'b'. Leave out one of them, or bring levels together."
    assert doing_what._with_way_out(sentence).endswith("--among COLUMN=LEVEL,LEVEL.")
    assert doing_what._with_way_out("no rows.") == "no rows."
