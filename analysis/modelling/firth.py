"""Firth's penalised logistic regression: finite estimates and profile limits where cells are sparse or separated.

Rows are covariate patterns with counts of events and others, which gives the same numbers as rows one by one. The
penalty is half the logarithm of the determinant of Fisher's information (Jeffreys' prior).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
import numpy.typing as npt
from scipy.special import chdtrc

from analysis.modelling.penalised_likelihood import PenalisedModel, PenalisedProfile
from analysis.proportions import normal_quantile
from analysis.thresholds import BOOTSTRAP_REPLICATES, CONF_LEVEL
from registry.errors import DataError

if TYPE_CHECKING:
    from analysis.modelling.patterns import Design, Membership

Array = npt.NDArray[np.float64]

NEAR_ENOUGH: Final = 1e-4
"""The score at which the maximum of one replicate counts as reached: about a thousandth of a standard error."""
USABLE_SHARE: Final = 0.5
"""With fewer replicates that have a maximum no limits are given: the others would decide them (our own choice)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class FirthFit:
    """The penalised estimate.

    Attributes
    ----------
    coefficients, std_errors
        k values each, on the scale of the logarithm of the odds; the errors are those of Fisher's information at the
        estimate, without the penalty.
    log_likelihood
        Penalised; of single rows (no binomial coefficients).
    iterations
        Steps that were taken.
    """

    coefficients: Array
    std_errors: Array
    log_likelihood: float
    iterations: int


@dataclass(frozen=True, kw_only=True, eq=False)
class ResampledLimits:
    """Limits from a bootstrap.

    Attributes
    ----------
    conf_low, conf_high
        k percentile limits, on the scale of the logarithm; NaN where fewer than half of the replicates had a maximum.
    std_errors
        Standard deviations of the k coefficients over the replicates.
    p_values
        Twice the smaller share of replicates on one side of 0, in which the estimate itself counts as one more.
    replicates, failed
        Replicates that were drawn, and those in which the columns depended on each other (a level lost all its rows).
    """

    conf_low: Array
    conf_high: Array
    std_errors: Array
    p_values: Array
    replicates: int
    failed: int


def firth_fit(matrix: Any, events: Any, others: Any) -> FirthFit:
    """Fit a logistic regression with Firth's penalty.

    Parameters
    ----------
    matrix
        p patterns by k columns; an intercept is a column of ones.
    events, others
        p counts each: rows of the pattern with and without the event. Patterns without a row say nothing.

    Returns
    -------
    FirthFit. The estimate is finite whatever the data, as long as the columns are independent.

    Raises
    ------
    DataError
        When shapes do not fit, no row is left or the columns depend on each other.

    References
    ----------
    Firth D 1993, Biometrika 80:27-38. Heinze G & Schemper M 2002, Stat Med 21:2409-2419. Kosmidis I & Firth D 2021,
    Biometrika 108:71-82 (finiteness; all from memory).

    Examples
    --------
    In a saturated table of two groups the penalty adds half a row to each cell: log(7.5 / 0.5 * 3.5 / 4.5).

    >>> fit = firth_fit([[1, 0], [1, 1]], [4, 7], [3, 0])
    >>> [round(float(value), 4) for value in fit.coefficients]
    [0.2513, 2.4567]
    """
    model = PenalisedModel.of(matrix, events, others)
    place, iterations = model.climb(np.zeros(model.width))
    peak = model.at(place)
    return FirthFit(
        coefficients=model.coefficients(place),
        std_errors=model.std_errors(peak),
        log_likelihood=peak.height + model.log_scale,
        iterations=iterations,
    )


def profile_limits(
    matrix: Any, events: Any, others: Any, place: int, *, conf_level: float = CONF_LEVEL, fit: FirthFit | None = None
) -> tuple[float, float]:
    """Find the limits of one coefficient from the penalised profile likelihood.

    Parameters
    ----------
    matrix, events, others
        As for ``firth_fit``.
    place
        Number of the column, from 0.
    conf_level
        Level of the limits.
    fit
        The estimate where it is known already; None fits it.

    Returns
    -------
    The limits of the coefficient (logarithm of a ratio). At each value the other coefficients maximise the likelihood
    with the penalty of the whole model.

    Raises
    ------
    DataError
        As ``firth_fit``; also when the place does not exist.

    References
    ----------
    Heinze G & Schemper M 2002, Stat Med 21:2409-2419 (from memory).

    Examples
    --------
    >>> [round(limit, 3) for limit in profile_limits([[1, 0], [1, 1]], [4, 7], [3, 0], 1)]
    [-0.176, 7.447]
    """
    profile = _profile(matrix, events, others, place, fit)
    allowed = normal_quantile(conf_level) ** 2
    return profile.limit(allowed, side=-1), profile.limit(allowed, side=1)


def penalised_p_value(matrix: Any, events: Any, others: Any, place: int, *, fit: FirthFit | None = None) -> float:
    """Test one coefficient against 0 by the penalised likelihood ratio.

    Parameters
    ----------
    matrix, events, others, place, fit
        As for ``profile_limits``.

    Returns
    -------
    The p-value of chi-square with one degree of freedom. It is below 1 - conf_level just when the profile limits
    leave 0 out.

    References
    ----------
    Heinze G & Schemper M 2002, Stat Med 21:2409-2419 (from memory).

    Examples
    --------
    >>> round(penalised_p_value([[1, 0], [1, 1]], [4, 7], [3, 0], 1), 3)
    0.07
    """
    profile = _profile(matrix, events, others, place, fit)
    return float(chdtrc(1, max(0.0, profile.drop(0.0))))


def resampled_limits(
    design: Design,
    membership: Membership,
    *,
    conf_level: float = CONF_LEVEL,
    replicates: int = BOOTSTRAP_REPLICATES,
    seed: int = 1,
) -> ResampledLimits:
    """Find limits of every coefficient by a bootstrap that resamples climbers.

    Parameters
    ----------
    design
        The patterns with all their rows.
    membership
        Which climbers that occur more than once have rows in which pattern, and the rows of all others.
    conf_level
        Level of the percentile limits.
    replicates
        How many times climbers are drawn: each gets a Poisson weight of mean 1, which all rows of the climber share.
    seed
        Of the draws.

    Returns
    -------
    ResampledLimits.

    Raises
    ------
    DataError
        As ``firth_fit``.

    Notes
    -----
    Where a cell is empty in the data it is empty in every replicate: the outer limit of such a level then rests on
    the penalty alone and is too near. Read it with the profile limits beside it.

    References
    ----------
    Efron B & Tibshirani RJ 1993, An Introduction to the Bootstrap, chapter 13. Hanley JA & MacGibbon B 2006, Comput
    Methods Programs Biomed 83:57-62 (Poisson weights; both from memory).

    Examples
    --------
    >>> from analysis.modelling.patterns import Design, Membership
    >>> events, others = np.array([9, 17]), np.array([21, 13])
    >>> design = Design(np.array([[1, 0], [1, 1]]), events, others, ())
    >>> nobody = np.zeros(0, dtype=int)
    >>> alone = Membership(nobody, nobody, nobody, nobody, events, others)
    >>> result = resampled_limits(design, alone, replicates=200)
    >>> bool(result.conf_low[1] < firth_fit(design.matrix, events, others).coefficients[1])
    True
    """
    normal_quantile(conf_level)
    model = PenalisedModel.of(design.matrix, design.events, design.others)
    top, _ = model.climb(np.zeros(model.width))
    draws = np.random.default_rng(seed)
    drawn = []
    for _ in range(replicates):
        try:
            again = model.with_counts(*_resampled(membership, len(model.totals), draws))
            place, _ = again.climb(top, tolerance=NEAR_ENOUGH)
        except DataError:
            continue
        drawn.append(model.coefficients(place))
    failed = replicates - len(drawn)
    if len(drawn) < max(2, USABLE_SHARE * replicates):
        none = np.full(model.width, np.nan)
        return ResampledLimits(
            conf_low=none, conf_high=none, std_errors=none, p_values=none, replicates=replicates, failed=failed
        )
    values = np.array(drawn)
    low, high = np.quantile(values, [(1 - conf_level) / 2, (1 + conf_level) / 2], axis=0)
    sides = np.minimum((values <= 0).sum(axis=0), (values >= 0).sum(axis=0))
    return ResampledLimits(
        conf_low=low,
        conf_high=high,
        std_errors=values.std(axis=0, ddof=1),
        p_values=np.minimum(1.0, 2 * (sides + 1) / (len(values) + 1)),
        replicates=replicates,
        failed=failed,
    )


def _resampled(membership: Membership, patterns: int, draws: np.random.Generator) -> tuple[Array, Array]:
    """Draw events and others of each pattern; a row that stands alone is a climber of its own."""
    climbers = int(membership.climber.max(initial=-1)) + 1
    weight = draws.poisson(1.0, climbers)[membership.climber]
    events, others = (
        np.bincount(membership.pattern, weights=weight * counts, minlength=patterns)
        for counts in (membership.events, membership.others)
    )
    alone = draws.poisson(membership.alone_events), draws.poisson(membership.alone_others)
    return np.asarray(events + alone[0], dtype=float), np.asarray(others + alone[1], dtype=float)


def _profile(matrix: Any, events: Any, others: Any, place: int, fit: FirthFit | None) -> PenalisedProfile:
    known = firth_fit(matrix, events, others) if fit is None else fit
    width = len(known.coefficients)
    if not 0 <= place < width:
        raise DataError(f"no column {place} in a matrix of {width} columns, counted from 0.")
    return PenalisedProfile(matrix, events, others, place, known.coefficients, float(known.std_errors[place]))
