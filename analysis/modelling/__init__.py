"""Logistic models on covariate patterns: counts of rows that are alike take the place of the rows."""
