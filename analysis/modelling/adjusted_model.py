"""The estimates of a logistic model: maximum likelihood, and Firth's beside it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from math import nan
from typing import Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc, ndtr

from analysis.modelling.firth import ResampledLimits, firth_fit, penalised_p_value, profile_limits, resampled_limits
from analysis.modelling.logistic import LogisticFit, logistic_fit
from analysis.modelling.patterns import Design, Membership
from analysis.modelling.sandwich import clustered_covariance
from analysis.modelling.separation import Separation, find_separation, limiting_fit
from analysis.proportions import normal_quantile
from analysis.thresholds import FIRTH_REPLICATES as REPLICATES
from registry.errors import DataError

Array = npt.NDArray[np.float64]

SINGULAR: Final = 1e-10
"""Smallest eigenvalue, as part of the largest, of a correlation matrix that can be inverted."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Estimates:
    """What one method says of each coefficient, on the scale of the logarithm.

    Attributes
    ----------
    method
        logistic or firth.
    coefficients, std_errors, model_std_errors, conf_low, conf_high, statistic, p_value
        k values each; NaN where the method gives none. ``model_std_errors`` take rows as independent.
    robust_low, robust_high
        k limits that respect repeaters; NaN where rows are independent.
    log_likelihood
        Of single rows; Firth's is penalised.
    failed
        Bootstrap samples without an estimate.
    """

    method: str
    coefficients: Array
    std_errors: Array
    model_std_errors: Array
    conf_low: Array
    conf_high: Array
    statistic: Array
    p_value: Array
    robust_low: Array
    robust_high: Array
    log_likelihood: float
    failed: int = 0


@dataclass(frozen=True, kw_only=True, eq=False)
class LogisticModel:
    """A model that has been fitted by maximum likelihood.

    Attributes
    ----------
    design
        Its patterns.
    membership
        Which clusters repeat; None where rows are independent.
    fit
        The maximum of the likelihood, or its limit.
    separation
        Where the likelihood has no finite maximum, else None.
    """

    design: Design
    membership: Membership | None
    fit: LogisticFit
    separation: Separation | None

    @classmethod
    def of(cls, design: Design, membership: Membership | None) -> LogisticModel:
        """Fit a model; raise DataError when neither a maximum nor a direction without end is found."""
        matrix, events, others = design.matrix, design.events, design.others
        fit = logistic_fit(matrix, events, others)
        found = find_separation(matrix, events, others) if fit.extreme or not fit.settled else None
        if found is not None:
            fit = limiting_fit(matrix, events, others, found)
        if not fit.settled:
            terms = ", ".join(f"'{name}'" for name in dict.fromkeys(each.term for each in design.parameters[1:]))
            raise DataError(
                f"the logistic model of {terms} did not settle: its columns nearly depend on each other. Leave out a "
                f"term, or bring levels together."
            )
        return cls(design=design, membership=membership, fit=fit, separation=found)

    @property
    def finite(self) -> npt.NDArray[np.bool_]:
        """Which coefficients have a finite estimate."""
        width = len(self.design.parameters)
        return np.ones(width, dtype=bool) if self.separation is None else self.separation.finite

    @cached_property
    def covariance(self) -> Array:
        """The covariance that the limits rest on; NaN in rows and columns of infinite coefficients."""
        if self.membership is None:
            return self._of_finite(self.fit.covariance)
        fit = self.fit
        return self._of_finite(
            clustered_covariance(self.design, self.membership, probabilities=fit.probabilities, root=fit.root)
        )

    def _of_finite(self, covariance: Array) -> Array:
        both = self.finite[:, None] & self.finite[None, :]
        return np.where(both, covariance, np.nan)

    def estimates(self, *, conf_level: float) -> Estimates:
        """Return coefficients with Wald limits, linearised by cluster where clusters repeat."""
        coefficients = self.fit.coefficients
        errors = np.sqrt(np.diag(self.covariance))
        reach = normal_quantile(conf_level) * errors
        held = np.where(self.finite, coefficients, np.nan)
        statistic = held / errors
        none = np.full(len(errors), np.nan)
        repeated = self.membership is not None
        return Estimates(
            method="logistic",
            coefficients=coefficients,
            std_errors=errors,
            model_std_errors=np.sqrt(np.diag(self._of_finite(self.fit.covariance))),
            conf_low=held - reach,
            conf_high=held + reach,
            statistic=statistic,
            p_value=2 * ndtr(-np.abs(statistic)),
            robust_low=held - reach if repeated else none,
            robust_high=held + reach if repeated else none,
            log_likelihood=self.fit.log_likelihood,
        )

    def wald(self, term: str) -> tuple[float, int, float]:
        """Test all coefficients of a term together.

        Returns
        -------
        Chi-square statistic, degrees of freedom and p-value; NaN where a coefficient has no limits, or where there are
        too few clusters for so many coefficients.
        """
        places = [at for at, each in enumerate(self.design.parameters) if each.term == term]
        block = self.covariance[np.ix_(places, places)]
        values = self.fit.coefficients[places]
        if not (np.isfinite(block).all() and np.isfinite(values).all()):
            return nan, len(places), nan
        errors = np.sqrt(np.diag(block))
        alike = block / np.outer(errors, errors)
        sizes = np.linalg.eigvalsh(alike)
        if sizes[0] < SINGULAR * sizes[-1]:
            return nan, len(places), nan
        scaled = values / errors
        statistic = float(scaled @ np.linalg.solve(alike, scaled))
        return statistic, len(places), float(chdtrc(len(places), statistic))

    def firth(self, *, conf_level: float, seed: int) -> Estimates:
        """Return Firth's penalised estimates: profile limits, or a bootstrap over clusters where these repeat.

        Where a coefficient has no finite maximum, each sample repeats the empty cell, and the bootstrap's outer limit
        is too near: there limits, standard error and p-value are the more careful of bootstrap and profile.
        """
        model = self.design.matrix, self.design.events, self.design.others
        fit = firth_fit(*model)
        width = range(len(fit.coefficients))
        none = np.full(len(fit.coefficients), np.nan)
        drawn = self._resampled(conf_level, seed)
        profiled = [at for at in width if drawn is None or not self.finite[at]]
        limits = np.full((len(none), 2), np.nan)
        for at in profiled:
            limits[at] = profile_limits(*model, at, conf_level=conf_level, fit=fit)
        p_value, errors = none.copy(), fit.std_errors
        p_value[profiled] = [penalised_p_value(*model, at, fit=fit) for at in profiled]
        if drawn is not None:
            limits[:, 0] = np.fmin(limits[:, 0], drawn.conf_low)
            limits[:, 1] = np.fmax(limits[:, 1], drawn.conf_high)
            p_value = np.fmax(p_value, drawn.p_values)
            errors = np.where(self.finite, drawn.std_errors, np.fmax(errors, drawn.std_errors))
        return Estimates(
            method="firth",
            coefficients=fit.coefficients,
            std_errors=errors,
            model_std_errors=fit.std_errors,
            conf_low=limits[:, 0],
            conf_high=limits[:, 1],
            statistic=none,
            p_value=p_value,
            robust_low=none if drawn is None else drawn.conf_low,
            robust_high=none if drawn is None else drawn.conf_high,
            log_likelihood=fit.log_likelihood,
            failed=0 if drawn is None else drawn.failed,
        )

    def _resampled(self, conf_level: float, seed: int) -> ResampledLimits | None:
        if self.membership is None:
            return None
        return resampled_limits(self.design, self.membership, conf_level=conf_level, replicates=REPLICATES, seed=seed)
