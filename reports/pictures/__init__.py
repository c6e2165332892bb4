"""One file a picture. A picture draws a result's table and computes nothing."""

from __future__ import annotations

__all__: list[str] = []
