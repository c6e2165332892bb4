"""An invented climbing federation with a known truth: simulated day by day, then written as CSV deliveries.

All names and numbers are invented; ``truth.toml`` holds the true parameters. ``small/`` is a small federation, ready to
use; into an empty folder it is made anew by ``annulary federation synthetic_data/small --climbers 60 --seasons 2``.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from synthetic_data.federation import Delivery, Federation, write_federation
    from synthetic_data.truth import Truth, true_parameters

__all__ = ["Delivery", "Federation", "Truth", "true_parameters", "write_federation"]

_HOMES = {"Truth": "truth", "true_parameters": "truth"}


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name not in __all__:
        raise AttributeError(f"module 'synthetic_data' has no attribute '{name}'")
    from importlib import import_module

    return getattr(import_module(f"synthetic_data.{_HOMES.get(name, 'federation')}"), name)
