"""How strong an unmeasured confounder would have to be to explain a ratio away."""

from __future__ import annotations

from dataclasses import dataclass
from math import inf, isnan, nan, sqrt
from numbers import Real

from analysis.given_counts import chosen
from registry.errors import InputError


@dataclass(frozen=True, kw_only=True)
class EValue:
    """The two E-values of a ratio, on the scale of a risk ratio.

    Attributes
    ----------
    estimate
        Of the ratio itself.
    limit
        Of the limit that lies nearer to 1; 1 where the limits hold 1 between them.
    """

    estimate: float
    limit: float


def e_value(estimate: float, *, conf_low: float = nan, conf_high: float = nan, outcome: str = "rare") -> EValue:
    """Compute how strongly an unmeasured confounder would have to go with exposure and outcome, both, to make a ratio.

    Parameters
    ----------
    estimate
        Odds, rate or risk ratio; 0 and infinity included.
    conf_low, conf_high
        Its limits; NaN where there are none. One of them is enough where it is the nearer to 1.
    outcome
        rare: the odds ratio is taken as a risk ratio. common (more than about 15 % of those at risk): its square root
        is.

    Returns
    -------
    EValue. NaN for a ratio that is NaN; the limit is NaN where the ratio's own limits are.

    Raises
    ------
    InputError
        When a ratio is negative or no number, the limits are the wrong way round, or ``outcome`` is another word.

    Notes
    -----
    Confounders that were measured, or that sets were matched on, are held already: the value speaks of further ones.

    References
    ----------
    VanderWeele TJ & Ding P 2017, Ann Intern Med 167:268-274 (from memory).

    Examples
    --------
    >>> found = e_value(3.9, conf_low=1.8, conf_high=8.7)
    >>> [round(found.estimate, 2), round(found.limit, 2)]
    [7.26, 3.0]
    """
    outcome = chosen(outcome, ("rare", "common"), "outcome")
    for name, value in (("estimate", estimate), ("conf_low", conf_low), ("conf_high", conf_high)):
        if not isinstance(value, Real) or isinstance(value, bool):
            raise InputError(f"{name} is given as {type(value).__name__}; a ratio is needed: a number of 0 or more.")
    if any(value < 0 for value in (estimate, conf_low, conf_high)):
        raise InputError("a ratio below 0 was given; ratios and their limits are 0 or more (not logarithms).")
    if conf_low > conf_high:
        raise InputError(f"conf_low is {conf_low} and conf_high is {conf_high}; are the two swapped?")
    ratio, low, high = (
        sqrt(value) if outcome == "common" else value for value in map(float, (estimate, conf_low, conf_high))
    )
    return EValue(estimate=_bound(ratio), limit=_of_limit(ratio, low, high))


def _of_limit(ratio: float, low: float, high: float) -> float:
    # Without the farther limit the nearer one alone tells that 1 lies between them.
    if low <= 1 <= high or (ratio >= 1 >= low and isnan(high)) or (ratio <= 1 <= high and isnan(low)):
        return 1.0
    nearer = low if ratio > 1 else high
    # An estimate by another method than its limits can lie on their other side; then nothing can be said.
    if isnan(nearer) or (nearer - 1) * (ratio - 1) < 0:
        return nan
    return _bound(nearer)


def _bound(ratio: float) -> float:
    if isnan(ratio):
        return nan
    above = ratio if ratio >= 1 else (1 / ratio if ratio > 0 else inf)
    return above + sqrt(above * (above - 1)) if above < inf else inf
