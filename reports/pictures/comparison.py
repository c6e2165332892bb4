"""Two distributions beside each other: two marks a row, and the difference with its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.rows import TextColumn, row_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import DistributionComparison


def draw_comparison(result: DistributionComparison, ax: Axes | None = None) -> Figure:
    """Draw the share of each level in the first and the second group; counts and differences stand beside.

    Parameters
    ----------
    result
        A comparison of two distributions.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        rows = [row for row in records(result.table) if row["first_n"] or row["second_n"]]
        column = result.by[0]
        first, second = (wording.label(name, column=result.between) for name in (result.first, result.second))
        ax = row_axes(
            [wording.label(row[column], column=column) for row in rows],
            [
                TextColumn(first, [rounding.count(row["first_n"]) for row in rows]),
                TextColumn(second, [rounding.count(row["second_n"]) for row in rows]),
                TextColumn("difference in\npercentage points", [_difference(row) for row in rows]),
            ],
            ax=ax,
            below=0.2,
        )
        for place, row in enumerate(rows):
            ends = [row["first_share"], row["second_share"]]
            ax.plot(ends, [place] * 2, color=style.SHADES[2], linewidth=2.2, zorder=1)
            ax.plot(ends[0], place, marker="o", markersize=6.5, color="white", markeredgecolor=style.INK, zorder=2)
            ax.plot(ends[1], place, marker="s", markersize=6, color=style.COLOURS[0], zorder=3)
        largest = max((row[name] for row in rows for name in ("first_share", "second_share")), default=1.0)
        edge = min(1.0, 1.1 * largest) or 1.0
        ax.set_xlim(0, edge)
        ax.xaxis.set_major_formatter(lambda value, _: f"{value * 100:g} %")
        ax.set_xlabel(
            f"share: circle {first} (of {_of(rows, 'first_of')}), square {second} (of {_of(rows, 'second_of')})\n"
            f"differences: {second} less {first}, {result.conf_level * 100:g} % limits",
            loc="left",
        )
        return style.figure_of(ax)


def _of(rows: list[dict[str, Any]], name: str) -> str:
    return rounding.count(rows[0][name]) if rows else "0"


def _difference(row: dict[str, Any]) -> str:
    if wording.is_missing(row["estimate"]):
        return rounding.NOT_ESTIMABLE
    middle, low, high = (_points(row[name]) for name in ("estimate", "conf_low", "conf_high"))
    return f"{middle} ({rounding.limits(low, high)})"


def _points(share: float) -> str:
    if wording.is_missing(share):
        return rounding.NOT_ESTIMABLE
    return f"{100 * share:+.0f}".replace("+0", "0").replace("-0", "0").replace("-", "−")
