"""Columns of a model that say the same thing: refused before anything is fitted."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
import numpy.typing as npt

from analysis.modelling.model_terms import PER_UNIT
from analysis.modelling.patterns import INTERCEPT, Design, Parameter
from registry.errors import DataError

NOTHING_NEW: Final = 1e-8
"""A column of which less than this part is not told by the columns before it adds nothing."""
LISTED: Final = 8
"""So many levels of a column stand in a sentence."""
SHARE: Final = 1e-6
"""A column takes part in a dependence when its weight (columns of length 1) is above this."""


def refuse_collinear(design: Design) -> None:
    """Refuse a model with more coefficients than rows, an interaction without a row, or columns that depend on others.

    Parameters
    ----------
    design
        The patterns with their columns.

    Raises
    ------
    DataError
        Naming the columns and levels.

    Examples
    --------
    >>> import numpy as np
    >>> both = tuple(Parameter(name, "yes", "no") for name in ("crimp", "edge"))
    >>> matrix = np.array([[1.0, 0, 0], [1, 1, 1]])
    >>> refuse_collinear(Design(matrix, np.array([2, 2]), np.array([2, 2]), (Parameter(INTERCEPT, "", ""), *both)))
    Traceback (most recent call last):
    registry.errors.DataError: 'edge' at 'yes' cannot be told apart from 'crimp' at 'yes': ...
    """
    n, width = int((design.events + design.others).sum()), len(design.parameters)
    if n <= width:
        raise DataError(
            f"{n} rows cannot hold a model of {width} coefficients (the intercept, {_listed(design.parameters[1:])}); "
            f"leave out terms, or bring levels together."
        )
    held = {each.term for each in design.parameters}
    for parameter in design.empty:
        if parameter.term not in held:
            raise DataError(
                f"no row stands for '{parameter.term}' at '{parameter.level}', so that this interaction cannot be "
                f"estimated; leave it out, or bring levels together."
            )
    scaled = _unit_columns(design.matrix)
    triangle = np.asarray(np.linalg.qr(scaled, mode="r"))
    for place in range(width):
        rest = abs(triangle[place, place]) if place < len(triangle) else 0.0
        if rest < NOTHING_NEW:
            raise DataError(_dependence(design, scaled, place))


def _unit_columns(matrix: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Centre all but the constant column, and give each the length 1."""
    centred = matrix.copy()
    centred[:, 1:] -= centred[:, 1:].mean(axis=0)
    length = np.linalg.norm(centred, axis=0)
    size = np.linalg.norm(matrix, axis=0)
    # A column that hardly differs from a constant is left as its rounding errors.
    return np.asarray(centred / np.where(length > NOTHING_NEW * size, length, np.inf))


def _dependence(design: Design, scaled: npt.NDArray[np.float64], place: int) -> str:
    parameters = design.parameters
    weights = np.linalg.lstsq(scaled[:, :place], scaled[:, place], rcond=None)[0]
    partners = [
        parameter
        for parameter, weight in zip(parameters, weights, strict=False)
        if abs(weight) > SHARE and parameter.term != INTERCEPT
    ]
    this = parameters[place]
    if not partners and np.ptp(design.matrix[:, place]) > 0:
        return (
            f"{this.words} varies by less than a {1 / NOTHING_NEW:.0e}th of its size, which a model cannot see; "
            f"subtract a value near its middle first."
        )
    if not partners:
        return f"{this.words} is the same in all rows that can be compared; leave it out."
    terms = dict.fromkeys(f"'{each.term}'" for each in (*partners, this))
    return (
        f"{this.words} cannot be told apart from {_listed(partners)}: in the rows that can be compared the one is "
        f"known wherever the other is. Leave out one of the terms {', '.join(terms)}, or bring levels together."
    )


def _listed(parameters: Sequence[Parameter]) -> str:
    """List levels by column: 'grip' at jam, pinch; 'age'."""
    columns: dict[str, list[str]] = {}
    for each in parameters:
        columns.setdefault(each.term, []).append(each.level)
    words = [
        f"'{term}' at {_first(levels)}" if levels != [PER_UNIT] else f"'{term}'" for term, levels in columns.items()
    ]
    return "; ".join(words)


def _first(levels: Sequence[str]) -> str:
    words = ", ".join(f"'{level}'" for level in levels[:LISTED])
    return words if len(levels) <= LISTED else f"{words}, ... ({len(levels)} levels)"
