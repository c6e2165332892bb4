"""What people read: pictures, tables, wording, and documents such as the season report."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from reports.pictures.drawing import draw
    from reports.pictures.style import save
    from reports.season.report import season_report
    from reports.tables.building import tables_of
    from reports.terminal import result_csv, result_json, result_text

__all__ = ["draw", "result_csv", "result_json", "result_text", "save", "season_report", "tables_of"]

_HOMES = {
    "draw": "reports.pictures.drawing",
    "result_csv": "reports.terminal",
    "result_json": "reports.terminal",
    "result_text": "reports.terminal",
    "save": "reports.pictures.style",
    "season_report": "reports.season.report",
    "tables_of": "reports.tables.building",
}


def __getattr__(name: str) -> Any:
    # matplotlib and pandas load when a picture or table is asked for, not at --help.
    if name not in _HOMES:
        raise AttributeError(f"module 'reports' has no attribute '{name}'")
    return getattr(import_module(_HOMES[name]), name)
