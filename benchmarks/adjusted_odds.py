"""Adjusted odds ratios with errors by climber: a registry file against pandas and a row-level logistic regression."""

from __future__ import annotations

import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command line does, for both sides

import duckdb
import numpy as np
import numpy.typing as npt
import pandas as pd
import statsmodels.api as sm
from stored_cases import write_injuries

from analysis.adjusted import adjusted_odds_ratios
from registry import open_registry

TERMS = ("mechanism", "age_band", "sex", "discipline", "level")
Numbers = npt.NDArray[np.float64]


def clocks() -> Numbers:
    """Seconds on the clock, and of processor time: the second bears a busy machine."""
    return np.array([time.perf_counter(), time.process_time()])


def ours(path: Path) -> tuple[pd.DataFrame, list[int]]:
    with open_registry(path) as view:
        result = adjusted_odds_ratios(view.table("cases"), outcome="hand_is_dominant", terms=TERMS)
    return result.coefficients, [result.n_rows_used, int(result.fit["clusters"].iloc[0])]


def read_rows(path: Path) -> pd.DataFrame:
    with duckdb.connect(str(path), read_only=True) as connection:
        return connection.sql(f"SELECT climber, hand_is_dominant, {', '.join(TERMS)} FROM derived.cases").df()


def row_by_row(frame: pd.DataFrame, coefficients: pd.DataFrame) -> tuple[Numbers, Numbers, Numbers]:
    """Fit single rows; the columns stand in the order of our coefficients."""
    dummies = pd.DataFrame({"(intercept)": np.ones(len(frame))})
    for term, level in coefficients[["exposure", "level"]].iloc[1:].itertuples(index=False):
        dummies[f"{term} {level}"] = (frame[term] == level).to_numpy(dtype=float)
    model: Any = sm.Logit(frame["hand_is_dominant"].to_numpy(dtype=float), dummies.to_numpy())
    groups = pd.factorize(frame["climber"])[0]
    # Its own factor also has (n - 1) / (n - k), which is taken off again below.
    fit = model.fit(method="newton", tol=1e-12, disp=0, cov_type="cluster", cov_kwds={"groups": groups})
    n, k = dummies.shape
    return fit.params, fit.bse / np.sqrt((n - 1) / (n - k)), np.array([n, groups.max() + 1])


def main(n: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "many.duckdb"
        write_injuries(path, n=n)
        ours(path)  # once unmeasured, so that neither side pays for imports
        times = []
        for _ in range(5):
            started = clocks()
            coefficients, counts = ours(path)
            times.append(clocks() - started)
        started = clocks()
        frame = read_rows(path)
        read = clocks() - started
        estimates, errors, rows = row_by_row(frame, coefficients)
        slow = clocks() - started
    fast = np.median(times, axis=0)
    difference = float(np.abs(coefficients["coefficient"].to_numpy() - estimates).max())
    error = float(np.abs(coefficients["std_error"].to_numpy() / errors - 1).max())
    print(f"{n:>10,} cases of {counts[1]:,} climbers, {len(estimates)} coefficients; on the clock (of processor time):")
    print(
        f"{fast[0]:.2f} s ({fast[1]:.2f}) from the registry file, {slow[0]:.2f} s ({slow[1]:.2f}) row by row, of which"
    )
    print(f"{read[0]:.2f} s ({read[1]:.2f}) reading: ratio {slow[0] / fast[0]:.0f} ({slow[1] / fast[1]:.0f})")
    print(f"largest difference of the coefficients {difference:.1e}, of the errors by climber {error:.1e} (relative)")
    if difference > 1e-8 or error > 1e-6 or counts != rows.tolist():
        sys.exit("the two do not agree")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
