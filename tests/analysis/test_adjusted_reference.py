"""Adjusted odds ratios against other programs: R's glm on open data sets, and a fit to single rows."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from statsmodels.stats.sandwich_covariance import cov_cluster

from analysis.adjusted import adjusted_odds_ratios
from analysis.results import OddsRatios

HERE = Path(__file__).resolve().parent.parent / "reference"
# Computed with R 4.2.2 (tests/reference/logistic/make.R)
MODELS = pd.read_csv(HERE / "logistic" / "models.csv")


def single_rows(frame: pd.DataFrame, outcome: str, yes: pd.Series, no: pd.Series) -> pd.DataFrame:
    """Repeat each line of counts so often that every row is one person."""
    return pd.concat(
        [
            frame.loc[frame.index.repeat(counts)].assign(**{outcome: happened})
            for happened, counts in ((True, yes), (False, no))
        ],
        ignore_index=True,
    )


def data(name: str) -> pd.DataFrame:
    frame = pd.read_csv(HERE / "data" / f"{name}.csv")
    if name == "birthwt":
        return frame.astype({"low": bool})
    if name == "infert":
        return frame.astype({"case": bool})
    if name == "esoph":
        return single_rows(frame, "cancer", frame["ncases"], frame["ncontrols"])
    admitted = frame["Admit"] == "Admitted"
    return single_rows(frame, "admitted", frame["Freq"] * admitted, frame["Freq"] * ~admitted)


CALLS: dict[str, dict[str, Any]] = {
    "birthwt": {
        "outcome": "low",
        "terms": ["age", "lwt", "race", "smoke", "ptl", "ht", "ui", "ftv"],
        "references": {"race": "white"},
    },
    "birthwt_interaction": {
        "outcome": "low",
        "terms": ["race", "smoke", "age", "ht"],
        "references": {"race": "white"},
        "interactions": ["race:smoke", "age:ht"],
    },
    "infert": {"outcome": "case", "terms": ["spontaneous", "induced", "age", "parity"], "cluster": "stratum"},
    "infert_interaction": {
        "outcome": "case",
        "terms": ["education", "spontaneous", "induced"],
        "interactions": ["spontaneous:induced"],
        "cluster": "stratum",
    },
    "esoph": {"outcome": "cancer", "terms": ["agegp", "alcgp", "tobgp"]},
    "ucb": {
        "outcome": "admitted",
        "terms": ["Gender", "Dept"],
        "references": {"Gender": "Male"},
        "interactions": ["Gender:Dept"],
    },
}
DATA = {"ucb": "ucb_admissions"}


def names_in_r(result: OddsRatios) -> list[str]:
    """Name coefficients as R does: column and level without a gap."""
    named = []
    for exposure, level in result.coefficients[["exposure", "level"]].itertuples(index=False):
        parts = zip(exposure.split(":"), level.split(":"), strict=True)
        words = [column + ("" if word == "per unit" else word) for column, word in parts]
        named.append(":".join(words).replace("(intercept)", "(Intercept)"))
    return named


@pytest.mark.parametrize("model", list(CALLS))
def test_the_models_of_r(model: str) -> None:
    frame = data(DATA.get(model, model.split("_", maxsplit=1)[0]))
    result = adjusted_odds_ratios(frame, firth="never", **CALLS[model])
    ours = result.coefficients.set_index(pd.Index(names_in_r(result)))
    theirs = MODELS[MODELS["model"] == model].set_index("coefficient")
    assert set(ours.index) == set(theirs.index)
    theirs = theirs.loc[ours.index]
    assert ours["coefficient"].to_numpy() == pytest.approx(theirs["estimate"].to_numpy(), abs=1e-8)
    assert ours["model_std_error"].to_numpy() == pytest.approx(theirs["std_error"].to_numpy(), rel=1e-7)
    assert result.fit["log_likelihood"].iloc[0] == pytest.approx(theirs["log_likelihood"].iloc[0], abs=1e-8)
    if "cluster" in CALLS[model]:
        assert ours["std_error"].to_numpy() == pytest.approx(theirs["robust_error"].to_numpy(), rel=1e-7)
    else:
        assert ours["std_error"].tolist() == ours["model_std_error"].tolist()


@pytest.mark.parametrize("n", [80, 3000])
def test_a_fit_to_single_rows_gives_the_same(n: int) -> None:
    draws = np.random.default_rng(n)
    frame = pd.DataFrame(
        {
            "grip": draws.choice(["half_crimp", "jam", "open_hand", "pinch"], n),
            "cold": draws.choice([True, False], n),
            "years": draws.normal(9, 4, n).round(1),
            "climber": pd.Series(draws.integers(0, n // 2, n)).astype(object).where(draws.random(n) > 0.1),
        }
    )
    frame["a2"] = draws.random(n) < 0.3 + 0.2 * (frame["grip"] == "jam") + 0.01 * frame["years"]
    ours = adjusted_odds_ratios(frame, outcome="a2", terms=["grip", "cold", "years"], firth="never")
    dummies = [(frame["grip"] == level).to_numpy(dtype=float) for level in ("open_hand", "pinch", "jam")]
    matrix = np.column_stack([np.ones(n), *dummies, frame["cold"].astype(float), frame["years"]])
    assert ours.table["level"].tolist() == ["open_hand", "pinch", "jam", "yes", "per unit"]
    theirs: Any = sm.Logit(frame["a2"].to_numpy(dtype=float), matrix).fit(method="newton", tol=1e-13, disp=0)
    # Who has no name stands alone.
    named = frame["climber"].notna().to_numpy()
    groups = np.where(named, frame["climber"].where(named, 0).to_numpy(dtype=int), -1 - np.arange(n))
    covariance = cov_cluster(theirs, np.unique(groups, return_inverse=True)[1], use_correction=False)
    clusters = len(np.unique(groups))
    assert ours.fit["clusters"].tolist() == [clusters]
    assert ours.coefficients["coefficient"].to_numpy() == pytest.approx(theirs.params, abs=1e-8)
    errors = np.sqrt(np.diag(covariance) * clusters / (clusters - 1))
    assert ours.coefficients["std_error"].to_numpy() == pytest.approx(errors, rel=1e-6)
    values, block = theirs.params[1:4], covariance[1:4, 1:4] * clusters / (clusters - 1)
    wald = ours.tests.set_index("exposure").loc["grip"]
    assert wald["statistic"] == pytest.approx(values @ np.linalg.solve(block, values), rel=1e-6)
    assert wald["df"] == 3
