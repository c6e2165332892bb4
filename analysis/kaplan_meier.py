"""Kaplan-Meier curves and their quantiles, from the day tally of one group.

Why not a library: the tally of five million spells is a few thousand rows, so that numpy needs milliseconds where
``lifelines`` fits row by row; the tests hold both equal to 1e-9.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.proportions import normal_quantile
from analysis.thresholds import MIN_AT_RISK, MIN_AT_RISK_SHARE, QUANTILE_TOLERANCE

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CURVE_COLUMNS = ("time", "at_risk", "events", "censored", "estimate", "std_error", "conf_low", "conf_high")


@dataclass(frozen=True, eq=False)
class RiskSets:
    """One group's spells by time: those with entry < time <= exit are at risk at a time."""

    time: npt.NDArray[Any]
    """Distinct times at which a spell ends."""
    at_risk: Ints
    """Spells at risk just before each time."""
    events: Ints
    censored: Ints
    days: npt.NDArray[Any]
    """Distinct times at which anyone enters or leaves."""
    after: Ints
    """Spells at risk just after each of ``days``."""
    from_start: int
    """Spells at risk from the start, that is, not entered late."""
    late_entries: int

    @property
    def n(self) -> int:
        """The number of spells."""
        return int(self.events.sum() + self.censored.sum())

    @property
    def first_time(self) -> float:
        """The time at which anyone comes under observation: 0 unless all enter late."""
        return 0.0 if self.from_start or not len(self.days) else float(self.days[0])

    def at_risk_at(self, times: npt.NDArray[Any]) -> Ints:
        """Return how many are at risk just before any times."""
        before = np.searchsorted(self.days, times, side="left")
        return np.concatenate(([self.from_start], self.after))[before]

    def events_at(self, times: npt.NDArray[Any]) -> Ints:
        """Return how many events fall on any times."""
        place = np.minimum(np.searchsorted(self.time, times), len(self.time) - 1)
        return np.where(self.time[place] == times, self.events[place], 0)


def risk_sets(tally: pd.DataFrame) -> RiskSets:
    """Turn the day tally of one group into its risk sets.

    Parameters
    ----------
    tally
        Columns day (ascending, each once), entered, events, censored.
    """
    day = tally["day"].to_numpy()
    entered, events, censored = (tally[name].to_numpy(dtype=np.int64) for name in ("entered", "events", "censored"))
    exits = events + censored
    from_start = int(exits.sum() - entered.sum())
    # Who enters or leaves on a day is counted from the next one on: at risk means entry < t <= exit.
    after = from_start + np.cumsum(entered - exits)
    leaves = exits > 0
    return RiskSets(
        time=day[leaves],
        at_risk=np.concatenate(([from_start], after))[:-1][leaves],
        events=events[leaves],
        censored=censored[leaves],
        days=day,
        after=after,
        from_start=from_start,
        late_entries=int(entered.sum()),
    )


def kaplan_meier(sets: RiskSets, *, conf_level: float) -> pd.DataFrame:
    """Return the product-limit estimate with Greenwood's error and log-log limits.

    Parameters
    ----------
    sets
        Risk sets of one group.
    conf_level
        Level of the limits.

    Returns
    -------
    DataFrame with time, at_risk, events, censored, estimate (share without the event yet), std_error (of
    the estimate), conf_low, conf_high. Where the estimate is exactly 1 or 0 the log-log limits do not
    exist: NaN; std_error is NaN at 0.

    References
    ----------
    Kaplan EL, Meier P (1958). Nonparametric estimation from incomplete observations. J Am Stat Assoc
    53:457-481.
    Greenwood M (1926). The natural duration of cancer. Reports on Public Health and Medical Subjects 33.
    Kalbfleisch JD, Prentice RL (1980). The statistical analysis of failure time data, section 1.3 (log-log).
    """
    n, d = sets.at_risk.astype(np.float64), sets.events.astype(np.float64)
    survival = np.cumprod((n - d) / n)
    with np.errstate(divide="ignore", invalid="ignore"):
        log_error = np.sqrt(np.cumsum(d / (n * (n - d))))
        std_error = survival * log_error
        inside = np.where((survival > 0) & (survival < 1), survival, np.nan)
        reach = normal_quantile(conf_level) * log_error / np.log(inside)
        log_log = np.log(-np.log(inside))
        # log(inside) is negative, so that adding the reach gives the upper limit.
        conf_low, conf_high = np.exp(-np.exp(log_log - reach)), np.exp(-np.exp(log_log + reach))
    columns = (sets.time, sets.at_risk, sets.events, sets.censored, survival, std_error, conf_low, conf_high)
    return pd.DataFrame(dict(zip(CURVE_COLUMNS, columns, strict=True)))


def time_quantile(curve: pd.DataFrame, probability: float, *, first_time: float) -> tuple[float, float, float]:
    """Return the time by which a share has had the event, with limits.

    The time is the first at which the curve is at or below 1 - probability; where the curve runs level exactly
    there, the middle of that level stretch (R's convention; its end is the last follow-up if no step comes
    after). The limits invert the log-log band. NaN means not reached. Under late entry a limit of the band need not
    fall all the time: ours is the first time at which it is at or below, while R sorts its values first, so that the
    two can differ there.

    Parameters
    ----------
    curve
        As ``kaplan_meier`` returns it.
    probability
        Share with the event, between 0 and 1.
    first_time
        Where the curve begins, in the curve's unit of time.

    Returns
    -------
    estimate, conf_low, conf_high in the curve's unit of time.

    References
    ----------
    Brookmeyer R, Crowley J (1982). A confidence interval for the median survival time. Biometrics 38:29-41.
    """
    times = np.concatenate(([first_time], curve["time"].to_numpy(dtype=np.float64)))
    found = [
        _crossing(times, np.concatenate(([0.0], 1 - curve[name].to_numpy())), probability)
        for name in ("estimate", "conf_low", "conf_high")
    ]
    return found[0], found[1], found[2]


def _crossing(times: Floats, share: Floats, probability: float) -> float:
    reached = share >= probability - QUANTILE_TOLERANCE
    passed = share >= probability + QUANTILE_TOLERANCE
    if not reached.any():
        return float("nan")
    start = times[int(np.argmax(reached))]
    if passed.any():
        return float((start + times[int(np.argmax(passed))]) / 2)
    level_to_the_end = abs(share[-1] - probability) < QUANTILE_TOLERANCE
    return float((start + times[-1]) / 2) if level_to_the_end else float("nan")


def enough_at_risk(n: int) -> int:
    """Return how many must be at risk before a curve of n late-entered spells says anything."""
    return min(MIN_AT_RISK, int(np.ceil(MIN_AT_RISK_SHARE * n)))


def first_supported_day(tally: pd.DataFrame) -> float:
    """Return the day after which enough are at risk: 0 without late entry or with enough from the start.

    A group in which the risk set never grows that large is supported from the day of its largest risk set.

    Parameters
    ----------
    tally
        Day tally of one group, as for ``risk_sets``.

    References
    ----------
    Klein JP, Moeschberger ML (2003). Survival analysis, 2nd ed., section 4.6: under left truncation the
    estimate is conditional on survival to a time at which enough are at risk.
    """
    entered = tally["entered"].to_numpy(dtype=np.int64)
    exits = (tally["events"] + tally["censored"]).to_numpy(dtype=np.int64)
    n = int(exits.sum())
    from_start = n - int(entered.sum())
    just_after = from_start + np.cumsum(entered - exits)
    largest = max(from_start, int(just_after.max(initial=0)))
    needed = min(enough_at_risk(n), largest)
    if from_start >= needed:
        return 0.0
    return float(tally["day"].to_numpy()[int(np.argmax(just_after >= needed))])
