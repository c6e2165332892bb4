"""P-values of several questions asked at once."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

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


def adjust_p(values: Iterable[float], *, method: Adjustment = "holm") -> npt.NDArray[np.float64]:
    """Adjust p-values for how many questions were asked.

    Parameters
    ----------
    values
        m p-values of one family. NaN stays NaN and is no member of the family.
    method
        holm, hochberg, hommel, bonferroni: the chance of any false finding. benjamini_hochberg (bh),
        benjamini_yekutieli (by): the expected share of false findings; the second under any dependence.

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
    word = chosen(method, _NAMES_BELOW, "method", aliases={"bh": "benjamini_hochberg", "by": "benjamini_yekutieli"})
    try:
        raw = np.array([np.nan if value is None else float(value) for value in values], dtype=float)
    except (TypeError, ValueError):
        raise InputError("values holds something that is no number; p-values between 0 and 1 are needed.") from None
    family = ~np.isnan(raw)
    outside = int(((raw[family] < 0) | (raw[family] > 1)).sum())
    if outside:
        raise InputError(f"{outside} of {raw.size} values lie outside 0 to 1; a p-value cannot.")
    adjusted = np.full(raw.shape, np.nan)
    if family.any():
        from statsmodels.stats.multitest import multipletests  # a second to import, for those who ask only

        adjusted[family] = multipletests(raw[family], method=_NAMES_BELOW[word])[1]
    return adjusted
