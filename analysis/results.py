"""What an estimate hands back: frozen records that know their method, their denominator and what was left out.

They never print, read a file or draw. Column names are fixed, values unrounded; ``reports`` rounds and draws.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class Note:
    """Something that the reader of a result has to know: a stable code and a sentence."""

    code: str
    sentence: str


def no_rows_left_out() -> pd.DataFrame:
    """Return the empty table of reasons."""
    return pd.DataFrame({"reason": pd.Series(dtype=str), "n": pd.Series(dtype="int64")})


def no_tests() -> pd.DataFrame:
    """Return the empty table of tests."""
    return pd.DataFrame(
        {
            "test": pd.Series(dtype=str),
            "statistic": pd.Series(dtype=float),
            "df": pd.Series(dtype=float),
            "p_value": pd.Series(dtype=float),
        }
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """Every estimate's common part."""

    table: pd.DataFrame
    """Fixed snake_case columns, unrounded."""
    method: str
    """As it would stand in a methods section."""
    unit: str
    """What is counted: cases, findings, occurrences, days."""
    conf_level: float
    n_rows_in: int
    n_rows_used: int
    left_out: pd.DataFrame = field(default_factory=no_rows_left_out)
    """Columns: reason, n."""
    notes: tuple[Note, ...] = ()
    seed: int | None = None
    """The seed of any random step; None when there was none."""

    def summary(self) -> str:
        """Say in a few lines what was computed from how many rows, and what was left out."""
        lines = [
            self.method,
            f"{self.n_rows_used} of {self.n_rows_in} {self.unit} used; limits at {self.conf_level * 100:g} %.",
        ]
        lines += [f"left out: {row.n} ({row.reason})" for row in self.left_out.itertuples()]
        lines += [f"note: {note.sentence}" for note in self.notes]
        return "\n".join(lines)


@dataclass(frozen=True, kw_only=True, eq=False)
class Distribution(Result):
    """Counts and shares.

    table
        One column for each of ``by``, then n, of, estimate, conf_low, conf_high; for two columns also
        row_share, column_share, expected, residual (adjusted), impossible (no such cell in a hand).
    tests
        test, statistic, df, p_value.
    """

    by: tuple[str, ...]
    tests: pd.DataFrame = field(default_factory=no_tests)


@dataclass(frozen=True, kw_only=True, eq=False)
class OddsRatios(Result):
    """Odds ratios of an outcome, one row for each exposure level and method.

    table
        exposure, level, reference, method, exposed_events, exposed_others, reference_events,
        reference_others, estimate, conf_low, conf_high, p_value, zero_cell, robust_low, robust_high (limits from
        the variance linearised by climber, in the woolf rows where climbers repeat).
        ``method`` is conditional_exact, conditional_mid_p, woolf or mantel_haenszel. ``zero_cell``: is a count of
        the row empty; in mantel_haenszel rows also where the pooled ratio has no limits.
    tests
        level, test, statistic, df, p_value: homogeneity over strata.
    """

    outcome: str
    exposure: str
    reference: str
    strata: str | None
    design: str
    meaning: str
    """One sentence: what the ratio says in this design, and what it does not."""
    tests: pd.DataFrame = field(default_factory=no_tests)


@dataclass(frozen=True, kw_only=True, eq=False)
class SurvivalCurves(Result):
    """Kaplan-Meier curves.

    table
        group, time, at_risk (just before time), events, censored, estimate (share without the event yet),
        std_error, conf_low, conf_high.
    quantiles
        group, probability (share *with* the event), estimate, conf_low, conf_high; NaN = not reached.
    groups
        group, n, events, censored, late_entries, first_time_shown (the curve is conditional on it).
    tests
        test, statistic, df, p_value.
    """

    by: str | None
    time_unit: str
    quantiles: pd.DataFrame
    groups: pd.DataFrame
    tests: pd.DataFrame = field(default_factory=no_tests)


@dataclass(frozen=True, kw_only=True, eq=False)
class ReturnCurves(SurvivalCurves):
    """Time to return to climbing.

    shares_back
        group, day (42, 91, 182, 365), at_risk, estimate (share back = 1 - S), conf_low, conf_high, from_day (the
        share is of those not yet back by that day); NaN in groups of fewer than 5 cases.
    """

    milestone: str
    sustained: bool = False
    """Whether only returns with no step back seen within 28 days count."""
    shares_back: pd.DataFrame
    interval_only: int = 0
    """Returns that are known only to lie between two contacts."""


@dataclass(frozen=True, kw_only=True, eq=False)
class EventRates(Result):
    """Events per unit of exposure.

    table
        the columns of ``by``, then events, exposure, estimate, conf_low, conf_high; events and exposure
        are sums, estimate is per ``per`` units of exposure.
    ratios
        the columns of ``by``, reference, method (conditional_exact, conditional_mid_p, wald_log),
        estimate, conf_low, conf_high, p_value.
    """

    by: tuple[str, ...]
    per: float
    exposure_unit: str
    ratios: pd.DataFrame


@dataclass(frozen=True, kw_only=True, eq=False)
class IncidenceRates(EventRates):
    """Incidence of finger injuries; the numerator is occurrences inside observed and covered time.

    ratios
        as EventRates, plus denominator; method may also be robust_log (linearised by climber;
        limits and p NaN with too few events or clusters).
    table
        as EventRates, plus denominator (hours or sessions), climbers, robust_low and robust_high (NaN with too
        few events or clusters).
    counted
        standing (counted, prevalent, uncovered, ...), n, meaning: where every occurrence went.
    sites
        site, case_definition, consecutive, exposure_method: printed beside every rate.
    """

    counted: pd.DataFrame
    sites: pd.DataFrame
