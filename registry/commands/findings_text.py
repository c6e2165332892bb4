"""Findings as a terminal shows them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import pandas as pd


def findings_text(frame: pd.DataFrame, *, lead: list[str]) -> str:
    """Return findings as an aligned table, with the leading columns first."""
    from registry.console import aligned

    columns = [*lead, "file", "row", "column", "code", "message"]
    return aligned(columns, frame[columns].values.tolist(), width=150)
