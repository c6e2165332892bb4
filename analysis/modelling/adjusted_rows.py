"""The lines of an adjusted model's tables: ratios with their counts, coefficients, tests, fit."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.modelling.adjusted_model import Estimates, LogisticModel
from analysis.modelling.patterns import INTERCEPT, Parameter, Patterns
from analysis.two_by_two import TwoByTwo

Line = dict[str, Any]


def crude_counts(patterns: Patterns, parameters: Sequence[Parameter]) -> dict[Parameter, TwoByTwo]:
    """Count rows with and without the outcome at the level and at the reference of each coefficient.

    Parameters
    ----------
    patterns
        The patterns of the model.
    parameters
        Its coefficients; the intercept is passed over.

    Returns
    -------
    A 2x2 table for each. A measurement has all its rows on the one side, and none on the other.

    Examples
    --------
    >>> from analysis.modelling.patterns import tally_patterns
    >>> from registry.door import enter
    >>> rows = enter({"a2": [True, True, False], "grip": ["jam", "pinch", "jam"]})
    >>> patterns = tally_patterns(rows, outcome="a2", terms=["grip"], references={"grip": "pinch"})
    >>> [table.cells for table in crude_counts(patterns, patterns.design().parameters).values()]
    [(1, 1, 1, 0)]
    """
    reference = {term.name: term.reference for term in patterns.terms}
    measured = {term.name for term in patterns.terms if term.measured}
    found = {}
    for parameter in parameters:
        if parameter.term == INTERCEPT:
            continue
        exposed = patterns.cells(dict(zip(parameter.columns, parameter.levels, strict=True)))
        against = (0, 0)
        if not set(parameter.columns) <= measured:
            against = patterns.cells({name: reference[name] for name in parameter.columns})
        found[parameter] = TwoByTwo(*exposed, *against)
    return found


def ratio_lines(
    parameters: Sequence[Parameter], counts: dict[Parameter, TwoByTwo], estimates: Sequence[Estimates]
) -> list[Line]:
    """Return the rows of the table of ratios: for each coefficient a row a method.

    Parameters
    ----------
    parameters, counts
        The coefficients, and the counts behind them.
    estimates
        One for each method.
    """
    return [
        _ratio_line(parameter, counts[parameter], each, at)
        for at, parameter in enumerate(parameters)
        if parameter in counts
        for each in estimates
    ]


def _ratio_line(parameter: Parameter, cells: TwoByTwo, each: Estimates, at: int) -> Line:
    exponential = {
        "estimate": each.coefficients,
        "conf_low": each.conf_low,
        "conf_high": each.conf_high,
        "robust_low": each.robust_low,
        "robust_high": each.robust_high,
    }
    # A ratio beyond the largest number of the machine is infinite.
    with np.errstate(over="ignore"):
        ratios = {name: float(np.exp(values[at])) for name, values in exponential.items()}
    return {
        "exposure": parameter.term,
        "level": parameter.level,
        "reference": parameter.reference,
        "method": each.method,
        "exposed_events": cells.exposed_events,
        "exposed_others": cells.exposed_others,
        "reference_events": cells.reference_events,
        "reference_others": cells.reference_others,
        "zero_cell": cells.zero_cell and bool(cells.reference_events + cells.reference_others),
        "p_value": float(each.p_value[at]),
        "std_error": float(each.std_errors[at]),
        "statistic": float(each.statistic[at]),
        **ratios,
    }


def coefficient_lines(parameters: Sequence[Parameter], estimates: Sequence[Estimates]) -> list[Line]:
    """Return the rows of the table of coefficients, the intercept included."""
    return [
        {
            "method": each.method,
            "exposure": parameter.term,
            "level": parameter.level,
            "coefficient": float(each.coefficients[at]),
            "std_error": float(each.std_errors[at]),
            "model_std_error": float(each.model_std_errors[at]),
        }
        for each in estimates
        for at, parameter in enumerate(parameters)
    ]


def wald_lines(model: LogisticModel, terms: Sequence[str]) -> list[Line]:
    """Return the tests of whole terms."""
    lines = []
    for term in terms:
        statistic, df, p_value = model.wald(term)
        lines.append(
            {"exposure": term, "level": "", "test": "wald", "statistic": statistic, "df": float(df), "p_value": p_value}
        )
    return lines


def fit_line(model: LogisticModel, each: Estimates) -> Line:
    """Return the row of the table of fits: parameters without the intercept, the rarer outcome for each of them."""
    events, others = int(model.design.events.sum()), int(model.design.others.sum())
    parameters = len(model.design.parameters) - 1
    return {
        "method": each.method,
        "n": events + others,
        "events": events,
        "parameters": parameters,
        "events_per_parameter": min(events, others) / parameters,
        "log_likelihood": each.log_likelihood,
        "clusters": 0 if model.membership is None else model.membership.clusters,
    }
