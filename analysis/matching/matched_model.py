"""The conditional logistic model of matched sets with the errors that its limits stand on, and its tests."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import nan
from typing import Final

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import chdtrc, gammaln

from analysis.matching.conditional_logistic import ConditionalFit, MatchedSets, conditional_fit
from analysis.matching.matched_sets import Informative, MatchedRows, listed
from analysis.matching.matched_spread import SetSpread, spread_over_clusters
from analysis.matching.matched_terms import Coded, comparable
from analysis.modelling.patterns import Parameter
from analysis.results import COEFFICIENT_COLUMNS, FIT_COLUMNS
from analysis.thresholds import MIN_CLUSTERS
from registry.errors import DataError

Array = npt.NDArray[np.float64]

METHOD: Final = "conditional_logistic"
WHOLE_MODEL: Final = "(model)"
"""Stands in the column exposure of tests that all ratios are 1."""


@dataclass(frozen=True, kw_only=True, eq=False)
class MatchedModel:
    """The fit, by parameter of the terms."""

    parameters: tuple[Parameter, ...]
    held: npt.NDArray[np.bool_]
    """(p,) whether the sets determine the parameter."""
    coefficients: Array
    """(p,) logarithms of ratios; infinite under separation, NaN where the sets leave them open."""
    model_covariance: Array
    """(p, p) taking sets as independent; NaN where a coefficient is not finite."""
    robust_covariance: Array | None
    """(p, p) taking sets that share a climber as one whole; None where none do, or where they are too few."""
    spread: SetSpread | None
    """The sets that share a climber; None where none do."""
    fit: ConditionalFit

    @property
    def covariance(self) -> Array:
        """The covariance that limits stand on."""
        return self.model_covariance if self.robust_covariance is None else self.robust_covariance

    @property
    def errors(self) -> Array:
        """(p,) the standard errors that limits stand on."""
        return np.sqrt(np.diag(self.covariance))


def matched_model(rows: MatchedRows, coded: Coded, informative: Informative, *, clustered: bool) -> MatchedModel:
    """Fit the model to the sets whose members differ.

    Parameters
    ----------
    rows, coded, informative
        The rows, their terms as numbers, the sets whose members differ.
    clustered
        Whether limits allow for clusters even when no cluster is in several sets.

    Raises
    ------
    DataError
        When terms do not vary within sets, are collinear, or no set compares a level with its reference.
    """
    p = len(coded.parameters)
    held, kept = comparable(informative.sets, coded.parameters)
    if not held.any():
        terms = sorted({each.term for each in coded.parameters})
        raise DataError(
            f"no matched set compares a level of {listed(terms)} with its reference "
            f"({', '.join(sorted({each.reference for each in coded.parameters}))}), directly or through other levels. "
            f"Give a reference that sets do compare."
        )
    try:
        fit = conditional_fit(MatchedSets(patterns=informative.sets.patterns[:, kept], groups=informative.sets.groups))
    except DataError as error:
        names = list(dict.fromkeys(each.term for each in coded.parameters))
        raise DataError(f"ratios of {listed(names)}: {error}") from None
    spread = spread_over_clusters(rows, informative, fit)
    if spread is not None and not clustered and not spread.repeaters:
        spread = None
    coefficients = np.full(p, nan)
    coefficients[kept] = fit.coefficients
    coefficients[~held] = nan

    def whole(covariance: Array) -> Array:
        wide = np.full((p, p), nan)
        wide[np.ix_(kept, kept)] = covariance
        wide[~held, :] = nan
        wide[:, ~held] = nan
        return wide

    enough = spread is not None and spread.clusters >= MIN_CLUSTERS and _positive(spread.covariance, fit)
    return MatchedModel(
        parameters=coded.parameters,
        held=held,
        coefficients=coefficients,
        model_covariance=whole(fit.covariance),
        robust_covariance=whole(spread.covariance) if spread is not None and enough else None,
        spread=spread,
        fit=fit,
    )


def model_tests(model: MatchedModel) -> pd.DataFrame:
    """Test the whole model and its terms.

    Parameters
    ----------
    model
        The fit.

    Returns
    -------
    DataFrame with exposure, level, test, statistic, df, p_value: likelihood_ratio, score and wald of the whole model,
    which take sets as independent, wald_robust where limits allow for climbers, and wald of each term with several
    levels, with the errors of the limits. A Wald test of a coefficient that is not finite is NaN.
    """
    fit, df, held = model.fit, len(model.fit.coefficients), int(model.held.sum())
    ratio = 2 * (fit.log_likelihood - fit.null_log_likelihood)
    records = [
        (WHOLE_MODEL, "", "likelihood_ratio", ratio, df),
        (WHOLE_MODEL, "", "score", fit.score_statistic, df),
        (WHOLE_MODEL, "", "wald", _wald(model.coefficients, model.model_covariance, model.held), held),
    ]
    if model.robust_covariance is not None:
        records.append((WHOLE_MODEL, "", "wald_robust", _wald(model.coefficients, model.covariance, model.held), held))
    for term in dict.fromkeys(each.term for each in model.parameters):
        own = np.array([each.term == term for each in model.parameters]) & model.held
        if own.sum() > 1:
            records.append((term, "", "wald", _wald(model.coefficients, model.covariance, own), int(own.sum())))
    table = pd.DataFrame(records, columns=["exposure", "level", "test", "statistic", "df"])
    table["df"] = table["df"].astype(float)
    return table.assign(p_value=chdtrc(table["df"], table["statistic"]))


def model_coefficients(model: MatchedModel) -> pd.DataFrame:
    """Return the coefficients: ``COEFFICIENT_COLUMNS``."""
    naive = np.sqrt(np.diag(model.model_covariance))
    lines = [
        (METHOD, each.term, each.level, coefficient, error, model_error)
        for each, coefficient, error, model_error in zip(
            model.parameters, model.coefficients, model.errors, naive, strict=True
        )
    ]
    return pd.DataFrame(lines, columns=list(COEFFICIENT_COLUMNS))


def model_fit(model: MatchedModel, rows: MatchedRows, informative: Informative) -> pd.DataFrame:
    """Return what the model was fitted to: ``FIT_COLUMNS``.

    Rows and cases are those of the sets whose members differ. The log-likelihood is that of all sets, as other
    programs print it: of a set whose members are alike each choice of its cases is equally likely.
    """
    sizes, cases = np.bincount(rows.set_of), np.bincount(rows.set_of[rows.case], minlength=rows.sets)
    alike = np.setdiff1d(np.arange(rows.sets), informative.which)
    constant = -float((gammaln(sizes + 1) - gammaln(cases + 1) - gammaln(sizes - cases + 1))[alike].sum())
    groups = informative.sets.groups
    events = sum(int(group.times.sum()) * group.cases for group in groups)
    parameters = len(model.fit.coefficients)
    line = {
        "method": METHOD,
        "n": sum(int(group.times.sum()) * group.size for group in groups),
        "events": events,
        "parameters": parameters,
        "events_per_parameter": events / parameters,
        "log_likelihood": model.fit.log_likelihood + constant,
        "clusters": 0 if model.spread is None else model.spread.clusters,
    }
    return pd.DataFrame([line], columns=list(FIT_COLUMNS))


def _positive(covariance: Array, fit: ConditionalFit) -> bool:
    """Whether every variance is one: sums over pairs of sets can fall below zero when sets share many climbers."""
    return bool((np.diag(covariance)[fit.finite] > 0).all())


def _wald(coefficients: Array, covariance: Array, chosen: npt.NDArray[np.bool_] | Sequence[bool]) -> float:
    places = np.flatnonzero(chosen)
    values = coefficients[places]
    if not np.isfinite(values).all():
        return nan
    return float(values @ np.linalg.solve(covariance[np.ix_(places, places)], values))
