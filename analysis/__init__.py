"""Estimates with their uncertainty; each file is one question asked of the registry."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from analysis.incidence import incidence_rates
    from analysis.odds import odds_ratios
    from analysis.rates import event_rates
    from analysis.returns import return_curves
    from analysis.shares import distribution
    from analysis.survival import survival_curves

__all__ = [
    "distribution",
    "event_rates",
    "incidence_rates",
    "odds_ratios",
    "return_curves",
    "survival_curves",
]

_HOMES = {
    "distribution": "analysis.shares",
    "event_rates": "analysis.rates",
    "incidence_rates": "analysis.incidence",
    "odds_ratios": "analysis.odds",
    "return_curves": "analysis.returns",
    "survival_curves": "analysis.survival",
}


def __getattr__(name: str) -> Any:
    # Importing pandas and scipy takes a second that a command's --help must not wait for.
    if name not in _HOMES:
        raise AttributeError(f"module 'analysis' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
