"""The season report: one file a section."""

from __future__ import annotations

__all__: list[str] = []
