"""How far two independent proportions lie apart, with limits that hold for small samples."""

from __future__ import annotations

from collections.abc import Callable
from math import hypot, sqrt
from typing import Final, Literal

import numpy as np
import pandas as pd
from scipy.optimize import brentq

from analysis.given_counts import chosen, so_many_of
from analysis.proportion_limits import score_limits
from analysis.proportions import normal_quantile
from analysis.results import Interval, Note
from analysis.thresholds import CONF_LEVEL

Limits = tuple[float, float]
Counts = tuple[int, int, int, int]
DifferenceMethod = Literal["newcombe", "miettinen_nurminen", "mee", "agresti_caffo", "wald"]
OTHER_NAMES: Final = {"newcombe10": "newcombe", "hybrid_score": "newcombe", "mn": "miettinen_nurminen"}
"""Of the methods. "score" stays refused: both Miettinen-Nurminen and Mee are called so."""

HALVINGS: Final = 60
"""Of an interval of length 2: more than double precision can tell apart."""


def difference(
    n1: int,
    of1: int,
    n2: int,
    of2: int,
    *,
    method: DifferenceMethod = "newcombe",
    conf_level: float = CONF_LEVEL,
) -> Interval:
    """Give the difference n1 / of1 - n2 / of2 of two independent proportions with its limits.

    Parameters
    ----------
    n1, of1, n2, of2
        Counts: so many of so many in the first and in the second group.
    method
        newcombe (hybrid score, method 10), miettinen_nurminen (score, with the factor N / (N - 1)), mee (score
        without that factor), agresti_caffo, wald. Capitals, hyphens and spaces do not count; mn is
        miettinen_nurminen.
    conf_level
        Level of the limits.

    Returns
    -------
    Interval. ``table``: n1, of1, n2, of2, method, estimate, conf_low, conf_high. With an empty group these are
    NaN, with the note no_units. Limits of wald and agresti_caffo are not cut at -1 and 1; where they overstep, the
    note limit_outside says so. Wald's has no width where both shares are 0 or 1: the note no_width.

    Raises
    ------
    InputError
        When a count is not a whole number of 0 or more, or a part is more than its whole.
    OptionError
        When the method does not exist or the level lies outside 0 to 1.

    References
    ----------
    Newcombe RG 1998, Stat Med 17:873-890 (methods 5, 10). Miettinen O & Nurminen M 1985, Stat Med 4:213-226. Mee RW
    1984, Biometrics 40:1175-1176. Agresti A & Caffo B 2000, Am Stat 54:280-288 (all from memory). Papers that print
    "Miettinen-Nurminen" limits sometimes mean Mee's: Fagerland, Lydersen & Laake 2015, SMMR 24:224-254.

    Examples
    --------
    >>> apart = difference(56, 70, 48, 80)
    >>> round(apart.estimate, 4), round(apart.conf_low, 4), round(apart.conf_high, 4)
    (0.2, 0.0524, 0.3339)
    """
    n1, of1 = so_many_of(n1, of1, names=("n1", "of1"))
    n2, of2 = so_many_of(n2, of2, names=("n2", "of2"))
    word = chosen(method, _LIMITS, "method", aliases=OTHER_NAMES)
    z = normal_quantile(conf_level)
    counts = (n1, of1, n2, of2)
    comparable = of1 > 0 and of2 > 0
    estimate = n1 / of1 - n2 / of2 if comparable else np.nan
    low, high = _LIMITS[word](counts, z) if comparable else (np.nan, np.nan)
    row = dict(zip(("n1", "of1", "n2", "of2"), counts, strict=True))
    return Interval(
        table=pd.DataFrame([{**row, "method": word, "estimate": estimate, "conf_low": low, "conf_high": high}]),
        method=(
            f"Difference of the proportions {n1} of {of1} and {n2} of {of2} with {conf_level * 100:g} % "
            f"{_NAMES[word]} limits."
        ),
        unit="units",
        conf_level=conf_level,
        n_rows_in=of1 + of2,
        n_rows_used=of1 + of2,
        notes=_notes(low, high, comparable=comparable, name=_NAMES[word]),
    )


def _notes(low: float, high: float, *, comparable: bool, name: str) -> tuple[Note, ...]:
    if not comparable:
        return (Note("no_units", "A group has no units: there is nothing to compare, and no limits."),)
    notes = []
    if low < -1 or high > 1:
        sentence = f"A {name} limit lies outside -1 to 1, as its formula has it; Newcombe's never does."
        notes.append(Note("limit_outside", sentence))
    if low == high:
        sentence = f"The {name} limits have no width because both shares are 0 or 1; use another method."
        notes.append(Note("no_width", sentence))
    return tuple(notes)


def _wald(counts: Counts, z: float) -> Limits:
    n1, of1, n2, of2 = counts
    share1, share2 = n1 / of1, n2 / of2
    half = z * sqrt(share1 * (1 - share1) / of1 + share2 * (1 - share2) / of2)
    return share1 - share2 - half, share1 - share2 + half


def _agresti_caffo(counts: Counts, z: float) -> Limits:
    n1, of1, n2, of2 = counts
    return _wald((n1 + 1, of1 + 2, n2 + 1, of2 + 2), z)


def _newcombe(counts: Counts, z: float) -> Limits:
    n1, of1, n2, of2 = counts
    share1, share2 = n1 / of1, n2 / of2
    (low1, high1), (low2, high2) = _wilson(n1, of1, z), _wilson(n2, of2, z)
    apart = share1 - share2
    low = apart - hypot(share1 - low1, high2 - share2)
    high = apart + hypot(high1 - share1, share2 - low2)
    return max(-1.0, low), min(1.0, high)


def _wilson(n: int, of: int, z: float) -> Limits:
    low, high = score_limits(np.array(float(n)), np.array(float(of)), z=z, size=np.array(float(of)))
    return float(low), float(high)


def _miettinen_nurminen(counts: Counts, z: float) -> Limits:
    total = counts[1] + counts[3]
    return _score_limits(counts, z, factor=total / (total - 1))


def _mee(counts: Counts, z: float) -> Limits:
    return _score_limits(counts, z, factor=1.0)


def _score_limits(counts: Counts, z: float, *, factor: float) -> Limits:
    """Find the differences that a score test just does not reject.

    statsmodels 0.15 offers these limits with a wrong restricted estimate of the shares; hence our own.
    """
    n1, of1, n2, of2 = counts
    apart = n1 / of1 - n2 / of2

    def accepted(candidate: float) -> bool:
        share2 = _restricted_share(counts, candidate)
        share1 = min(1.0, max(0.0, share2 + candidate))
        variance = factor * (share1 * (1 - share1) / of1 + share2 * (1 - share2) / of2)
        return (apart - candidate) ** 2 <= z**2 * variance

    return _last_accepted(accepted, apart, -1.0), _last_accepted(accepted, apart, 1.0)


def _last_accepted(accepted: Callable[[float], bool], inside: float, outside: float) -> float:
    """Halve between the estimate, which is always accepted, and the end of the scale."""
    if accepted(outside):
        return outside
    for _ in range(HALVINGS):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if accepted(middle) else (inside, middle)
    return inside


def _restricted_share(counts: Counts, apart: float) -> float:
    """Estimate the second share by maximum likelihood when the first is to be ``apart`` higher."""
    n1, of1, n2, of2 = counts
    lowest, highest = max(0.0, -apart), min(1.0, 1.0 - apart)

    def slope(share: float) -> float:
        # Of the log likelihood; it falls all the way, so that its sign alone tells where the maximum lies.
        first = min(1.0, max(0.0, share + apart))
        return _over(n1, first) - _over(of1 - n1, 1 - first) + _over(n2, share) - _over(of2 - n2, 1 - share)

    inner = 1e-15 * max(1.0, highest - lowest)
    if highest - lowest <= 2 * inner or slope(lowest + inner) <= 0:
        return lowest
    if slope(highest - inner) >= 0:
        return highest
    return float(brentq(slope, lowest + inner, highest - inner, xtol=1e-16))


def _over(count: int, share: float) -> float:
    return count / max(share, 1e-300) if count else 0.0


_LIMITS: Final[dict[str, Callable[[Counts, float], Limits]]] = {
    "newcombe": _newcombe,
    "miettinen_nurminen": _miettinen_nurminen,
    "mee": _mee,
    "agresti_caffo": _agresti_caffo,
    "wald": _wald,
}
_NAMES: Final = {
    "newcombe": "Newcombe hybrid score",
    "miettinen_nurminen": "Miettinen-Nurminen score (with the factor N / (N - 1))",
    "mee": "Mee score (without the factor N / (N - 1))",
    "agresti_caffo": "Agresti-Caffo",
    "wald": "Wald",
}
