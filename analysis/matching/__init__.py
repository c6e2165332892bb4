"""Matched sets of cases and referents: conditional likelihood, pairs, and what referents are."""
