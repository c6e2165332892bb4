"""Two risks compared: their ratio, their difference, the odds ratio, and how many exposed make one more event."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from math import exp, inf, isnan, log, nan, sqrt
from typing import Any, Final

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.special import ndtr

from analysis.differences import difference
from analysis.given_counts import so_many_of
from analysis.proportions import normal_quantile
from analysis.results import Note, Result
from analysis.thresholds import CONF_LEVEL, MIN_EVENTS
from analysis.two_by_two import TwoByTwo, woolf
from registry.errors import OptionError

RISK_COLUMNS: Final = (
    "measure",
    "method",
    "estimate",
    "conf_low",
    "conf_high",
    "std_error",
    "p_value",
    "through_infinity",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Risks(Result):
    """Two risks compared.

    table
        One row for each measure and method: measure (risk_ratio, risk_difference, odds_ratio, number_needed,
        attributable_fraction), method, estimate, conf_low, conf_high, std_error (of the logarithm for ratios), p_value,
        through_infinity. Where this last one is true the numbers needed that fit are those at or below conf_low (one
        event fewer) and at or above conf_high (one event more).
    """

    n1: int
    of1: int
    n2: int
    of2: int

    def row(self, measure: str, method: str) -> pd.Series[Any]:
        """Return one line of the table; OptionError where there is none."""
        here = (self.table["measure"] == measure) & (self.table["method"] == method)
        if not here.any():
            listed = ", ".join(f"{line.measure} {line.method}" for line in self.table.itertuples())
            raise OptionError(f"no measure '{measure}' by method '{method}'; there are {listed}.")
        return self.table[here].iloc[0]


def risks(n1: int, of1: int, n2: int, of2: int, *, conf_level: float = CONF_LEVEL) -> Risks:
    """Compare the risk n1 / of1 (exposed) with the risk n2 / of2 (reference).

    Parameters
    ----------
    n1, of1, n2, of2
        Counts: so many with the event of so many, in the exposed and in the reference group. Both groups are followed
        or drawn whole: among cases and chosen referents only the odds ratio means anything.
    conf_level
        Level of the limits.

    Returns
    -------
    Risks. Methods: risk_ratio katz (logarithm), score (Koopman) and miettinen_nurminen (score with the factor
    N / (N - 1)); risk_difference wald and newcombe; odds_ratio woolf; number_needed wald and newcombe (the limits of
    the difference turned over); attributable_fraction (among the exposed) katz. What cannot be computed is NaN and has
    a note.

    Raises
    ------
    InputError
        When a count is not a whole number of 0 or more, or a part is more than its whole.
    OptionError
        When the level lies outside 0 to 1.

    References
    ----------
    Katz D et al. 1978, Biometrics 34:469-474. Koopman PAR 1984, Biometrics 40:513-517. Miettinen O & Nurminen M 1985,
    Stat Med 4:213-226. Newcombe RG 1998, Stat Med 17:873-890. Altman DG 1998, BMJ 317:1309-1312 (numbers needed
    through infinity; all from memory).

    Examples
    --------
    >>> compared = risks(189, 11034, 104, 11037)
    >>> round(float(compared.row("risk_ratio", "katz")["estimate"]), 3)
    1.818
    >>> round(compared.row("number_needed", "wald")["conf_low"])
    93
    """
    n1, of1 = so_many_of(n1, of1, names=("n1", "of1"))
    n2, of2 = so_many_of(n2, of2, names=("n2", "of2"))
    z = normal_quantile(conf_level)
    differences = [
        _line("risk_difference", method, *_apart(n1, of1, n2, of2, method, conf_level))
        for method in ("wald", "newcombe")
    ]
    katz = _katz(n1, of1, n2, of2, z)
    lines = [
        katz,
        _score(n1, of1, n2, of2, z, method="score"),
        _score(n1, of1, n2, of2, z, method="miettinen_nurminen"),
        *differences,
        _odds(n1, of1, n2, of2, conf_level),
        *(_needed(line) for line in differences),
        _attributable(katz),
    ]
    table = pd.DataFrame(lines, columns=list(RISK_COLUMNS))
    return Risks(
        table=table,
        method=(
            f"Risk of the exposed ({n1} of {of1}) against that of the reference ({n2} of {of2}): ratio with Katz's and "
            f"score limits, difference with Wald and Newcombe limits, odds ratio with Woolf's, numbers needed from the "
            f"limits of the difference."
        ),
        unit="units",
        conf_level=conf_level,
        n_rows_in=of1 + of2,
        n_rows_used=of1 + of2,
        notes=_notes(table, (n1, of1, n2, of2)),
        n1=n1,
        of1=of1,
        n2=n2,
        of2=of2,
    )


def _line(
    measure: str,
    method: str,
    estimate: float,
    low: float,
    high: float,
    error: float = nan,
    p_value: float = nan,
    *,
    through_infinity: bool = False,
) -> dict[str, Any]:
    values = (measure, method, float(estimate), float(low), float(high), float(error), float(p_value), through_infinity)
    return dict(zip(RISK_COLUMNS, values, strict=True))


def _two_sided(statistic: float) -> float:
    return float(2 * ndtr(-abs(statistic)))


def _ratio(n1: int, of1: int, n2: int, of2: int) -> float:
    if 0 in (of1, of2) or n1 == n2 == 0:
        return nan
    return inf if n2 == 0 else n1 * of2 / (n2 * of1)


def _katz(n1: int, of1: int, n2: int, of2: int, z: float) -> dict[str, Any]:
    ratio = _ratio(n1, of1, n2, of2)
    if 0 in (n1, n2):
        return _line("risk_ratio", "katz", ratio, nan, nan)
    error = sqrt(1 / n1 - 1 / of1 + 1 / n2 - 1 / of2)
    p_value = _two_sided(log(ratio) / error) if error > 0 else nan
    return _line("risk_ratio", "katz", ratio, ratio * exp(-z * error), ratio * exp(z * error), error, p_value)


def _score(n1: int, of1: int, n2: int, of2: int, z: float, *, method: str) -> dict[str, Any]:
    ratio = _ratio(n1, of1, n2, of2)
    if isnan(ratio):
        return _line("risk_ratio", method, nan, nan, nan)
    total = of1 + of2
    share = (total - 1) / total if method == "miettinen_nurminen" else 1.0

    def off(log_ratio: float) -> float:
        return share * _score_chi2(n1, of1, n2, of2, exp(log_ratio)) - z * z

    middle = log(ratio) if 0 < ratio < inf else log((n1 + 0.5) * (of2 + 1) / ((n2 + 0.5) * (of1 + 1)))
    low = exp(_crossing(off, middle, -1)) if n1 else 0.0
    high = exp(_crossing(off, middle, 1)) if n2 else inf
    p_value = _two_sided(sqrt(share * _score_chi2(n1, of1, n2, of2, 1.0)))
    return _line("risk_ratio", method, ratio, low, high, nan, p_value)


def _score_chi2(n1: int, of1: int, n2: int, of2: int, ratio: float) -> float:
    """Return the score statistic of the hypothesis that the risks have this ratio."""
    middle = of1 * ratio + n1 + of2 + n2 * ratio
    root = sqrt(max(0.0, middle * middle - 4 * (of1 + of2) * ratio * (n1 + n2)))
    # The smaller root, in the form that loses no digits.
    risk2 = min(1.0, 2 * (n1 + n2) / (middle + root))
    risk1 = min(1.0, ratio * risk2)
    variance = risk1 * (1 - risk1) / of1 + ratio * ratio * risk2 * (1 - risk2) / of2
    gap = n1 / of1 - ratio * n2 / of2
    if variance <= 0:
        return 0.0 if abs(gap) < 1e-12 else inf
    return gap * gap / variance


def _crossing(off: Callable[[float], float], inside: float, side: int) -> float:
    step = 0.5
    while off(inside) > 0:
        # A start beyond the limit happens only at an empty cell, where the other side has no limit.
        inside -= side * step
        step *= 2
    step, outside = 0.5, inside + side * 0.5
    while off(outside) < 0:
        step *= 2
        outside += side * step
    return float(brentq(off, inside, outside, xtol=1e-13, rtol=8.9e-16))


def _apart(
    n1: int, of1: int, n2: int, of2: int, method: str, conf_level: float
) -> tuple[float, float, float, float, float]:
    apart = difference(n1, of1, n2, of2, method=method, conf_level=conf_level)  # type: ignore[arg-type]
    error = p_value = nan
    if method == "wald" and 0 not in (of1, of2):
        risk1, risk2 = n1 / of1, n2 / of2
        error = sqrt(risk1 * (1 - risk1) / of1 + risk2 * (1 - risk2) / of2)
        p_value = _two_sided(apart.estimate / error) if error > 0 else nan
    return apart.estimate, apart.conf_low, apart.conf_high, error, p_value


def _odds(n1: int, of1: int, n2: int, of2: int, conf_level: float) -> dict[str, Any]:
    ratio = woolf(TwoByTwo(n1, of1 - n1, n2, of2 - n2), conf_level=conf_level)
    values = (ratio.estimate, ratio.conf_low, ratio.conf_high, ratio.std_error, ratio.p_value)
    return _line("odds_ratio", "woolf", *values)


def _needed(apart: dict[str, Any]) -> dict[str, Any]:
    with np.errstate(divide="ignore"):
        estimate, one, other = (float(np.divide(1.0, apart[key])) for key in ("estimate", "conf_low", "conf_high"))
    through = bool(apart["conf_low"] <= 0 <= apart["conf_high"])
    low, high = (one, other) if through else (other, one)
    # A limit of exactly 0 is approached from inside the interval.
    low = -inf if through and apart["conf_low"] == 0 else low
    return _line("number_needed", apart["method"], estimate, low, high, through_infinity=through)


def _attributable(katz: dict[str, Any]) -> dict[str, Any]:
    values = (1 - 1 / value if value else -inf for value in (katz["estimate"], katz["conf_low"], katz["conf_high"]))
    return _line("attributable_fraction", "katz", *values)


def _notes(table: pd.DataFrame, counts: tuple[int, int, int, int]) -> tuple[Note, ...]:
    n1, of1, n2, of2 = counts
    if 0 in (of1, of2):
        return (Note("no_units", "A group has no units: there is nothing to compare."),)
    notes = []
    if 0 in (n1, n2, of1 - n1, of2 - n2):
        sentence = (
            "A cell is empty: limits that rest on a logarithm or on Wald's error are missing or have no width; the "
            "score limits of the ratio (where any event happened) and Newcombe's of the difference stand."
        )
        notes.append(Note("zero_cell", sentence))
    if min(n1 + n2, of1 + of2 - n1 - n2) < MIN_EVENTS:
        notes.append(
            Note("few_events", f"Fewer than {MIN_EVENTS} events, or units without the event, stand behind it.")
        )
    elif 0 < min(n1, n2, of1 - n1, of2 - n2) < MIN_EVENTS:
        sentence = (
            f"One of the groups has fewer than {MIN_EVENTS} events, or units without the event: read the score and "
            f"Newcombe limits."
        )
        notes.append(Note("sparse_cells", sentence))
    if table["through_infinity"].any():
        sentence = (
            "Limits of the difference lie on both sides of 0: the numbers needed that fit run from the upper value to "
            "infinity (one event more) and from minus infinity to the lower value (one event fewer)."
        )
        notes.append(Note("through_infinity", sentence))
    return tuple(notes)
