"""Distribution over one column: bars with limits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports import rounding, wording
from reports.pictures import style
from reports.pictures.rows import TextColumn, row_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution


def draw_bars(result: Distribution, ax: Axes | None = None) -> Figure:
    """Draw the share of each value as a bar with its limits, counts and percentages beside it.

    Parameters
    ----------
    result
        A distribution by one or more columns; each row of the table becomes one bar.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        table = result.table
        labels = [
            ", ".join(wording.label(value, column=name) for name, value in zip(result.by, row, strict=True))
            for row in table[list(result.by)].itertuples(index=False)
        ]
        counts = [f"{rounding.count(n)} of {rounding.count(of)}" for n, of in zip(table["n"], table["of"], strict=True)]
        shares = [rounding.percent(share, of=of) for share, of in zip(table["estimate"], table["of"], strict=True)]
        ax = row_axes(labels, [TextColumn(result.unit, counts), TextColumn("share", shares)], ax=ax)
        for row, (share, low, high) in enumerate(table[["estimate", "conf_low", "conf_high"]].itertuples(index=False)):
            ax.barh(row, share, height=0.6, color=style.SHADES[2], zorder=2)
            ax.plot([low, high], [row, row], color=style.INK, linewidth=1.4, zorder=3, solid_capstyle="butt")
        _percent_axis(ax, list(table["conf_high"]))
        columns = " and ".join(wording.column_words(name) for name in result.by)
        ax.set_xlabel(f"share of {result.unit} by {columns}, with {result.conf_level * 100:g} % limits", loc="left")
        return style.figure_of(ax)


def _percent_axis(ax: Axes, ends: list[float]) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    known = [end for end in ends if not wording.is_missing(end)]
    ax.set_xlim(0, min(1.0, max([0.05, *known]) * 1.05))
    ax.xaxis.set_major_locator(MaxNLocator(nbins=5, steps=[1, 2, 2.5, 5, 10]))
    ax.xaxis.set_major_formatter(FuncFormatter(lambda share, _: f"{share * 100:g} %"))
