"""Estimates of several completed tables pooled to one by Rubin's rules."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from numbers import Real
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.special import stdtr, stdtrit

from analysis.proportions import normal_quantile
from analysis.results import Interval
from analysis.thresholds import CONF_LEVEL
from registry.errors import InputError

Array = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Pooled:
    """Pooled estimates, k values each.

    Attributes
    ----------
    estimate
        Mean over the completed tables.
    within, between, total
        Mean of the variances, variance of the estimates, and the variance of the pooled estimate.
    df
        Degrees of freedom of the limits.
    relative_increase
        Of the variance, for what is missing.
    fraction_missing
        Share of the information on the estimate that is missing; 0 where all completed tables agree.
    """

    estimate: Array
    within: Array
    between: Array
    total: Array
    df: Array
    relative_increase: Array
    fraction_missing: Array

    @property
    def std_error(self) -> Array:
        """Root of the total variance."""
        root: Array = np.sqrt(self.total)
        return root

    @property
    def p_value(self) -> Array:
        """Two-sided p-value of the estimate against 0, by Student's t."""
        values: Array = 2 * stdtr(self.df, -np.abs(self.estimate) / self.std_error)
        return values

    def limits(self, conf_level: float) -> tuple[Array, Array]:
        """Return the lower and upper limits by Student's t."""
        reach = stdtrit(self.df, (1 + conf_level) / 2) * self.std_error
        return self.estimate - reach, self.estimate + reach


def rubin_rules(estimates: Array, variances: Array, *, df_complete: float) -> Pooled:
    """Pool estimates of m completed tables.

    Parameters
    ----------
    estimates, variances
        m tables by k parameters.
    df_complete
        Degrees of freedom had nothing been missing; infinite for large tables.

    References
    ----------
    Rubin DB 1987, Multiple Imputation for Nonresponse in Surveys, chapter 3. Barnard J & Rubin DB 1999, Biometrika
    86:948-955 (both from memory).

    Examples
    --------
    >>> pooled = rubin_rules(np.array([[1.0], [3.0]]), np.array([[1.0], [1.0]]), df_complete=np.inf)
    >>> [round(float(value[0]), 3) for value in (pooled.estimate, pooled.total, pooled.df)]
    [2.0, 4.0, 1.778]
    """
    m = len(estimates)
    within = variances.mean(axis=0)
    # An estimate that all tables share differs in its last digits only by how it was summed.
    spread = np.ptp(estimates, axis=0) > 1e-10 * np.sqrt(within)
    between = np.where(spread, estimates.var(axis=0, ddof=1), 0.0)
    total = within + (1 + 1 / m) * between
    share = (1 + 1 / m) * between / total
    with np.errstate(divide="ignore"):
        # Harmonic sum of Rubin's degrees of freedom and those of the observed rows; an infinite one drops out.
        inverse = share**2 / (m - 1)
        if np.isfinite(df_complete):
            inverse = inverse + (df_complete + 3) / ((df_complete + 1) * df_complete * (1 - share))
        df = np.where(inverse > 0, 1 / inverse, np.inf)
    increase = (1 + 1 / m) * between / within
    fraction = np.where(spread, (increase + 2 / (df + 3)) / (1 + increase), 0.0)
    return Pooled(
        estimate=estimates.mean(axis=0),
        within=within,
        between=between,
        total=total,
        df=df,
        relative_increase=increase,
        fraction_missing=fraction,
    )


def pool_estimates(
    estimates: Iterable[float],
    variances: Iterable[float],
    *,
    n: int | None = None,
    parameters: int = 1,
    conf_level: float = CONF_LEVEL,
) -> Interval:
    """Pool the estimates of several completed tables.

    Parameters
    ----------
    estimates
        m estimates, on a scale where they are about normal (of an odds ratio its logarithm).
    variances
        m variances, squares of the standard errors.
    n
        Rows of a completed table; None for many, where Student's t then allows only for the number of tables.
    parameters
        Coefficients of the model; the complete table has ``n - parameters`` degrees of freedom.
    conf_level
        Level of the limits.

    Returns
    -------
    Interval. ``table``: estimate, std_error, conf_low, conf_high, statistic, p_value, df, within, between, total,
    relative_increase, fraction_missing, imputations (m). Limits by Student's t with Barnard and Rubin's degrees of
    freedom.

    Raises
    ------
    InputError
        When there are fewer than two estimates, the numbers of both differ, a value is not finite, a variance is not
        above 0, or ``n`` is not above ``parameters``.

    References
    ----------
    See ``rubin_rules``.

    Examples
    --------
    >>> pooled = pool_estimates([0.5, 0.62, 0.47], [0.04, 0.043, 0.039], n=120, parameters=2)
    >>> [round(pooled.estimate, 3), round(pooled.conf_low, 3), round(pooled.conf_high, 3)]
    [0.53, 0.082, 0.978]
    """
    normal_quantile(conf_level)
    values, spreads = _numbers(estimates, "estimates"), _numbers(variances, "variances")
    m = len(values)
    if m != len(spreads):
        raise InputError(f"there are {m} estimates and {len(spreads)} variances; each estimate needs its variance.")
    if m < 2:
        raise InputError(f"{m} completed tables; two at least are needed to see how far they differ.")
    if (spreads <= 0).any():
        n_bad = int((spreads <= 0).sum())
        raise InputError(f"{n_bad} of {m} variances are not above 0; give the squares of the standard errors.")
    for name, number in (("n", 1 if n is None else n), ("parameters", parameters)):
        if not isinstance(number, Real):
            raise InputError(f"{name} is given as {type(number).__name__}; a number is needed.")
    if parameters < 1 or (n is not None and n <= parameters):
        raise InputError(
            f"n is {n} and parameters {parameters}; n, the rows, has to be more than the parameters (>= 1)."
        )
    df_complete = np.inf if n is None else float(n - parameters)
    pooled = rubin_rules(values[:, None], spreads[:, None], df_complete=df_complete)
    low, high = pooled.limits(conf_level)
    line = {
        "estimate": pooled.estimate,
        "std_error": pooled.std_error,
        "conf_low": low,
        "conf_high": high,
        "statistic": pooled.estimate / pooled.std_error,
        "p_value": pooled.p_value,
        "df": pooled.df,
        "within": pooled.within,
        "between": pooled.between,
        "total": pooled.total,
        "relative_increase": pooled.relative_increase,
        "fraction_missing": pooled.fraction_missing,
        "imputations": [m],
    }
    return Interval(
        table=pd.DataFrame(line),
        method=f"Mean of {m} completed tables; Rubin's rules, Student's t with Barnard-Rubin degrees of freedom.",
        unit="completed tables",
        conf_level=conf_level,
        n_rows_in=m,
        n_rows_used=m,
    )


def _numbers(values: Any, name: str) -> Array:
    try:
        numbers = np.array(list(values), dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} must be a list of numbers, one for each completed table.") from None
    if numbers.ndim != 1:
        raise InputError(f"{name} must be a list of numbers, one for each table; pool one parameter at a time.")
    if not np.isfinite(numbers).all():
        n_bad = int((~np.isfinite(numbers)).sum())
        raise InputError(f"{n_bad} of {len(numbers)} {name} are not finite; a table without an estimate is not pooled.")
    return numbers
