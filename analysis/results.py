"""What an estimate hands back: frozen records that know their method, their denominator and what was left out.

They never print, read a file or draw. Column names are fixed, values unrounded; ``reports`` rounds and draws.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

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
    people: str = ""
    """adults or minors where the others were left out; '' where nobody was."""

    def summary(self) -> str:
        """Say in a few lines what was computed from how many rows, and what was left out."""
        lines = [
            self.method,
            f"{self.n_rows_used} of {self.n_rows_in} {self.unit} used; limits at {self.conf_level * 100:g} %.",
        ]
        lines += [f"left out: {row.n} ({row.reason})" for row in self.left_out.itertuples()]
        lines += [f"note: {note.sentence}" for note in self.notes]
        return "\n".join(lines)


ASSOCIATION_COLUMNS: Final = ("measure", "estimate", "conf_low", "conf_high")


@dataclass(frozen=True, kw_only=True, eq=False)
class Distribution(Result):
    """Counts and shares.

    table
        One column for each of ``by``, then n, of, estimate, conf_low, conf_high, sim_low and sim_high (limits that
        hold for all rows together), beside_low and beside_high (bootstrap over climbers, where they repeat); for two
        columns also row_share, column_share, expected, residual (adjusted), impossible (no such cell in a hand),
        marked ('+' clearly more, '-' clearly fewer than expected, else '').
    tests
        test, statistic, df, p_value.
    association
        For two columns: measure (cramers_v, cramers_v_corrected), estimate, conf_low, conf_high.
    """

    by: tuple[str, ...]
    tests: pd.DataFrame = field(default_factory=no_tests)
    association: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(ASSOCIATION_COLUMNS)))


ODDS_COLUMNS: Final = (
    "exposure",
    "level",
    "reference",
    "method",
    "exposed_events",
    "exposed_others",
    "reference_events",
    "reference_others",
    "estimate",
    "conf_low",
    "conf_high",
    "p_value",
    "zero_cell",
    "robust_low",
    "robust_high",
    "std_error",
    "statistic",
    "p_holm",
    "p_benjamini_hochberg",
    "e_value",
    "e_value_limit",
)
"""One row shape for crude, stratified, matched and adjusted ratios; what a method does not give is NaN."""
COEFFICIENT_COLUMNS: Final = ("method", "exposure", "level", "coefficient", "std_error", "model_std_error")
FIT_COLUMNS: Final = ("method", "n", "events", "parameters", "events_per_parameter", "log_likelihood", "clusters")
SENSITIVITY_COLUMNS: Final = (
    "handling",
    "exposure",
    "level",
    "reference",
    "method",
    "n",
    "events",
    "estimate",
    "std_error",
    "conf_low",
    "conf_high",
    "p_value",
    "df",
    "fraction_missing",
)
SET_COLUMNS: Final = (
    "exposure",
    "level",
    "reference",
    "cases",
    "referents",
    "cases_exposed",
    "referents_exposed",
    "sets",
    "informative",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class OddsRatios(Result):
    """Odds ratios of an outcome, one row for each exposure level and method.

    table
        ``ODDS_COLUMNS``. The four counts are those of the 2x2 table of the level and the reference; of a measured
        exposure (level 'per unit', reference '') the reference's counts are 0. ``method`` is conditional_exact,
        conditional_mid_p, woolf, mantel_haenszel, conditional_logistic, mcnemar_exact, logistic or firth.
        ``zero_cell``: is a count of the row empty; in mantel_haenszel rows also where the pooled ratio has no limits.
        ``std_error`` and ``statistic`` (z) are on the scale of the logarithm. In logistic rows conf_low and conf_high
        respect repeaters wherever climbers repeat, and robust_low and robust_high repeat them; in woolf rows these two
        stand beside Woolf's own. p_holm and p_benjamini_hochberg: over the family of several exposures.
        e_value, e_value_limit: risk ratio that an unmeasured confounder would need with exposure and outcome.
    tests
        exposure, level, test, statistic, df, p_value: homogeneity over strata, terms as a whole, trend, interaction.
    coefficients
        method, exposure, level, coefficient, std_error, model_std_error: the whole model on the scale of the
        logarithm, exposure '(intercept)' included.
    fit
        method, n, events, parameters, events_per_parameter, log_likelihood, clusters (0: rows are independent).
    sensitivity
        handling (missing_as_level, complete_case, multiple_imputation), exposure, level, reference, method, n, events,
        estimate, std_error, conf_low, conf_high, p_value, df, fraction_missing.
    sets
        exposure, level, reference, cases, referents, cases_exposed, referents_exposed, sets, informative: how many
        matched sets of each make-up there are.
    """

    outcome: str
    exposure: str
    """The first exposure; the others and the covariates are in the table."""
    reference: str
    strata: str | None
    design: str
    meaning: str
    """One sentence: what the ratio says in this design, and what it does not."""
    cannot_mean: str = ""
    """One sentence: what must not be read from it."""
    exposures: tuple[str, ...] = ()
    among: str = ""
    """The condition that all rows meet, written as an outcome; '' where none was asked for."""
    covariates: tuple[str, ...] = ()
    """What the adjusted ratios are adjusted for."""
    tests: pd.DataFrame = field(default_factory=no_tests)
    coefficients: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(COEFFICIENT_COLUMNS)))
    fit: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(FIT_COLUMNS)))
    sensitivity: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(SENSITIVITY_COLUMNS)))
    sets: pd.DataFrame = field(default_factory=lambda: pd.DataFrame(columns=list(SET_COLUMNS)))


def odds_frame(lines: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """Make the table of ``OddsRatios`` of records; a column that a record lacks is NaN (zero_cell: False).

    Examples
    --------
    >>> odds_frame([{"exposure": "grip", "estimate": 2.0}])[["exposure", "estimate", "p_holm"]].to_numpy().tolist()
    [['grip', 2.0, nan]]
    """
    records = [dict(line) for line in lines]
    table = pd.DataFrame(records, columns=list(ODDS_COLUMNS))
    words = ("exposure", "level", "reference", "method")
    counts = ("exposed_events", "exposed_others", "reference_events", "reference_others")
    for name in ODDS_COLUMNS:
        if name in words:
            table[name] = table[name].astype(object)
        elif name in counts:
            table[name] = table[name].astype("Int64").fillna(0).astype("int64")
        elif name == "zero_cell":
            table[name] = [value is True or value == 1 for value in table[name]]
        else:
            table[name] = table[name].astype(float)
    return table


@dataclass(frozen=True, kw_only=True, eq=False)
class Interval(Result):
    """One estimate with its limits, as ``proportion`` and ``difference`` return it.

    table
        One row: the counts that were given, method, estimate, conf_low, conf_high.
    """

    @property
    def estimate(self) -> float:
        """The point estimate."""
        return float(self.table["estimate"].iloc[0])

    @property
    def conf_low(self) -> float:
        """The lower limit."""
        return float(self.table["conf_low"].iloc[0])

    @property
    def conf_high(self) -> float:
        """The upper limit."""
        return float(self.table["conf_high"].iloc[0])


@dataclass(frozen=True, kw_only=True, eq=False)
class TrendTest(Result):
    """Whether the share with an outcome rises or falls over ordered levels.

    table
        level, score, n, events, estimate (share), conf_low, conf_high; of an ordered outcome: level, score, n,
        estimate (mean score of the outcome), conf_low, conf_high.
    tests
        test (cochran_armitage, departure_from_trend, heterogeneity, linear_by_linear, trend_by_climber), statistic, df,
        p_value, z (signed: above 0 it rises).
    """

    outcome: str
    ordered: str
    tests: pd.DataFrame = field(default_factory=no_tests)


@dataclass(frozen=True, kw_only=True, eq=False)
class Agreement(Result):
    """How far readers agree beyond chance.

    table
        method (cohen_kappa, weighted_kappa, fleiss_kappa), readers, weights, n, observed, expected, estimate,
        std_error, conf_low, conf_high, beside_low, beside_high (on Fisher's z scale), std_error_null, statistic,
        p_value. ``weights`` is none, linear, quadratic or given.
    cells
        Of two readers: first, second (their grades), n. Of more: the empty table.
    categories
        category, estimate, share: kappa of each grade against all others, with its prevalence.
    """

    readers: tuple[str, ...]
    weights: str
    cells: pd.DataFrame
    categories: pd.DataFrame


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


@dataclass(frozen=True, kw_only=True, eq=False)
class DistributionComparison(Distribution):
    """The shares of two groups beside each other, such as two seasons or two sites.

    table
        The column of ``by``, then first_n, first_of, first_share, second_n, second_of, second_share, estimate (second
        less first share), conf_low, conf_high, standardised (the difference over its pooled standard deviation).
    tests
        As ``Distribution`` of the groups by the column.
    association
        measure (standardised_difference, of all recorded levels at once), estimate, conf_low, conf_high.
    """

    between: str
    first: str
    second: str
