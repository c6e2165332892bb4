"""Chi-square of a table whose units come in clusters: Rao and Scott's correction by climber."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import csr_array
from scipy.stats import chi2 as chi_square

from analysis.crossing.climber_blocks import Blocks
from analysis.crossing.permutation import statistic_of

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class RaoScott:
    """A corrected chi-square.

    Attributes
    ----------
    statistic, df, p_value
        Pearson's statistic over ``design_effect`` and over 1 + a^2, a being the coefficient of variation of the
        generalised design effects; the degrees of freedom over 1 + a^2; NaN where there is no freedom.
    design_effect
        The mean of the generalised design effects: what the statistic is on average under independence, in units of
        its degrees of freedom.
    variance
        Rows by columns: linearised variance of each count less its expectation.
    """

    statistic: float
    df: float
    p_value: float
    design_effect: float
    variance: Floats


def rao_scott(blocks: Blocks) -> RaoScott:
    """Correct Pearson's statistic for climbers who repeat, and for units with several column labels.

    Parameters
    ----------
    blocks
        The units, climber by climber.

    Returns
    -------
    RaoScott. The covariance of the counts less their expectation is linearised by climber, G/(G-1).

    References
    ----------
    Rao JNK & Scott AJ 1984, Ann Stat 12:46-60 (second-order correction); Bilder CR & Loughin TM 2004, Biometrics
    60:241-248 (several labels a unit; both from memory).

    Examples
    --------
    Each unit twice: the statistic is halved, apart from G/(G-1).

    >>> twice = Blocks(climber=np.repeat(np.arange(40), 2), row=np.tile([0, 0, 0, 0, 1, 1, 1, 1], 10),
    ...                unit=np.arange(80), column=np.tile([0, 0, 0, 0, 0, 0, 1, 1], 10), shape=(2, 2))
    >>> round(rao_scott(twice).design_effect, 3)
    2.051
    """
    rows, columns = blocks.in_row > 0, blocks.in_column > 0
    free = (int(rows.sum()) - 1) * (int(columns.sum()) - (0 if blocks.several else 1))
    weighted = _weighted_covariance(blocks)
    variance = (np.diag(weighted) * blocks.expected.ravel()).reshape(blocks.shape)
    first, second = float(np.trace(weighted)), float((weighted * weighted.T).sum())
    if free < 1 or second <= 0:
        return RaoScott(statistic=np.nan, df=np.nan, p_value=np.nan, design_effect=np.nan, variance=variance)
    df = first**2 / second
    statistic = statistic_of(blocks.counts, blocks.expected) * first / second
    return RaoScott(
        statistic=statistic,
        df=df,
        p_value=float(chi_square.sf(statistic, df)),
        design_effect=first / free,
        variance=variance,
    )


def _weighted_covariance(blocks: Blocks) -> Floats:
    """Return the covariance of count - expected over the root of the expectations: cells by cells.

    A climber's part in count - row total x column total / units is linear in the climber's own counts, row and column
    totals and units, so that their sums of products over climbers are all that is needed.
    """
    r, c = blocks.shape
    cells = r * c
    climbers, units = blocks.climbers, len(blocks.row)
    of_label = blocks.climber[blocks.unit]
    down = np.concatenate([of_label, blocks.climber, of_label, blocks.climber])
    across = np.concatenate(
        [
            blocks.row[blocks.unit] * c + blocks.column,
            cells + blocks.row,
            cells + r + blocks.column,
            np.full(units, cells + r + c),
        ]
    )
    each = csr_array((np.ones(len(down)), (down, across)), shape=(climbers, cells + r + c + 1))
    products = (each.T @ each).toarray()
    row_share, column_share = blocks.in_row / units, blocks.in_column / units
    linear = np.hstack(
        [
            np.eye(cells),
            -np.kron(np.eye(r), column_share[:, None]),
            -np.kron(row_share[:, None], np.eye(c)),
            np.outer(row_share, column_share).reshape(cells, 1),
        ]
    )
    covariance = climbers / max(1, climbers - 1) * linear @ products @ linear.T
    root = np.sqrt(blocks.expected.ravel())
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled: Floats = np.where(np.outer(root, root) > 0, covariance / np.outer(root, root), 0.0)
    return scaled
