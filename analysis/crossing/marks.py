"""Cells of a cross-table that stand out: more or fewer than independence explains."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr
from scipy.stats import hypergeom

from analysis.thresholds import CONF_LEVEL

Floats = npt.NDArray[np.float64]
MORE, FEWER = "+", "-"


def marked_cells(
    counts: Any, expected: Any, residual: Any, *, in_row: Any, units: int, conf_level: float = CONF_LEVEL
) -> list[str]:
    """Mark the cells that stand out when all cells are looked at together.

    Parameters
    ----------
    counts, expected, residual
        k cells: units, expected units, adjusted residuals (NaN: not judged).
    in_row
        k totals: units in the row of each cell.
    units
        Units in the table.
    conf_level
        1 minus the chance that any cell is marked although rows and columns are independent (Holm over the cells).

    Returns
    -------
    k marks: '+' more than expected, '-' fewer, '' neither. A cell's p-value is the larger of two: that of its
    residual as a normal deviate, which knows of climbers who repeat, and the exact one given the margins
    (hypergeometric), which holds for small counts too.

    References
    ----------
    Haberman SJ 1973, Biometrics 29:205-220; MacDonald PL & Gardner RC 2000, Educ Psychol Meas 60:735-754 (cells after
    a chi-square test need a correction for their number; both from memory).

    Examples
    --------
    >>> marked_cells([30, 10, 10, 30], [20] * 4, [4.47, -4.47, -4.47, 4.47], in_row=[40] * 4, units=80)
    ['+', '-', '-', '+']
    """
    n, mean, off = (np.asarray(values, dtype=float) for values in (counts, expected, residual))
    judged = ~np.isnan(off) & (mean > 0)
    values = np.full(n.shape, np.nan)
    exact = _exact(n[judged], mean[judged], np.asarray(in_row, dtype=float)[judged], units)
    values[judged] = np.maximum(2 * ndtr(-np.abs(off[judged])), exact)
    stands_out = _stands_out(values, 1 - conf_level)
    return [(MORE if far > 0 else FEWER) if out else "" for far, out in zip(off, stands_out, strict=True)]


def _stands_out(p_values: Floats, chance: float) -> npt.NDArray[np.bool_]:
    """Apply Holm's step-down rule; NaN never stands out.

    ``adjust_p`` gives the same answer, but loads a large library and takes a quarter of a second at each call.
    """
    order = np.argsort(p_values)[: int((~np.isnan(p_values)).sum())]
    held = p_values[order] * np.arange(len(order), 0, -1) <= chance
    out = np.zeros(p_values.shape, dtype=bool)
    out[order[: len(held) if held.all() else int(np.argmin(held))]] = True
    return out


def _exact(counts: Floats, expected: Floats, in_row: Floats, units: int) -> Floats:
    """Return twice the smaller tail; where no column total has this expectation, the larger of the two beside it."""
    columns = expected * units / np.maximum(in_row, 1)
    # Rounding must not split a whole number into two.
    near = np.round(columns)
    columns = np.where(np.abs(columns - near) < 1e-6, near, columns)
    tails = []
    for total in (np.floor(columns), np.ceil(columns)):
        given = hypergeom(units, np.minimum(total, units), in_row)
        tails.append(np.minimum(1.0, 2 * np.minimum(given.sf(counts - 1), given.cdf(counts))))
    larger: Floats = np.maximum(*tails)
    return larger
