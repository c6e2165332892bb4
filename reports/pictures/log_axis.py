"""A log axis for ratios: where it ends, its ticks, and an interval with arrows where the axis cuts it."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING, Final

from reports import wording
from reports.pictures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

TICKS: Final = tuple(2.0**power for power in range(-6, 7))
TICK_INCHES: Final = 0.36
"""The room that a tick's words need."""
EDGE: Final = 100.0
"""The axis ends here at the latest; limits beyond are arrows."""


def ends(values: Iterable[float]) -> tuple[float, float]:
    """Return the two ends of the axis, the same distance from 1.

    Examples
    --------
    >>> ends([0.5, 2.0])
    (0.22727272727272727, 4.4)
    """
    finite = [abs(math.log(x)) for x in values if not wording.is_missing(x) and 0 < x < math.inf]
    reach = min(EDGE, max(4.4, math.exp(max(finite, default=0.0)) * 1.15))
    return 1 / reach, reach


def ticks(low: float, high: float, *, inches: float = 3.0) -> list[float]:
    """Return powers of two, or of four or sixteen where they would stand too close.

    Examples
    --------
    >>> ticks(1 / 5, 5), ticks(1 / 100, 100, inches=2)
    ([0.25, 0.5, 1.0, 2.0, 4.0], [0.0625, 1.0, 16.0])
    """
    most = max(3, int(inches / TICK_INCHES))
    for step in (1, 2, 4):
        shown = [tick for tick in TICKS[(len(TICKS) // 2) % step :: step] if low <= tick <= high]
        if len(shown) <= most:
            break
    return shown


def interval(
    ax: Axes,
    place: float,
    values: tuple[float, float, float],
    edges: tuple[float, float],
    *,
    colour: str = style.COLOURS[0],
    mark: str = "s",
) -> None:
    """Draw low, estimate and high at a height; nothing where the estimate has no limits."""
    low, middle, high = values
    if wording.is_missing(middle):
        return
    if wording.is_missing(low) or wording.is_missing(high):
        _without_limits(ax, place, middle, edges, colour=colour)
        return
    start, stop = max(low, edges[0]), min(high, edges[1])
    ax.plot([start, stop], [place, place], color=colour, linewidth=1.6, zorder=2)
    for outside, at, arrow in ((low < edges[0], edges[0], "<"), (high > edges[1], edges[1], ">")):
        if outside:
            ax.plot(at, place, marker=arrow, markersize=6, color=colour, clip_on=False, zorder=3)
    if edges[0] <= middle <= edges[1]:
        ax.plot(middle, place, marker=mark, markersize=6, color=colour, zorder=3)


def _without_limits(ax: Axes, place: float, middle: float, edges: tuple[float, float], *, colour: str) -> None:
    """Mark a ratio of zero or infinity at the end of the axis, and any other with an empty mark."""
    if edges[0] <= middle <= edges[1]:
        ax.plot(middle, place, marker="o", markersize=6, color="white", markeredgecolor=colour, zorder=3)
        return
    at, arrow = (edges[0], "<") if middle < 1 else (edges[1], ">")
    ax.plot(at, place, marker=arrow, markersize=6, color="white", markeredgecolor=colour, clip_on=False, zorder=3)
