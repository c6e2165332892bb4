"""The penalised likelihood of a logistic regression: its height, its top, and how it falls off along a coefficient.

Every maximum is sought in columns made orthonormal first, so that neither units nor an origin far away cost digits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any, Final

import numpy as np
import numpy.typing as npt
from scipy.optimize import brentq
from scipy.special import expit

from registry.errors import DataError

Array = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

MAX_STEPS: Final = 500
FARTHEST: Final = 5.0
"""A step moves no pattern's log odds by more than this: far out the information is flat and a full step overshoots."""
HALVINGS: Final = 40
SCORING_STEPS: Final = 12
"""After so many steps with Fisher's information, which leaves the penalty's own curvature out, the whole curvature
takes its place: far from the estimate the penalty bends as much as the likelihood."""
NEARBY: Final = 1e-4
"""Distance, in standard errors, over which the curvature is taken from differences of the score."""
TOLERANCE: Final = 1e-10
"""The score at which a maximum counts as reached; in orthonormal columns it has no unit."""
SETTLED: Final = 1e-3
"""A step that changes no log odds by more than this, where rounding lets no step rise further, is the top: the height
is flat there, and what is left to gain lies far below what a limit needs."""
DEPENDENT: Final = 1e-10
"""A column whose part that the others do not explain is below this share of its length is one of them."""


@dataclass(frozen=True, eq=False)
class Point:
    """The penalised likelihood at a place, in orthonormal columns."""

    height: float
    score: Array
    information: Array


@dataclass(frozen=True, kw_only=True, eq=False)
class PenalisedModel:
    """A logistic regression with Firth's penalty, over p covariate patterns and k coefficients.

    Examples
    --------
    >>> model = PenalisedModel.of([[1, 0], [1, 1]], [4, 7], [3, 0])
    >>> place, _ = model.climb(np.zeros(2))
    >>> model.coefficients(place).round(3).tolist()
    [0.251, 2.457]
    """

    columns: Array
    """p by k, orthonormal over the rows: columns' diag(totals) columns = 1."""
    triangle: Array
    """matrix = columns triangle; upper triangular, so that the last coefficient is a multiple of the last place."""
    events: Array
    totals: Array

    @classmethod
    def of(cls, matrix: Any, events: Any, others: Any) -> PenalisedModel:
        """Check shapes and columns and make the columns orthonormal; DataError where that fails."""
        design = np.asarray(matrix, dtype=float)
        happened, rest = np.asarray(events, dtype=float), np.asarray(others, dtype=float)
        if design.ndim != 2 or not len(design) == len(happened) == len(rest):
            raise DataError(
                f"a matrix of shape {design.shape} does not go with {happened.size} counts of events and {rest.size} "
                f"of others; give one row and two counts for each pattern."
            )
        totals = happened + rest
        patterns, width = int((totals > 0).sum()), design.shape[1]
        if patterns < width:
            raise DataError(f"{patterns} patterns with rows cannot tell {width} coefficients apart; leave columns out.")
        weighted = design * np.sqrt(totals)[:, None]
        triangle: Array = np.asarray(np.linalg.qr(weighted, mode="r"))
        unexplained, lengths = np.abs(np.diag(triangle)), np.sqrt((weighted**2).sum(axis=0))
        dependent = np.flatnonzero(~(unexplained > DEPENDENT * lengths)).tolist()
        if dependent:
            raise DataError(f"columns {dependent} of the matrix (from 0) follow from those before; leave them out.")
        columns: Array = np.asarray(np.linalg.solve(triangle.T, design.T).T, dtype=float)
        return cls(columns=columns, triangle=triangle, events=happened, totals=totals)

    def with_counts(self, events: Array, others: Array) -> PenalisedModel:
        """Return the model of the same patterns and columns with other counts; DataError where it has no maximum."""
        other = replace(self, events=events, totals=events + others)
        gram = (self.columns * other.totals[:, None]).T @ self.columns
        if not np.linalg.eigvalsh(gram)[0] > DEPENDENT:
            raise DataError("with these counts columns of the matrix follow from the others.")
        return other

    @property
    def width(self) -> int:
        """The number of coefficients."""
        return int(self.columns.shape[1])

    @property
    def log_scale(self) -> float:
        """What the orthonormal columns leave out of the penalty."""
        return float(np.log(np.abs(np.diag(self.triangle))).sum())

    def coefficients(self, place: Array) -> Array:
        """Turn a place into the k coefficients of the matrix."""
        return np.asarray(np.linalg.solve(self.triangle, place), dtype=float)

    def std_errors(self, point: Point) -> Array:
        """Return the k standard errors from Fisher's information at a point."""
        root = np.linalg.cholesky(np.linalg.inv(point.information))
        errors: Array = np.sqrt((np.linalg.solve(self.triangle, root) ** 2).sum(axis=1))
        return errors

    def at(self, place: Array) -> Point:
        """Return height, score and information at a place; a height of -inf where the information is singular."""
        log_odds = self.columns @ place
        share = expit(log_odds)
        weight = self.totals * share * expit(-log_odds)
        information = (self.columns * weight[:, None]).T @ self.columns
        try:
            root = np.linalg.cholesky(information)
        except np.linalg.LinAlgError:
            return Point(-np.inf, np.zeros(self.width), information)
        # Not scipy's triangular solver: its threads wait for each other, which on a busy machine costs milliseconds.
        half = self.columns @ np.linalg.inv(root).T
        leverage = weight * (half * half).sum(axis=1)
        # log(1 + exp) of either sign keeps the digits of shares near 0 and 1.
        lost = self.events @ np.logaddexp(0, -log_odds) + (self.totals - self.events) @ np.logaddexp(0, log_odds)
        score = self.columns.T @ (self.events - self.totals * share + leverage * (0.5 - share))
        return Point(float(np.log(np.diag(root)).sum() - lost), score, information)

    def climb(self, start: Array, *, fixed: int | None = None, tolerance: float = TOLERANCE) -> tuple[Array, int]:
        """Find the highest place and count the steps; the coordinate ``fixed`` stays where it is."""
        free = np.arange(self.width) != fixed
        place, point = start.copy(), self.at(start)
        for step_number in range(MAX_STEPS):
            if np.abs(point.score[free]).max(initial=0.0) < tolerance:
                return place, step_number
            curvature = point.information[np.ix_(free, free)]
            if step_number >= SCORING_STEPS:
                curvature = self._curvature(place, free, curvature)
            step = np.zeros(self.width)
            step[free] = np.linalg.solve(curvature, point.score[free])
            reach = float(np.abs((self.columns @ step)[self.totals > 0]).max())
            further = self._rise(place, point, step * min(1.0, FARTHEST / reach), free)
            if further is None and reach < SETTLED:
                return place, step_number
            if further is None:
                break
            place, point = further
        raise DataError(
            f"the penalised likelihood of {int(self.totals.sum())} rows with {self.width} coefficients did not settle; "
            f"leave out columns that nearly follow from the others."
        )

    def _curvature(self, place: Array, free: Flags, information: Array) -> Array:
        """Return how the penalised likelihood bends; Fisher's information where it bends upward."""
        reach = NEARBY / np.sqrt(np.diag(information))
        moves = np.zeros((len(reach), self.width))
        moves[:, free] = np.diag(reach)
        bends = np.array([self.at(place - move).score[free] - self.at(place + move).score[free] for move in moves])
        bends = bends / (2 * reach[:, None])
        bends = (bends + bends.T) / 2
        return bends if (np.linalg.eigvalsh(bends) > 0).all() else information

    def _rise(self, place: Array, point: Point, step: Array, free: Flags) -> tuple[Array, Point] | None:
        for _ in range(HALVINGS):
            further = self.at(place + step)
            # Near the top heights differ by less than their rounding: there a smaller score is the better sign.
            level = abs(further.height - point.height) <= 1e-12 * (1 + abs(point.height))
            if further.height > point.height and not level:
                return place + step, further
            if level and np.abs(further.score[free]).max() < np.abs(point.score[free]).max():
                return place + step, further
            step = step / 2
        return None


class PenalisedProfile:
    """How the penalised likelihood falls off around the estimate of one coefficient."""

    def __init__(self, matrix: Any, events: Any, others: Any, place: int, coefficients: Array, error: float) -> None:
        design = np.asarray(matrix, dtype=float)
        # The column in question goes last: there one coordinate decides its coefficient.
        order = [*range(place), *range(place + 1, design.shape[1]), place]
        self.model = PenalisedModel.of(design[:, order], events, others)
        self.estimate, self.error = float(coefficients[place]), error
        self.top = self.model.triangle @ coefficients[order]
        self.reached: dict[float, Array] = {self.estimate: self.top}

    @cached_property
    def height(self) -> float:
        """The maximum."""
        return self.model.at(self.top).height

    def drop(self, value: float) -> float:
        """Return twice the fall of the penalised likelihood from its maximum to where the coefficient is ``value``."""
        nearest = min(self.reached, key=lambda known: abs(known - value))
        last = self.model.width - 1
        start = self.reached[nearest].copy()
        start[last] = self.model.triangle[last, last] * value
        reached, _ = self.model.climb(start, fixed=last)
        self.reached[value] = reached
        return 2 * (self.height - self.model.at(reached).height)

    def limit(self, allowed: float, *, side: int) -> float:
        """Find the value below (side -1) or above (1) the estimate at which the fall is ``allowed``."""
        inner, step = self.estimate, side * self.error * float(np.sqrt(allowed))
        outer = inner + step
        while self.drop(outer) < allowed:
            step *= 1.5
            inner, outer = outer, outer + step
        return float(brentq(lambda value: self.drop(value) - allowed, inner, outer, xtol=1e-10, rtol=8.9e-16))
