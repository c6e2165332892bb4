"""Limits of a logistic coefficient from the profile likelihood."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq

from analysis.modelling.logistic import log_likelihood, logistic_fit
from analysis.modelling.separation import find_separation
from analysis.proportions import normal_quantile
from analysis.thresholds import CONF_LEVEL
from registry.errors import DataError

Array = npt.NDArray[np.float64]


def profile_limits(
    matrix: Any, events: Any, others: Any, place: int, *, conf_level: float = CONF_LEVEL
) -> tuple[float, float]:
    """Find the limits of one coefficient from the profile likelihood.

    Parameters
    ----------
    matrix, events, others
        As for ``logistic_fit``; the maximum is finite.
    place
        Number of the column, from 0.
    conf_level
        Level of the limits.

    Returns
    -------
    The limits of the coefficient, on the scale of the logarithm. They take rows as independent.

    Raises
    ------
    DataError
        When the likelihood has no finite maximum.

    References
    ----------
    Venables WN & Ripley BD 2002, Modern Applied Statistics with S, 4th ed., section 8.4 (from memory).

    Examples
    --------
    >>> [round(limit, 3) for limit in profile_limits([[1, 0], [1, 1]], [4, 7], [3, 2], 1)]
    [-1.184, 3.315]
    """
    x = np.asarray(matrix, dtype=float)
    fit = logistic_fit(x, events, others)
    if not fit.settled or (fit.extreme and find_separation(x, events, others) is not None):
        raise DataError("the likelihood has no finite maximum, so that there are no profile limits; columns separate.")
    allowed = normal_quantile(conf_level) ** 2 / 2
    top, step = float(fit.coefficients[place]), float(fit.std_errors[place])
    rest = np.delete(x, place, axis=1)

    def above(value: float) -> float:
        return fit.log_likelihood - allowed - _fixed(rest, x[:, place] * value, events, others)

    return _crossing(above, top, -step), _crossing(above, top, step)


def _fixed(rest: Array, shift: Array, events: Any, others: Any) -> float:
    if not rest.shape[1]:
        return log_likelihood(shift, np.asarray(events, dtype=float), np.asarray(others, dtype=float))
    return logistic_fit(rest, events, others, offset=shift).log_likelihood


def _crossing(above: Callable[[float], float], top: float, step: float) -> float:
    """Step outwards until the likelihood has fallen far enough, then close in."""
    near, far = top, top + 2 * step
    while above(far) < 0:
        near, far = far, far + (far - top)
    return float(brentq(above, near, far, xtol=1e-10, rtol=1e-12))
