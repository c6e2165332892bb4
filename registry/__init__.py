"""The data: dictionary, intake, keeping, freezes and derived tables."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from registry.derive import derived_tables, grade_pulleys
    from registry.errors import AnnularyError
    from registry.intake.delivery import take_in
    from registry.store.freeze import freeze, open_freeze
    from registry.store.view import View, open_registry

__all__ = [
    "AnnularyError",
    "View",
    "derived_tables",
    "freeze",
    "grade_pulleys",
    "open_freeze",
    "open_registry",
    "take_in",
]

_HOMES = {
    "AnnularyError": "registry.errors",
    "View": "registry.store.view",
    "derived_tables": "registry.derive",
    "freeze": "registry.store.freeze",
    "grade_pulleys": "registry.derive",
    "take_in": "registry.intake.delivery",
    "open_freeze": "registry.store.freeze",
    "open_registry": "registry.store.view",
}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'registry' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)
