"""Results as tables of typed cells: the same table stands in the terminal, on the page and in its CSV."""

from __future__ import annotations

__all__: list[str] = []
