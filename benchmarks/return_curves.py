"""Kaplan-Meier with late entry and log-rank by tier: a registry file against pandas, lifelines and statsmodels."""

from __future__ import annotations

import sys
import tempfile
import time
import warnings
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter
from statsmodels.duration.survfunc import survdiff
from stored_cases import TIERS, write_registry

from analysis import survival_curves
from registry import open_registry

COLUMNS = "tier, entry_day, full_day, full_returned"


def ours(path: Path) -> tuple[pd.DataFrame, float]:
    with open_registry(path) as view:
        result = survival_curves(
            view.table("cases"), duration="full_day", event="full_returned", by="tier", entry="entry_day"
        )
    return result.table, float(result.tests["statistic"].iloc[0])


def row_by_row(path: Path) -> tuple[dict[str, pd.DataFrame], float]:
    with duckdb.connect(str(path), read_only=True) as connection:
        frame = connection.sql(f"SELECT {COLUMNS} FROM derived.cases").df()
    curves = {}
    for tier, rows in frame.groupby("tier"):
        # An entry on day 0 is no late entry; lifelines wants it before the first day.
        entry = np.where(rows["entry_day"] > 0, rows["entry_day"], -1)
        fitter = KaplanMeierFitter().fit(rows["full_day"], rows["full_returned"], entry=entry)
        curves[str(tier)] = fitter.survival_function_
    statistic, _ = survdiff(
        frame["full_day"],
        frame["full_returned"],
        frame["tier"],
        entry=np.where(frame["entry_day"] > 0, frame["entry_day"], -1),
    )
    return curves, float(statistic)


def main(n: int) -> None:
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "many.duckdb"
        write_registry(path, n=n)
        ours(path)  # once unmeasured, so that neither side pays for imports
        times = []
        for _ in range(3):
            started = time.perf_counter()
            table, statistic = ours(path)
            times.append(time.perf_counter() - started)
        started = time.perf_counter()
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            curves, other = row_by_row(path)
        slow = time.perf_counter() - started
    worst = 0.0
    for tier in TIERS:
        rows = table[(table["group"] == tier) & (table["time"] > 0)]
        theirs = curves[tier].iloc[:, 0].reindex(rows["time"].to_numpy(dtype=float)).to_numpy()
        worst = max(worst, float(np.nanmax(np.abs(theirs - rows["estimate"].to_numpy()))))
    fast = sorted(times)[1]
    print(f"{n:>10,} cases: {fast:.2f} s from the registry file, {slow:.2f} s row by row: ratio {slow / fast:.0f}")
    print(f"largest difference of the curves {worst:.1e}; of the log-rank statistic {abs(other / statistic - 1):.1e}")
    if worst > 1e-9 or abs(other / statistic - 1) > 1e-9:
        sys.exit("the two do not agree")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000)
