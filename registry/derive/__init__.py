"""What follows from the data: grades, tiers, milestones, days lost, time at risk. Stored with a version."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from registry.derive.grading import REASONS
    from registry.derive.inputs import base_from_frames, derived_tables
    from registry.derive.pulleys import grade_pulleys
    from registry.derive.tables import DERIVATION_VERSION, derive_tables
    from registry.derive.tiers import TIER_REASONS, TIERS

__all__ = [
    "DERIVATION_VERSION",
    "REASONS",
    "TIERS",
    "TIER_REASONS",
    "base_from_frames",
    "derive_tables",
    "derived_tables",
    "grade_pulleys",
]

_HOME = {
    "DERIVATION_VERSION": "tables",
    "REASONS": "grading",
    "TIERS": "tiers",
    "TIER_REASONS": "tiers",
    "base_from_frames": "inputs",
    "derived_tables": "inputs",
    "derive_tables": "tables",
    "grade_pulleys": "pulleys",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module '{__name__}' has no attribute '{name}'")
    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)
