"""P-values of several questions asked at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any, Final, Literal

import numpy as np
import numpy.typing as npt
import pandas as pd

from analysis.given_counts import chosen
from registry.errors import InputError

Adjustment = Literal[
    "holm", "benjamini_hochberg", "benjamini_yekutieli", "hochberg", "hommel", "bonferroni", "bh", "by"
]

_NAMES_BELOW: Final = {
    "holm": "holm",
    "benjamini_hochberg": "fdr_bh",
    "benjamini_yekutieli": "fdr_by",
    "hochberg": "simes-hochberg",
    "hommel": "hommel",
    "bonferroni": "bonferroni",
}
"""What statsmodels calls them."""
OTHER_NAMES: Final = {
    "bh": "benjamini_hochberg",
    "fdr": "benjamini_hochberg",
    "fdr_bh": "benjamini_hochberg",
    "by": "benjamini_yekutieli",
    "fdr_by": "benjamini_yekutieli",
    "holm_bonferroni": "holm",
}


def adjust_p(values: Iterable[float] | Mapping[Any, float], *, method: Adjustment = "holm") -> npt.NDArray[np.float64]:
    """Adjust p-values for how many questions were asked.

    Parameters
    ----------
    values
        m p-values of one family: a list, a Series, or a mapping whose values they are. What is missing (NaN, None)
        stays NaN and is no member of the family.
    method
        holm, hochberg, hommel, bonferroni: the chance of any false finding. benjamini_hochberg (bh),
        benjamini_yekutieli (by): the expected share of false findings; the second under any dependence.
        Capitals and hyphens do not count.

    Returns
    -------
    Array of m adjusted values, in the order given.

    Raises
    ------
    InputError
        When a value is not a number between 0 and 1.
    OptionError
        When the method does not exist.

    References
    ----------
    Holm S 1979, Scand J Stat 6:65-70. Hochberg Y 1988, Biometrika 75:800-802. Hommel G 1988, Biometrika 75:383-386.
    Benjamini Y & Hochberg Y 1995, J R Stat Soc B 57:289-300. Benjamini Y & Yekutieli D 2001, Ann Stat 29:1165-1188
    (all from memory).

    Examples
    --------
    >>> adjust_p([0.01, 0.04, 0.03], method="holm").round(3).tolist()
    [0.03, 0.06, 0.06]
    """
    word = chosen(method, _NAMES_BELOW, "method", aliases=OTHER_NAMES)
    raw = np.array([_number(value) for value in _listed(values)], dtype=float)
    family = ~np.isnan(raw)
    outside = int(((raw[family] < 0) | (raw[family] > 1)).sum())
    if outside:
        raise InputError(f"{outside} of {raw.size} values lie outside 0 to 1; a p-value cannot.")
    adjusted = np.full(raw.shape, np.nan)
    if family.any():
        from statsmodels.stats.multitest import multipletests  # a second to import, for those who ask only

        adjusted[family] = multipletests(raw[family], method=_NAMES_BELOW[word])[1]
    return adjusted


def _listed(values: Any) -> list[Any]:
    if isinstance(values, (str, bytes)) or not isinstance(values, Iterable):
        raise InputError(f"values is given as {type(values).__name__}; give a list of p-values, such as [0.01, 0.2].")
    return list(values.values()) if isinstance(values, Mapping) else list(values)


def _number(value: Any) -> float:
    if value is None or value is pd.NA:
        return float("nan")
    try:
        if isinstance(value, (bool, np.bool_, str)):
            raise TypeError
        return float(value)
    except (TypeError, ValueError):
        raise InputError("values holds something that is no number; p-values between 0 and 1 are needed.") from None
