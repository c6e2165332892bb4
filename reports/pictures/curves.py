"""Survival and return curves: steps with limits, and the at-risk table aligned under the axis.

The rows of the at-risk table carry each group's line sample, so that they are the legend as well.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from analysis.results import ReturnCurves, SurvivalCurves
from analysis.thresholds import MIN_CASES_FOR_MEDIAN
from reports import protocols, rounding, wording
from reports.frames import of_group
from reports.pictures import style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MOST_GROUPS = 6
"""More lines cannot be told apart; some are drawn, the rest is named."""
HORIZON_LABELS = {0: "0", 42: "6 wk", 91: "3 mo", 182: "6 mo", 365: "12 mo"}
LAST_DAY = 380
ROW_INCHES, PROTOCOL_INCHES = 0.2, 0.17


@dataclass(frozen=True)
class Line:
    """One group's curve, ready to draw: its steps, and what stands under the axis."""

    group: Any
    label: str
    colour: str
    dashes: Any
    times: list[float]
    middle: list[float]
    low: list[float]
    high: list[float]
    at_risk: list[str]


def draw_curves(
    result: SurvivalCurves, ax: Axes | None = None, *, references: tuple[protocols.ProtocolTime, ...] = ()
) -> Figure:
    """Draw one step curve a group with its limits and its at-risk table.

    Return curves show the share *back*, 1 - S; other survival curves show S.

    Parameters
    ----------
    result
        Survival or return curves.
    ax
        Axes to draw into; new ones when None. The at-risk table stands below them.
    references
        Published protocol times to mark above the curves, for pulley tiers.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        ticks, tick_labels = _ticks(result)
        lines, undrawn = _lines(result, ticks)
        shown_references = _references_for(lines, references)
        heading = "cases" if isinstance(result, ReturnCurves) else ""
        if ax is None:
            ax = _new_axes(lines, shown_references, undrawn)
        many = len(lines) > 3
        for line in lines:
            ax.plot(
                line.times,
                line.middle,
                drawstyle="steps-post",
                color=line.colour,
                linestyle=line.dashes,
                linewidth=1.8,
            )
            shade = 0.08 if many else 0.16
            ax.fill_between(line.times, line.low, line.high, step="post", color=line.colour, alpha=shade, linewidth=0)
        _axes_text(ax, result, ticks, tick_labels)
        _write_at_risk(ax, lines, ticks, heading=heading)
        _write_references(ax, shown_references, lines)
        if undrawn:
            _write_undrawn(ax, undrawn, len(lines))
        return style.figure_of(ax)


def _ticks(result: SurvivalCurves) -> tuple[list[float], list[str]]:
    if isinstance(result, ReturnCurves):
        return list(HORIZON_LABELS), list(HORIZON_LABELS.values())
    from matplotlib.ticker import MaxNLocator

    last = max([1.0, *result.table["time"]])
    ticks = [float(t) for t in MaxNLocator(nbins=6).tick_values(0, last) if 0 <= t <= last * 1.02]
    return ticks, [f"{t:g}" for t in ticks]


def _lines(result: SurvivalCurves, ticks: list[float]) -> tuple[list[Line], list[str]]:
    groups = result.groups
    order = list(dict.fromkeys(groups["group"]))
    enough = _large_enough(result, order)
    kept = enough if len(enough) <= MOST_GROUPS else _chosen(groups, enough)
    lines = [_line(result, group, position, ticks) for position, group in enumerate(kept)]
    return lines, [_group_label(result, group) for group in order if group not in kept]


def _chosen(groups: pd.DataFrame, order: list[Any]) -> list[Any]:
    """Of many tiers the pulley family, which is one scale; of other groups those with the most cases."""
    pulleys = [group for group in order if str(group).startswith("pulley_")]
    if len(pulleys) > 1:
        return pulleys
    by_size = groups.sort_values("n", ascending=False, kind="stable")["group"].tolist()
    largest = [group for group in by_size if group in order][:MOST_GROUPS]
    return [group for group in order if group in largest]


def _large_enough(result: SurvivalCurves, order: list[Any]) -> list[Any]:
    """Of return curves the groups with enough cases for a median; all of them when none has."""
    if not isinstance(result, ReturnCurves):
        return order
    enough = [group for group in order if _size(result, group) >= MIN_CASES_FOR_MEDIAN]
    return enough or order


def _size(result: SurvivalCurves, group: Any) -> int:
    return int(of_group(result.groups, group)["n"].iloc[0])


def _group_label(result: SurvivalCurves, group: Any) -> str:
    name = "all" if result.by is None else wording.label(group, column=result.by)
    size = _size(result, group)
    few = isinstance(result, ReturnCurves) and size < MIN_CASES_FOR_MEDIAN
    return f"{name} (n = {size})" if few else name


def _line(result: SurvivalCurves, group: Any, position: int, ticks: list[float]) -> Line:
    rows = of_group(result.table, group)
    about = of_group(result.groups, group).iloc[0]
    start = about.get("first_time_shown", 0)
    start = 0.0 if wording.is_missing(start) else float(start)
    before = rows[rows["time"] < start]
    rows = rows[rows["time"] >= start]
    first = 1.0 if before.empty else float(before["estimate"].iloc[-1])
    back = isinstance(result, ReturnCurves)
    times = [start, *rows["time"].astype(float)]
    middle = [first, *rows["estimate"].astype(float)]
    low, high = [first, *rows["conf_low"].astype(float)], [first, *rows["conf_high"].astype(float)]
    if back:
        middle, low, high = ([1 - s for s in series] for series in (middle, high, low))
    return Line(
        group=group,
        label=_group_label(result, group),
        colour=style.COLOURS[position % len(style.COLOURS)],
        dashes=style.LINE_STYLES[position % len(style.LINE_STYLES)],
        times=times,
        middle=middle,
        low=low,
        high=high,
        at_risk=_at_risk(result, group, ticks),
    )


def _at_risk(result: SurvivalCurves, group: Any, ticks: list[float]) -> list[str]:
    if isinstance(result, ReturnCurves):
        shares = of_group(result.shares_back, group).set_index("day")["at_risk"].to_dict()
        cases = _size(result, group)
        known = [shares.get(tick) for tick in ticks[1:]]
        return [rounding.count(cases), *("" if n is None else rounding.count(n) for n in known)]
    rows = of_group(result.table, group)
    # The table has a row at every time at which the risk set changes, so the next row's count holds.
    nexts = [rows[rows["time"] >= tick] for tick in ticks]
    return ["0" if later.empty else rounding.count(later["at_risk"].iloc[0]) for later in nexts]


def _references_for(
    lines: list[Line], references: tuple[protocols.ProtocolTime, ...]
) -> tuple[tuple[str, int, int], ...]:
    grades = dict.fromkeys(time.grade for time in references if any(line.group == time.tier for line in lines))
    return tuple((grade, *protocols.full_sport_range(grade)) for grade in grades)


def _new_axes(lines: list[Line], references: tuple[Any, ...], undrawn: list[str]) -> Axes:
    left = max(0.95, 0.82 + style.column_inches([line.label for line in lines], gap=0.25))
    below = 0.95 + ROW_INCHES * (len(lines) + 1) + (0.2 if undrawn else 0)
    above = 0.3 + (PROTOCOL_INCHES * (len(references) + 1) + 0.1 if references else 0)
    return style.new_axes(height=2.9, left=min(left, 3.0), right=0.3, top=above, bottom=below)


def _axes_text(ax: Axes, result: SurvivalCurves, ticks: list[float], tick_labels: list[str]) -> None:
    from matplotlib.ticker import PercentFormatter

    back = isinstance(result, ReturnCurves)
    ax.set_ylim(0, 1.02)
    ax.set_xlim(0, LAST_DAY if back else max([1.0, ticks[-1], *result.table["time"]]) * 1.02)
    ax.set_xticks(ticks, tick_labels)
    ax.set_yticks([0.0, 0.2, 0.4, 0.6, 0.8, 1.0])
    ax.yaxis.set_major_formatter(PercentFormatter(1.0, symbol=" %", decimals=0))
    style.plain(ax)
    ax.grid(axis="y", color=style.LINE, linewidth=0.5)
    ax.set_axisbelow(True)
    level = f"{result.conf_level * 100:g} % limits shaded"
    if isinstance(result, ReturnCurves):
        milestone = wording.milestone(result.milestone, sustained=result.sustained)
        ax.set_ylabel("share back at climbing")
        ax.set_xlabel(f"time since the injury to {milestone}; {level}")
    else:
        ax.set_ylabel("share without the event yet (S)")
        ax.set_xlabel(f"time in {result.time_unit}; {level}")


def _axes_inches(ax: Axes) -> tuple[float, float]:
    figure, box = style.figure_of(ax), ax.get_position()
    return box.width * figure.get_figwidth(), box.height * figure.get_figheight()


def _write_at_risk(ax: Axes, lines: list[Line], ticks: list[float], *, heading: str) -> None:
    from matplotlib.lines import Line2D

    wide, high = _axes_inches(ax)
    top = -0.72 / high
    place = ax.get_xaxis_transform()
    words: dict[str, Any] = {"fontsize": 8.5, "color": style.SOFT, "va": "center"}
    label_end = -0.82 / wide
    ax.text(label_end, top, "at risk", transform=ax.transAxes, ha="right", **words)
    if heading:
        ax.text(0, top, heading, transform=place, ha="center", **words)
    for row, line in enumerate(lines, start=1):
        y = top - row * ROW_INCHES / high
        ax.text(label_end, y, line.label, transform=ax.transAxes, ha="right", va="center", fontsize=9)
        sample = Line2D([-0.75 / wide, -0.4 / wide], [y, y], transform=ax.transAxes, clip_on=False)
        sample.set(color=line.colour, linestyle=line.dashes, linewidth=1.8)
        ax.add_line(sample)
        for tick, number in zip(ticks, line.at_risk, strict=True):
            ax.text(tick, y, number, transform=place, ha="center", va="center", fontsize=9)


def _write_references(ax: Axes, references: tuple[tuple[str, int, int], ...], lines: list[Line]) -> None:
    if not references:
        return
    wide, high = _axes_inches(ax)
    place = ax.get_xaxis_transform()
    colours = {line.group: line.colour for line in lines}
    for row, (grade, low, last) in enumerate(reversed(references)):
        y = 1 + (0.12 + row * PROTOCOL_INCHES) / high
        tier = f"pulley_{('I', 'II', 'III', 'IV').index(grade) + 1}"
        ax.plot([low, last], [y, y], transform=place, color=colours[tier], linewidth=1.6, clip_on=False)
        ax.plot([low, last], [y, y], "o", transform=place, color=colours[tier], markersize=4, clip_on=False)
        ax.text(-0.08 / wide, y, f"protocol, {grade}", transform=ax.transAxes, ha="right", va="center", fontsize=8)
    ax.text(
        0,
        1 + (0.12 + len(references) * PROTOCOL_INCHES) / high,
        "earliest full sport in published rehabilitation protocols (range of sources); not observed courses",
        transform=ax.transAxes,
        va="center",
        fontsize=8,
        color=style.SOFT,
    )


def _write_undrawn(ax: Axes, undrawn: list[str], rows: int) -> None:
    _, high = _axes_inches(ax)
    y = -(0.72 + (rows + 1) * ROW_INCHES + 0.02) / high
    words = f"not drawn, see the table: {', '.join(undrawn)}"
    shown = words if len(words) < 105 else f"not drawn, see the table: {len(undrawn)} other groups"
    ax.text(1, y, shown, transform=ax.transAxes, ha="right", va="center", fontsize=8, color=style.SOFT)
