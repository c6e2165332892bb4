"""Shares of several classes at once: limits that all hold together."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy.stats import chi2, norm, poisson

from analysis.given_counts import chosen, whole_number
from analysis.proportion_limits import score_limits
from analysis.proportions import normal_quantile
from analysis.results import Note, Result
from analysis.thresholds import CONF_LEVEL
from registry.errors import InputError

Array = npt.NDArray[np.float64]
SimultaneousMethod = Literal["sison_glaz", "goodman", "quesenberry_hurst"]

OTHER_NAMES: Final = {"sg": "sison_glaz", "qh": "quesenberry_hurst"}

FIRST_REACH: Final = 4
"""Half-widths up to so many deviations of the largest count, plus so many, are tried first."""


def simultaneous_proportions(
    counts: Sequence[int] | Mapping[Any, int] | pd.Series[Any],
    *,
    method: SimultaneousMethod = "sison_glaz",
    conf_level: float = CONF_LEVEL,
) -> Result:
    """Give the shares of the classes of one whole, with limits that hold for all of them together.

    Parameters
    ----------
    counts
        k counts, one a class: a list, or a mapping or Series whose keys name the classes. Each unit is in exactly
        one class, and the units are independent.
    method
        sison_glaz (narrowest; not below the estimate by more than above), goodman, quesenberry_hurst (widest).
    conf_level
        Level at which all limits hold at once.

    Returns
    -------
    Result. ``table``: class, n, of, estimate, conf_low, conf_high. With no units they are NaN, with the note
    no_units; a single class is all there is, with limits 1 and the note one_class.

    Raises
    ------
    InputError
        When there is no class, or a count is not a whole number of 0 or more.
    OptionError
        When the method does not exist or the level lies outside 0 to 1.

    References
    ----------
    Sison CP & Glaz J 1995, J Am Stat Assoc 90:366-369. Goodman LA 1965, Technometrics 7:247-254. Quesenberry CP &
    Hurst DC 1964, Technometrics 6:191-195 (the last two from memory).

    Examples
    --------
    >>> shares = simultaneous_proportions({"ring": 23, "middle": 12, "little": 5}, method="goodman").table
    >>> shares.round(3)[["class", "estimate", "conf_low", "conf_high"]].to_numpy().tolist()[0]
    ['ring', 0.575, 0.39, 0.741]
    """
    labels, values = _classes(counts)
    word = chosen(method, _LIMITS, "method", aliases=OTHER_NAMES)
    limits = simultaneous_limits(values, method=method, conf_level=conf_level)
    of = int(values.sum())
    shares = values / of if of else np.full(values.shape, np.nan)
    table = pd.DataFrame(
        {
            "class": labels,
            "n": values,
            "of": of,
            "estimate": shares,
            "conf_low": limits[:, 0],
            "conf_high": limits[:, 1],
        }
    )
    return Result(
        table=table,
        method=(
            f"Shares of {of} in {len(labels)} classes with {conf_level * 100:g} % simultaneous limits ({_NAMES[word]})."
        ),
        unit="units",
        conf_level=conf_level,
        n_rows_in=of,
        n_rows_used=of,
        notes=_notes(table),
    )


def simultaneous_limits(
    counts: Any, *, method: SimultaneousMethod = "sison_glaz", conf_level: float = CONF_LEVEL
) -> Array:
    """Compute limits of k shares that hold together.

    Parameters
    ----------
    counts
        k whole numbers, one a class.
    method, conf_level
        As in ``simultaneous_proportions``.

    Returns
    -------
    Array k x 2 (low, high) in [0, 1]; NaN where the counts add up to 0.

    Raises
    ------
    OptionError
        When the method does not exist or the level lies outside 0 to 1.

    Examples
    --------
    >>> simultaneous_limits([23, 12, 5]).round(3).tolist()
    [[0.45, 0.748], [0.175, 0.473], [0.0, 0.298]]
    """
    word = chosen(method, _LIMITS, "method", aliases=OTHER_NAMES)
    normal_quantile(conf_level)
    values = np.asarray(counts, dtype=float)
    if not values.sum():
        return np.full((len(values), 2), np.nan)
    if len(values) == 1:
        return np.ones((1, 2))
    return _LIMITS[word](values, conf_level)


def _classes(counts: Any) -> tuple[list[Any], npt.NDArray[np.int64]]:
    if isinstance(counts, (Mapping, pd.Series)):
        labels, raw = list(counts.keys()), list(counts.values() if isinstance(counts, Mapping) else counts)
    else:
        try:
            raw = list(counts)
        except TypeError:
            given = type(counts).__name__
            raise InputError(f"counts is given as {given}; give a list with one count for each class.") from None
        labels = list(range(1, len(raw) + 1))
    if not raw:
        raise InputError("counts is empty; give one count for each class.")
    values = [whole_number(value, f"the count of class '{label}'") for label, value in zip(labels, raw, strict=True)]
    return labels, np.array(values, dtype=np.int64)


def _notes(table: pd.DataFrame) -> tuple[Note, ...]:
    if not table["n"].sum():
        return (Note("no_units", "All counts are 0: there are no shares of nothing, and no limits."),)
    if len(table) == 1:
        return (Note("one_class", "There is one class only; its share is 1 by definition, not by observation."),)
    if ((table["n"] > 0) & (table["conf_low"] == table["estimate"])).any():
        sentence = (
            "Sison-Glaz limits do not reach below an estimate here, as there are few units or nearly all are in one "
            "class; Goodman's do."
        )
        return (Note("too_few_for_sison_glaz", sentence),)
    return ()


def _goodman(counts: Array, conf_level: float) -> Array:
    return _score(counts, float(chi2.isf((1 - conf_level) / len(counts), 1)))


def _quesenberry_hurst(counts: Array, conf_level: float) -> Array:
    return _score(counts, float(chi2.isf(1 - conf_level, len(counts) - 1)))


def _score(counts: Array, square: float) -> Array:
    total = np.full(counts.shape, counts.sum())
    return score_limits(counts, total, z=square**0.5, size=total)


def _sison_glaz(counts: Array, conf_level: float) -> Array:
    width, part = _half_width(counts, conf_level)
    shares = counts / counts.sum()
    low = np.maximum(0.0, shares - width / counts.sum())
    return np.stack([low, np.minimum(1.0, shares + (width + 2 * part) / counts.sum())], axis=-1)


def _half_width(counts: Array, conf_level: float) -> tuple[float, float]:
    """Find the last half-width c whose box is not above the level, and how far towards c + 1 the level lies."""
    total = int(counts.sum())
    reach = int(FIRST_REACH * counts.max() ** 0.5) + FIRST_REACH
    while True:
        widths = np.arange(1, reach + 1)
        # The expansion can stay below the level in tiny samples, but a box as wide as the sample holds everything.
        inside = np.where(widths < total, _box_probability(counts, reach), 1.0)
        before = np.concatenate([[0.0], inside[:-1]])
        # It can also wobble there: the first crossing counts, as in the published algorithm.
        crossing = np.flatnonzero((before <= conf_level) & (inside > conf_level))
        if crossing.size:
            at = int(crossing[0])
            return float(at), float((conf_level - before[at]) / (inside[at] - before[at]))
        reach *= 2


def _box_probability(counts: Array, reach: int) -> Array:
    """Approximate the probability that every class lies within c of its count, for c = 1 to ``reach``.

    Sison & Glaz 1995, formula 1: independent Poisson counts truncated to the box, whose sum is n by an Edgeworth
    expansion. The moments are summed around the count and outwards, one step a width: the usual factorial moments
    cancel to nothing at a million cases, and the widths come one after another anyway.
    """
    steps = np.arange(reach + 1.0)
    above = poisson.pmf(counts[:, None] + steps, counts[:, None])
    below = np.where(steps > 0, poisson.pmf(counts[:, None] - steps, counts[:, None]), 0.0)
    box, first, second, third, fourth = (
        np.cumsum(steps**order * (above + (-1) ** order * below), axis=1)[:, 1:] for order in range(5)
    )
    first, second, third, fourth = first / box, second / box, third / box, fourth / box
    variance = second - first**2
    skew = third - 3 * first * second + 2 * first**3
    excess = fourth - 4 * first * third + 6 * first**2 * second - 3 * first**4 - 3 * variance**2
    spread = variance.sum(axis=0)
    gamma1, gamma2 = skew.sum(axis=0) / spread**1.5, excess.sum(axis=0) / spread**2
    x = -first.sum(axis=0) / np.sqrt(spread)
    expansion = (
        1
        + gamma1 * (x**3 - 3 * x) / 6
        + gamma2 * (x**4 - 6 * x**2 + 3) / 24
        + gamma1**2 * (x**6 - 15 * x**4 + 45 * x**2 - 15) / 72
    )
    total = counts.sum()
    whole = np.exp(np.log(box).sum(axis=0) - poisson.logpmf(total, total))
    return np.asarray(whole * norm.pdf(x) * expansion / np.sqrt(spread))


_LIMITS: Final[dict[str, Callable[[Array, float], Array]]] = {
    "sison_glaz": _sison_glaz,
    "goodman": _goodman,
    "quesenberry_hurst": _quesenberry_hurst,
}
_NAMES: Final = {"sison_glaz": "Sison-Glaz", "goodman": "Goodman", "quesenberry_hurst": "Quesenberry-Hurst"}
