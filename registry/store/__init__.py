"""Keeping: one DuckDB file, rows with revisions, and freezes that never change."""
