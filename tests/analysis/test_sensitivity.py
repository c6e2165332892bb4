"""The same ratios under other handlings of what is missing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import expit

from analysis.mechanism import mechanism_odds
from analysis.results import SENSITIVITY_COLUMNS, OddsRatios
from registry.errors import DataError


def injuries(n: int, *, seed: int, lost: float = 0.3) -> pd.DataFrame:
    """Crimping raises the odds 2.5-fold, sex confounds, and sex goes unrecorded by outcome and grip."""
    draw = np.random.default_rng(seed)
    woman = draw.random(n) < 0.4
    crimp = draw.random(n) < np.where(woman, 0.3, 0.6)
    ruptured = draw.random(n) < expit(-1 + np.log(2.5) * crimp + 0.8 * woman)
    frame = pd.DataFrame(
        {
            "ruptured": ruptured,
            "grip": np.where(crimp, "half_crimp", "open_hand").astype(object),
            "sex": np.where(woman, "female", "male").astype(object),
            "age": draw.integers(18, 50, n).astype(float),
        }
    )
    gone = draw.random(n) < np.where(ruptured & crimp, 2 * lost, lost / 3)
    frame.loc[gone, "sex"] = np.where(draw.random(int(gone.sum())) < 0.5, "unknown", None)
    return frame


def asked(frame: pd.DataFrame, **options: Any) -> OddsRatios:
    words: dict[str, Any] = {"outcome": "ruptured", "exposures": "grip", "references": {"grip": "open_hand"}}
    return mechanism_odds(frame, **{**words, "missing": True, **options})


def line(result: OddsRatios, handling: str, level: str = "half_crimp") -> pd.Series:  # type: ignore[type-arg]
    rows = result.sensitivity
    return rows[(rows["handling"] == handling) & (rows["level"] == level)].iloc[0]


def test_complete_cases_mislead_and_imputation_finds_the_truth() -> None:
    result = asked(injuries(4000, seed=3), adjust="sex")
    assert list(result.sensitivity.columns) == list(SENSITIVITY_COLUMNS)
    complete, imputed = line(result, "complete_case"), line(result, "multiple_imputation")
    # Seen shares by outcome and grip: 0.4, 0.9, 0.9, 0.9; complete cases estimate 2.5 * 0.4 / 0.9.
    assert complete["estimate"] == pytest.approx(2.5 * 0.4 / 0.9, rel=0.2)
    assert complete["conf_high"] < 2.5
    assert imputed["conf_low"] < 2.5 < imputed["conf_high"]
    assert imputed["estimate"] == pytest.approx(2.5, rel=0.2)
    assert 0.01 < imputed["fraction_missing"] < 0.6
    assert imputed["n"] == 4000
    assert (
        complete["n"]
        == result.table.query("method == 'logistic'")[
            ["exposed_events", "exposed_others", "reference_events", "reference_others"]
        ]
        .to_numpy()
        .sum()
    )
    assert line(result, "missing_as_level")["n"] == 4000
    assert "20 tables completed by chained probit models" in result.method


def test_complete_cases_are_the_adjusted_row() -> None:
    result = asked(injuries(300, seed=4), adjust=["sex", "age"])
    row = result.table.query("method == 'logistic'").iloc[0]
    for name in ("estimate", "conf_low", "conf_high", "p_value", "std_error"):
        assert line(result, "complete_case")[name] == pytest.approx(row[name])


def test_nothing_missing_gives_three_equal_ratios() -> None:
    result = asked(injuries(120, seed=5, lost=0.0), adjust="sex")
    imputed = line(result, "multiple_imputation")
    assert imputed["fraction_missing"] == 0
    for handling in ("complete_case", "missing_as_level"):
        assert line(result, handling)["estimate"] == pytest.approx(imputed["estimate"])
        assert line(result, handling)["std_error"] == pytest.approx(imputed["std_error"])
    # Student's t with 117 degrees of freedom, shrunk as Barnard & Rubin say.
    assert imputed["df"] == pytest.approx(118 / 120 * 117)


def test_missing_exposures_are_a_level_named_last() -> None:
    frame = injuries(200, seed=6, lost=0.0)
    frame.loc[:19, "grip"] = None
    frame.loc[20:29, "grip"] = "not_applicable"
    result = asked(frame)
    levels = result.sensitivity.groupby("handling", sort=False)["level"].agg(list).to_dict()
    assert levels == {
        "complete_case": ["half_crimp"],
        "missing_as_level": ["half_crimp", "not known"],
        "multiple_imputation": ["half_crimp"],
    }
    # Rows to which the grip does not apply stay out of all three.
    assert result.sensitivity.groupby("handling")["n"].max().to_dict() == {
        "complete_case": 170,
        "missing_as_level": 190,
        "multiple_imputation": 190,
    }


def test_row_order_and_seed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)
    frame = injuries(90, seed=7).assign(climber=[f"c{n % 40}" for n in range(90)])
    one, two = asked(frame, adjust="sex"), asked(frame.sample(frac=1, random_state=1), adjust="sex")
    pd.testing.assert_frame_equal(one.sensitivity, two.sensitivity)
    other = asked(frame, adjust="sex", seed=2)
    assert line(other, "multiple_imputation")["estimate"] != line(one, "multiple_imputation")["estimate"]
    assert (one.seed, other.seed) == (1, 2)


def test_climbers_stand_for_rows_in_the_degrees_of_freedom() -> None:
    frame = injuries(90, seed=8, lost=0.0).assign(climber=[f"c{n % 30}" for n in range(90)])
    df = line(asked(frame), "multiple_imputation")["df"]
    assert df == pytest.approx(29 / 31 * 28)


def test_measured_covariates_with_gaps(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)
    frame = injuries(150, seed=9, lost=0.0)
    frame.loc[::7, "age"] = np.nan
    result = asked(frame, adjust="age")
    assert line(result, "multiple_imputation")["n"] == 150
    assert line(result, "missing_as_level")["n"] == line(result, "complete_case")["n"] == 150 - 22
    assert "measured_left_out" in [note.code for note in result.notes]


def test_a_ratio_without_end_is_not_pooled_in_silence(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)
    frame = injuries(60, seed=10)
    frame.loc[frame["grip"] == "open_hand", "ruptured"] = False
    result = asked(frame, adjust="sex", firth="never")
    assert np.isnan(line(result, "multiple_imputation")["estimate"])
    notes = {note.code: note.sentence for note in result.notes}
    assert "'grip' at half_crimp is 0, infinite or without limits" in notes["not_pooled"]
    assert "half_crimp" in notes["no_limits_with_level"]


def test_sets_are_filled_together(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.mechanisms.mechanism_models.IMPUTATIONS", 3)
    frame = injuries(160, seed=11)
    frame["match_set"] = np.arange(160) // 2
    frame["ruptured"] = np.arange(160) % 2 == 0
    frame.loc[::5, "grip"] = None
    result = asked(frame, design="matched")
    assert set(result.sensitivity["method"]) == {"conditional_logistic"}
    assert line(result, "multiple_imputation")["n"] > line(result, "complete_case")["n"]
    assert "an effect a set" in result.method


def test_large_tables_are_not_imputed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("analysis.missing.sensitivity.MAX_IMPUTED", 50)
    result = asked(injuries(60, seed=12), adjust="sex")
    assert "multiple_imputation" not in set(result.sensitivity["handling"])
    assert "60 rows are more than 50" in {note.code: note.sentence for note in result.notes}["not_imputed"]


def test_an_exposure_missing_everywhere() -> None:
    frame = injuries(30, seed=13).assign(grip=None)
    with pytest.raises(DataError, match="exposure 'grip' has no value in any row"):
        asked(frame)
    with pytest.raises(DataError, match="none of 30 rows has both outcome 'ruptured' and exposure 'grip'"):
        asked(frame.assign(grip="unknown"), references={})
