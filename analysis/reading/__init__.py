"""Readers who grade the same cases: their readings as a table, and kappa."""
