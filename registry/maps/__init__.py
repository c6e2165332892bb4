"""Column maps: how one site's export, in its own columns and words, becomes rows of our tables."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from registry.maps.applying import Mapped, apply_map
    from registry.maps.loading import load_map
    from registry.maps.model import ColumnMap

__all__ = ["ColumnMap", "Mapped", "apply_map", "load_map"]

_HOMES = {"ColumnMap": "model", "Mapped": "applying", "apply_map": "applying", "load_map": "loading"}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'registry.maps' has no attribute '{name}'")
    return getattr(import_module(f"registry.maps.{_HOMES[name]}"), name)
