"""Estimates with their uncertainty; each file is one question asked of the registry, each folder the parts of one."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.adjusted import adjusted_odds_ratios
    from analysis.agreeing import agreement
    from analysis.differences import difference
    from analysis.dominance import dominant_hand
    from analysis.exact_tables import exact_p
    from analysis.incidence import incidence_rates
    from analysis.matched import matched_odds_ratios
    from analysis.mechanism import mechanism_odds
    from analysis.mechanisms.e_value import e_value
    from analysis.missing.rubin import pool_estimates
    from analysis.multiplicity import adjust_p
    from analysis.odds import odds_ratios
    from analysis.proportions import proportion
    from analysis.rates import event_rates
    from analysis.returns import return_curves
    from analysis.risk_measures import risks
    from analysis.shares import distribution
    from analysis.simultaneous import simultaneous_proportions
    from analysis.standardised import compare_distributions
    from analysis.survival import survival_curves
    from analysis.trend import trend_test

__all__ = [
    "adjust_p",
    "adjusted_odds_ratios",
    "agreement",
    "compare_distributions",
    "difference",
    "distribution",
    "dominant_hand",
    "e_value",
    "event_rates",
    "exact_p",
    "incidence_rates",
    "matched_odds_ratios",
    "mechanism_odds",
    "odds_ratios",
    "pool_estimates",
    "proportion",
    "return_curves",
    "risks",
    "simultaneous_proportions",
    "survival_curves",
    "trend_test",
]

_HOMES = {
    "adjust_p": "analysis.multiplicity",
    "adjusted_odds_ratios": "analysis.adjusted",
    "agreement": "analysis.agreeing",
    "compare_distributions": "analysis.standardised",
    "difference": "analysis.differences",
    "distribution": "analysis.shares",
    "dominant_hand": "analysis.dominance",
    "e_value": "analysis.mechanisms.e_value",
    "event_rates": "analysis.rates",
    "exact_p": "analysis.exact_tables",
    "incidence_rates": "analysis.incidence",
    "matched_odds_ratios": "analysis.matched",
    "mechanism_odds": "analysis.mechanism",
    "odds_ratios": "analysis.odds",
    "pool_estimates": "analysis.missing.rubin",
    "proportion": "analysis.proportions",
    "return_curves": "analysis.returns",
    "risks": "analysis.risk_measures",
    "simultaneous_proportions": "analysis.simultaneous",
    "survival_curves": "analysis.survival",
    "trend_test": "analysis.trend",
}


def __getattr__(name: str) -> Any:
    # Importing pandas and scipy takes a second that a command's --help must not wait for.
    if name not in _HOMES:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
