"""The log-rank test of several groups, from their risk sets; late entry is allowed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import chdtrc

from analysis.kaplan_meier import RiskSets


def log_rank(groups: Sequence[RiskSets]) -> tuple[float, float, float]:
    """Compare the hazards of several groups.

    Parameters
    ----------
    groups
        Risk sets of each group, in one unit of time. Under late entry a spell counts in the risk sets after
        its entry only.

    Returns
    -------
    statistic, df, p_value. Groups in which no event is expected do not count in df (as R's survdiff). NaN
    when fewer than two groups are left or nobody had the event.

    References
    ----------
    Mantel N (1966). Evaluation of survival data and two new rank order statistics arising in its
    consideration. Cancer Chemother Rep 50:163-170.
    Peto R, Peto J (1972). Asymptotically efficient rank invariant test procedures. J R Stat Soc A
    135:185-207.
    """
    nothing = (float("nan"), float("nan"), float("nan"))
    if len(groups) < 2:
        return nothing
    times = np.unique(np.concatenate([group.time[group.events > 0] for group in groups]))
    if not len(times):
        return nothing
    at_risk = np.vstack([group.at_risk_at(times) for group in groups]).astype(np.float64)
    events = np.vstack([group.events_at(times) for group in groups]).astype(np.float64)
    n, d = at_risk.sum(axis=0), events.sum(axis=0)
    share = at_risk / n
    expected = (share * d).sum(axis=1)
    kept = expected > 0
    df = int(kept.sum()) - 1
    if df < 1:
        return nothing
    # With one spell left there is nothing to compare, and the variance is 0, not 0/0.
    weight = d * (n - d) / np.maximum(n - 1, 1)
    share = share[kept][:-1]
    variance = np.diag((share * weight).sum(axis=1)) - np.einsum("it,jt,t->ij", share, share, weight)
    excess = (events.sum(axis=1) - expected)[kept][:-1]
    if np.linalg.matrix_rank(variance) < df:
        return nothing
    statistic = float(excess @ np.linalg.solve(variance, excess))
    return statistic, float(df), float(chdtrc(df, statistic))
