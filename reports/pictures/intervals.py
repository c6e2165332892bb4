"""Rates: a dot and its interval a row, events and exposure beside it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.rows import TextColumn, row_axes

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import EventRates


def draw_rates(result: EventRates, ax: Axes | None = None) -> Figure:
    """Draw each group's rate with its exact limits (thin) and, where there are any, the robust ones (thick).

    Parameters
    ----------
    result
        Rates or incidence rates; of several denominators the first is drawn.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        rows, exposure_unit = _drawn(result)
        labels = [
            ", ".join(wording.label(value, column=name) for name, value in zip(result.by, row, strict=True))
            for row in rows[list(result.by)].itertuples(index=False)
        ]
        if not result.by:
            labels = ["all"] * len(rows)
        ax = row_axes(labels, _columns(rows, exposure_unit), ax=ax)
        robust = "robust_low" in rows.columns
        for place, row in enumerate(records(rows)):
            _draw_row(ax, place, row, robust=robust)
        ends = [rows["conf_high"], *([rows["robust_high"]] if robust else [])]
        known = [end for column in ends for end in column if not wording.is_missing(end)]
        edge = _right_edge(known, list(rows["estimate"]))
        ax.set_xlim(0, edge)
        _mark_cut(ax, rows, edge, robust=robust)
        said = "thin: exact limits; thick: limits that respect repeaters" if robust else "line: exact limits"
        measure = f"{wording.unit(result.unit)} per {rounding.count(result.per)} {exposure_unit}"
        ax.set_xlabel(f"{measure}\n({said}, {result.conf_level * 100:g} %)", loc="left")
        return style.figure_of(ax)


def _drawn(result: EventRates) -> tuple[pd.DataFrame, str]:
    table = result.table
    if "denominator" not in table.columns or table.empty:
        return table, result.exposure_unit
    first = table["denominator"].iloc[0]
    return table[table["denominator"] == first], str(first)


def _columns(rows: pd.DataFrame, exposure_unit: str) -> list[TextColumn]:
    rates = []
    for row in records(rows):
        if wording.is_missing(row["estimate"]):
            rates.append(rounding.NOT_ESTIMABLE)
            continue
        decimals = rounding.decimals_for(row["estimate"] or row["conf_high"])
        ends = (rounding.rate(row["conf_low"], decimals=decimals), rounding.rate(row["conf_high"], decimals=decimals))
        rates.append(f"{rounding.rate(row['estimate'], decimals=decimals)} ({rounding.limits(*ends)})")
    return [
        TextColumn("events", [rounding.count(events) for events in rows["events"]]),
        TextColumn(exposure_unit, [rounding.count(exposure) for exposure in rows["exposure"]]),
        TextColumn("rate (exact limits)", rates),
    ]


def _draw_row(ax: Axes, place: int, row: dict[str, float], *, robust: bool) -> None:
    if wording.is_missing(row["estimate"]):
        return
    if robust and not wording.is_missing(row["robust_low"]):
        ax.plot([row["robust_low"], row["robust_high"]], [place] * 2, color=style.SHADES[2], linewidth=6, zorder=2)
    ax.plot([row["conf_low"], row["conf_high"]], [place] * 2, color=style.COLOURS[0], linewidth=1.4, zorder=3)
    ax.plot(row["estimate"], place, marker="o", markersize=5.5, color=style.COLOURS[0], zorder=4)


def _mark_cut(ax: Axes, rows: pd.DataFrame, edge: float, *, robust: bool) -> None:
    """Put an arrow where the axis cuts an interval, as in the forest plot."""
    for place, row in enumerate(records(rows)):
        ends = [row["conf_high"], *([row["robust_high"]] if robust else [])]
        drawn = not wording.is_missing(row["estimate"])
        if drawn and any(not wording.is_missing(end) and end > edge for end in ends):
            ax.plot(edge, place, marker=">", markersize=6, color=style.COLOURS[0], clip_on=False, zorder=5)


def _right_edge(ends: list[float], estimates: list[float]) -> float:
    """End the axis so that one group with two events does not squeeze the others: five largest rates at most."""
    largest = max([0.0, *(x for x in estimates if not wording.is_missing(x))])
    reach = max([0.0, *ends])
    if largest > 0:
        reach = min(reach, 5 * largest)
    return reach * 1.06 or 1.0
