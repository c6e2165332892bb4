"""A trend over ordered levels: the share of each, or the mean score, with its limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.rows import TextColumn, row_axes

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import TrendTest


def draw_trend(result: TrendTest, ax: Axes | None = None) -> Figure:
    """Draw each level's share with the outcome (or mean score of an ordered outcome) and its limits, in order.

    Parameters
    ----------
    result
        A trend test.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    from reports.tables.ratio_words import spoken_outcome

    with style.house_style():
        rows = records(result.table)
        shares = "events" in result.table.columns and bool(result.table["events"].notna().all())
        columns = [TextColumn("n", [rounding.count(row["n"]) for row in rows])]
        if shares:
            columns.append(TextColumn("with outcome", [rounding.count(row["events"]) for row in rows]))
        columns.append(
            TextColumn("share (limits)" if shares else "mean (limits)", [_words(row, shares=shares) for row in rows])
        )
        labels = [wording.label(row["level"], column=result.ordered) for row in rows]
        ax = row_axes(labels, columns, ax=ax)
        for place, row in enumerate(rows):
            if wording.is_missing(row["estimate"]):
                continue
            if not wording.is_missing(row["conf_low"]):
                ax.plot([row["conf_low"], row["conf_high"]], [place] * 2, color=style.COLOURS[0], linewidth=1.6)
            ax.plot(row["estimate"], place, marker="o", markersize=6, color=style.COLOURS[0])
        known = [row["estimate"] for row in rows]
        ax.plot(known, range(len(rows)), color=style.SHADES[2], linewidth=1.0, zorder=1)
        if shares:
            ax.set_xlim(0, 1)
            ax.set_xticks([0, 0.25, 0.5, 0.75, 1], ["0 %", "25 %", "50 %", "75 %", "100 %"])
        what = "share with" if shares else "mean score of"
        ax.set_xlabel(
            f"{what} {spoken_outcome(result.outcome)}, {result.conf_level * 100:g} % limits\n{_tested(result)}",
            loc="left",
        )
        return style.figure_of(ax)


def _words(row: dict[str, Any], *, shares: bool) -> str:
    if wording.is_missing(row["estimate"]):
        return rounding.NOT_ESTIMABLE

    def said(value: float) -> str:
        return rounding.percent(value, of=row["n"]) if shares else f"{value:.2f}"

    if wording.is_missing(row["conf_low"]):
        return said(row["estimate"])
    low, high = said(row["conf_low"]).removesuffix(" %"), said(row["conf_high"])
    return f"{said(row['estimate'])} ({rounding.limits(low, high)})"


def _tested(result: TrendTest) -> str:
    for row in records(result.tests):
        if not wording.is_missing(row["p_value"]):
            return f"{wording.label(row['test'])}: p {_relation(rounding.p_value(row['p_value']))}"
    return "no test of a trend"


def _relation(words: str) -> str:
    return words if words[:1] in "<>" else f"= {words}"
