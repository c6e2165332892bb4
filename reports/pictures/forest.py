"""Odds ratios: a forest plot on a log axis with the counts beside it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.rows import TextColumn, row_axes

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import OddsRatios

SHOWN_METHODS = ("mantel_haenszel", "conditional_exact", "conditional_mid_p", "woolf")
"""The first of these that the table holds is drawn; the others are in the table."""
TICKS = tuple(2.0**power for power in range(-6, 7))
CROWDED_FROM = 20.0
EDGE = 100.0
"""The axis ends here at the latest; limits beyond are arrows."""


def shown_method(table: pd.DataFrame) -> str:
    """Return the method whose rows are drawn."""
    present = set(table["method"])
    return next((method for method in SHOWN_METHODS if method in present), "")


def draw_forest(result: OddsRatios, ax: Axes | None = None) -> Figure:
    """Draw each level's odds ratio with its limits, its counts beside it; the reference is the first row.

    Parameters
    ----------
    result
        Odds ratios of one exposure.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        method = shown_method(result.table)
        rows = result.table[result.table["method"] == method]
        ax = row_axes(_labels(result, rows), _columns(rows), ax=ax)
        ax.set_xscale("log")
        low_end, high_end = _ends(rows)
        ax.set_xlim(low_end, high_end)
        ax.axvline(1, color=style.SOFT, linewidth=0.9, zorder=1)
        ax.plot(1, 0, marker="D", markersize=5.5, color="white", markeredgecolor=style.INK, zorder=3)
        for place, row in enumerate(records(rows), start=1):
            _interval(ax, place, (row["conf_low"], row["estimate"], row["conf_high"]), (low_end, high_end))
        ticks = _ticks(low_end, high_end)
        ax.set_xticks(ticks, [f"1/{round(1 / tick)}" if tick < 1 else f"{tick:g}" for tick in ticks])
        ax.minorticks_off()
        ax.set_xlabel(
            f"odds ratio against {wording.label(result.reference, column=result.exposure)}, log axis; "
            f"{result.conf_level * 100:g} % limits\n({wording.label(method)})",
            loc="left",
        )
        return style.figure_of(ax)


def _labels(result: OddsRatios, rows: pd.DataFrame) -> list[str]:
    reference = wording.label(result.reference, column=result.exposure)
    return [
        f"{reference} (reference)",
        *(wording.label(level, column=result.exposure) for level in rows["level"]),
    ]


def _columns(rows: pd.DataFrame) -> list[TextColumn]:
    if rows.empty:
        return [TextColumn("with / without\noutcome", [""]), TextColumn("odds ratio", ["1"])]
    first = records(rows)[0]
    counts = [_pair(first["reference_events"], first["reference_others"])]
    counts += [_pair(row["exposed_events"], row["exposed_others"]) for row in records(rows)]
    ratios = ["1"]
    for row in records(rows):
        if wording.is_missing(row["estimate"]):
            ratios.append(rounding.NOT_ESTIMABLE)
            continue
        ends = rounding.limits(rounding.ratio(row["conf_low"]), rounding.ratio(row["conf_high"]))
        ratios.append(f"{rounding.ratio(row['estimate'])} ({ends})")
    return [TextColumn("with / without\noutcome", counts), TextColumn("odds ratio", ratios)]


def _pair(events: float, others: float) -> str:
    return f"{rounding.count(events)} / {rounding.count(others)}"


def _ends(rows: pd.DataFrame) -> tuple[float, float]:
    drawn = [*rows["conf_low"], *rows["conf_high"], *rows["estimate"]]
    finite = [abs(math.log(x)) for x in drawn if not wording.is_missing(x) and 0 < x < math.inf]
    reach = min(EDGE, max(4.4, math.exp(max(finite, default=0.0)) * 1.15))
    return 1 / reach, reach


def _ticks(low: float, high: float) -> list[float]:
    """Return powers of two on a short axis, of four on a long one."""
    ticks = TICKS if high <= CROWDED_FROM else TICKS[::2]
    return [tick for tick in ticks if low <= tick <= high]


def _interval(ax: Axes, place: int, values: tuple[float, float, float], ends: tuple[float, float]) -> None:
    low, middle, high = values
    if wording.is_missing(middle) or wording.is_missing(low) or wording.is_missing(high):
        return
    start, stop = max(low, ends[0]), min(high, ends[1])
    ax.plot([start, stop], [place, place], color=style.COLOURS[0], linewidth=1.6, zorder=2)
    for outside, at, mark in ((low < ends[0], ends[0], "<"), (high > ends[1], ends[1], ">")):
        if outside:
            ax.plot(at, place, marker=mark, markersize=6, color=style.COLOURS[0], clip_on=False, zorder=3)
    if ends[0] <= middle <= ends[1]:
        ax.plot(middle, place, marker="s", markersize=6, color=style.COLOURS[0], zorder=3)
