"""A first draft of a column map for a foreign table, with a confidence at each guess and a question at each doubt."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from registry.proposing.drafting import Draft, propose_map

__all__ = ["Draft", "propose_map"]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'registry.proposing' has no attribute '{name}'")
    return getattr(import_module("registry.proposing.drafting"), name)
