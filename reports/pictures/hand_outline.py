"""The outline of a hand, palm side, as smooth curves through control points of our own.

Centimetres: the wrist crease lies at y = 0, the tip of the middle finger near y = 18. It is a right hand seen from
the palm, so the thumb points to the right; mirrored it is a left hand. Proportions from memory of common
anthropometry: palmar segments of a finger are about equally long, the ring finger hardly shorter than the middle
one, the web lies half way along the proximal phalanx.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np
import numpy.typing as npt

Points = npt.NDArray[np.float64]
Pairs = Sequence[tuple[float, float]]

DIGITS: Final = ("thumb", "index", "middle", "ring", "little")
STEPS: Final = 10
"""Points drawn between two control points."""


@dataclass(frozen=True)
class Digit:
    """A digit's axis and girth.

    Where it leaves the palm, its lean from upright (degrees, positive: towards the thumb), its length and half
    widths, and its creases as shares of the length.
    """

    base: tuple[float, float]
    lean: float
    length: float
    half_widths: tuple[float, float, float]
    creases: tuple[float, ...]


SHAPES: Final = {
    "thumb": Digit((4.55, 4.75), 40.0, 6.1, (1.12, 1.06, 0.96), (0.08, 0.53)),
    "index": Digit((2.72, 9.75), 9.0, 7.2, (0.98, 0.92, 0.80), (0.03, 0.34, 0.66)),
    "middle": Digit((0.55, 10.25), 1.0, 7.9, (1.00, 0.94, 0.82), (0.03, 0.34, 0.66)),
    "ring": Digit((-1.58, 9.80), -7.0, 7.35, (0.96, 0.89, 0.78), (0.03, 0.34, 0.66)),
    "little": Digit((-3.45, 8.55), -18.0, 5.85, (0.86, 0.78, 0.68), (0.03, 0.35, 0.67)),
}
WEBS: Final[dict[tuple[str, str], tuple[float, float]]] = {
    ("little", "ring"): (-2.62, 9.35),
    ("ring", "middle"): (-0.52, 10.15),
    ("middle", "index"): (1.66, 10.1),
}
FIRST_WEB: Final = ((3.68, 8.8), (3.74, 7.8), (3.96, 7.0), (4.36, 6.62))
ULNAR_BORDER: Final = ((-2.72, -1.6), (-2.78, -0.4), (-3.1, 1.0), (-3.95, 3.2), (-4.4, 5.6), (-4.42, 7.4), (-4.36, 8.1))
RADIAL_BORDER: Final = ((5.62, 4.1), (4.72, 2.85), (3.72, 1.55), (2.95, 0.45), (2.72, -0.5), (2.7, -1.6))
PALM_CREASES: Final = (
    ((-4.25, 7.0), (-2.6, 6.85), (-0.8, 7.3), (0.75, 8.35), (1.3, 9.1)),
    ((3.65, 7.75), (2.2, 7.2), (0.2, 6.1), (-1.7, 4.9), (-2.9, 3.9)),
    ((3.6, 7.4), (2.3, 6.8), (1.0, 5.4), (0.4, 3.4), (0.55, 1.4), (0.8, 0.5)),
    ((-2.7, 0.1), (-0.8, -0.1), (1.0, -0.05), (2.7, 0.15)),
    ((-2.65, -0.35), (-0.6, -0.55), (1.2, -0.5), (2.65, -0.3)),
)


@dataclass(frozen=True, eq=False)
class Hand:
    """A hand ready to be drawn.

    contour
        (m, 2) centimetres: the open line around it, from the ulnar to the radial side of the forearm.
    digits
        Closed (k, 2) outline of each digit, as far as the web.
    palm_creases, joint_creases
        Lines of the palm and wrist, and of each digit's joints.
    axes
        Of each digit: its base, its tip and its lean.
    """

    contour: Points
    digits: dict[str, Points]
    palm_creases: tuple[Points, ...]
    joint_creases: dict[str, tuple[Points, ...]]
    axes: dict[str, tuple[Points, Points, float]]

    def mirrored(self) -> Hand:
        """Return the other hand."""
        turn = np.array([-1.0, 1.0])
        return Hand(
            contour=self.contour * turn,
            digits={name: outline * turn for name, outline in self.digits.items()},
            palm_creases=tuple(line * turn for line in self.palm_creases),
            joint_creases={name: tuple(line * turn for line in lines) for name, lines in self.joint_creases.items()},
            axes={name: (base * turn, tip * turn, -lean) for name, (base, tip, lean) in self.axes.items()},
        )


def smooth(points: Pairs | Points, *, closed: bool = False, steps: int = STEPS) -> Points:
    """Return a smooth line through control points (centripetal Catmull-Rom: no loops, and local).

    Examples
    --------
    >>> smooth([(0, 0), (1, 1), (2, 0)], steps=2).round(3).tolist()
    [[0.0, 0.0], [0.5, 0.625], [1.0, 1.0], [1.5, 0.625], [2.0, 0.0]]
    """
    given = np.asarray(points, dtype=float)
    if closed:
        around = np.vstack([given[-1], given, given[0], given[1]])
    else:
        around = np.vstack([2 * given[0] - given[1], given, 2 * given[-1] - given[-2]])
    pieces = [_piece(around[place : place + 4], steps) for place in range(len(around) - 3)]
    return np.vstack([*pieces, around[-2]])


def _piece(four: Points, steps: int) -> Points:
    gaps = np.maximum(np.sqrt(np.linalg.norm(np.diff(four, axis=0), axis=1)), 1e-9)
    knots = np.concatenate([[0.0], np.cumsum(gaps)])
    at = np.linspace(knots[1], knots[2], steps, endpoint=False)[:, None]

    def between(left: Points, right: Points, low: int, high: int) -> Points:
        weight = (at - knots[low]) / (knots[high] - knots[low])
        blend: Points = (1 - weight) * left + weight * right
        return blend

    first = [between(four[i], four[i + 1], i, i + 1) for i in range(3)]
    second = [between(first[i], first[i + 1], i, i + 2) for i in range(2)]
    piece: Points = between(second[0], second[1], 1, 2)
    return piece


def around_digit(shape: Digit) -> Points:
    """Return the control points from the ulnar side of a digit's base over its tip to the radial side."""
    wide, middle, narrow = shape.half_widths
    creases = shape.creases
    first, last = creases[-2], creases[-1]
    if len(creases) == 2:
        bulge = 1.06
        side = [
            (0.27, wide * 0.98),
            (0.42, middle * 0.97),
            (last, middle),
            (0.72, narrow * bulge),
            (0.88, narrow * 0.9),
        ]
    else:
        side = [
            (0.16, wide * 0.98),
            (first, middle * 1.01),
            ((first + last) / 2, (middle + narrow) / 2 * 0.99),
            (last, narrow * 1.02),
            (0.86, narrow * 0.94),
        ]
    side.append((0.962, narrow * 0.62))
    ulnar = [(share * shape.length, -half) for share, half in side]
    radial = [(share * shape.length, half) for share, half in reversed(side)]
    return along(shape, [*ulnar, (shape.length, 0.0), *radial])


def along(shape: Digit, points: Pairs) -> Points:
    """Turn (distance along the axis, offset towards the thumb) into places on the hand."""
    lean = math.radians(shape.lean)
    axis = np.array([math.sin(lean), math.cos(lean)])
    across = np.array([math.cos(lean), -math.sin(lean)])
    return np.array([np.asarray(shape.base) + far * axis + aside * across for far, aside in points])


@cache
def right_hand() -> Hand:
    """Return the right hand, palm side: thumb to the right.

    Examples
    --------
    >>> hand = right_hand()
    >>> tips = {name: tip for name, (_, tip, _) in hand.axes.items()}
    >>> bool(tips["thumb"][0] > tips["index"][0] > tips["little"][0]), max(tips, key=lambda name: tips[name][1])
    (True, 'middle')
    """
    controls: list[Points] = [np.array(ULNAR_BORDER)]
    starts: dict[str, int] = {}
    ends: dict[str, int] = {}
    upwards = ("little", "ring", "middle", "index")
    for place, name in enumerate(upwards):
        starts[name] = sum(len(part) for part in controls) - 1
        controls.append(around_digit(SHAPES[name]))
        nearest = FIRST_WEB if name == "index" else (WEBS[name, upwards[place + 1]],)
        ends[name] = sum(len(part) for part in controls)
        controls.append(np.array(nearest))
    starts["thumb"] = sum(len(part) for part in controls) - 1
    controls.append(around_digit(SHAPES["thumb"]))
    ends["thumb"] = sum(len(part) for part in controls)
    controls.append(np.array(RADIAL_BORDER))
    contour = smooth(np.vstack(controls))
    digits = {name: _closed(contour[starts[name] * STEPS : ends[name] * STEPS + 1], name) for name in DIGITS}
    axes = {
        name: (np.array(shape.base), along(shape, [(shape.length, 0.0)])[0], shape.lean)
        for name, shape in SHAPES.items()
    }
    return Hand(
        contour=contour,
        digits=digits,
        palm_creases=tuple(smooth(line) for line in PALM_CREASES),
        joint_creases={name: tuple(_joint_creases(shape)) for name, shape in SHAPES.items()},
        axes=axes,
    )


def _closed(outline: Points, name: str) -> Points:
    """Close a digit's outline at the web with a curve that sags towards the palm."""
    last, first = outline[-1], outline[0]
    sag = 0.55 if name == "thumb" else 0.22
    low = (last + first) / 2 - sag * (along(SHAPES[name], [(1.0, 0.0)])[0] - np.asarray(SHAPES[name].base))
    return np.vstack([outline, smooth(np.array([last, low, first]))[1:]])


def _joint_creases(shape: Digit) -> list[Points]:
    lines = []
    wide, middle, narrow = shape.half_widths
    halves = (wide, narrow) if len(shape.creases) == 2 else (wide, middle, narrow)
    for place, (share, half) in enumerate(zip(shape.creases, halves, strict=True)):
        # The crease at the base is the digit's own edge to the palm; the middle joint has two folds.
        if place == 0:
            continue
        doubled = place < len(shape.creases) - 1
        for shift in (-0.1, 0.12) if doubled else (0.0,):
            reach = 0.82 if doubled else 0.78
            far = share * shape.length + shift
            lines.append(smooth(along(shape, [(far + 0.07, -half * reach), (far, 0.0), (far + 0.07, half * reach)])))
    return lines
