"""Rows of a result's frames, as the tables and pictures read them."""

from __future__ import annotations

from typing import Any

import pandas as pd

from reports import wording


def records(frame: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a frame's rows as records, columns by name."""
    return [{str(name): value for name, value in row.items()} for row in frame.to_dict("records")]


def of_group(table: pd.DataFrame, group: Any) -> pd.DataFrame:
    """Return the rows of one group; a missing group is a group too."""
    same = table["group"].isna() if wording.is_missing(group) else table["group"] == group
    rows: pd.DataFrame = table.loc[same]
    return rows
