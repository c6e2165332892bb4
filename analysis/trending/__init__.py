"""Trends over ordered levels: counts at each step, and their tests."""
