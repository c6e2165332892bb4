"""Odds ratios: a forest plot on a log axis with the counts beside it, crude and adjusted together."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Final

from reports import wording
from reports.pictures import style
from reports.pictures.forest_rows import ForestRow, forest_rows, methods_drawn, ratio_words, series_words
from reports.pictures.log_axis import ends, interval, ticks
from reports.pictures.rows import ROW_INCHES, TextColumn, row_axes
from reports.tables.ratio_words import BOTH, spoken_covariates, spoken_outcome
from reports.tables.ratios import MODEL_METHODS

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import OddsRatios

MARKS: Final = ("s", "o", "^")
"""One a series: told apart without colour."""
SERIES_INCHES: Final = 0.075
"""A row grows by this for each further series, so that intervals do not touch."""
WIDEST: Final = 10.5
LEGEND_INCHES: Final = 0.2
LINE_INCHES: Final = 0.165
SIGN_INCHES: Final = 0.073
"""A line of the axis' words, and the room of one sign in it."""
LABEL_SIGNS: Final = 36
HEADING_SIGNS: Final = 28
"""Longer labels are broken; headings are bold, and so wider."""


BOLDER: Final = 1.2
"""How much wider bold words are, at most."""


def draw_forest(result: OddsRatios, ax: Axes | None = None) -> Figure:
    """Draw each level's odds ratio with its limits, its counts beside it; the reference is the first row.

    Crude and adjusted ratios stand in one row below each other, told apart by the shape of their marks.

    Parameters
    ----------
    result
        Odds ratios of one or several exposures.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        methods, rows = methods_drawn(result.table), forest_rows(result)
        labels = [_wrapped(row) for row in rows]
        signs = _signs_below(labels)
        about, legend = _axis_words(result, methods, signs), _legend_words(result, methods, signs)
        further = LINE_INCHES * (about.count("\n") - 1)
        lines = sum(words.count("\n") + 1 for words in legend)
        ax = row_axes(
            labels,
            _columns(result, rows, methods),
            ax=ax,
            row_inches=ROW_INCHES + SERIES_INCHES * max(0, len(methods) - 1),
            widest=WIDEST,
            beside=_heading_inches(labels, rows),
            below=further + (LEGEND_INCHES * (lines + 1) if legend else 0.0),
        )
        for row, words in zip(rows, ax.get_yticklabels(), strict=True):
            words.set_fontweight("bold" if row.is_heading else "normal")
        ax.set_xscale("log")
        low_end, high_end = ends([row[name] for row in _lines(rows) for name in ("conf_low", "estimate", "conf_high")])
        ax.set_xlim(low_end, high_end)
        ax.axvline(1, color=style.SOFT, linewidth=0.9, zorder=1)
        for place, row in enumerate(rows):
            _draw_row(ax, place, row, methods, (low_end, high_end))
        inches = ax.get_position().width * style.figure_of(ax).get_figwidth()
        shown = ticks(low_end, high_end, inches=inches)
        ax.set_xticks(shown, [f"1/{round(1 / tick)}" if tick < 1 else f"{tick:g}" for tick in shown])
        ax.minorticks_off()
        ax.set_xlabel(about, loc="left")
        if legend:
            _draw_legend(ax, methods, legend, under=0.68 + further)
        return style.figure_of(ax)


def _lines(rows: list[ForestRow]) -> list[dict[str, float]]:
    return [line for row in rows for line in row.lines.values()]


def _wrapped(row: ForestRow) -> str:
    return "\n".join(textwrap.wrap(row.label, HEADING_SIGNS if row.is_heading else LABEL_SIGNS))


def _columns(result: OddsRatios, rows: list[ForestRow], methods: list[str]) -> list[TextColumn]:
    heading = "cases /\nreferents" if result.unit == BOTH else "with / without\noutcome"
    counts = TextColumn(heading, [row.counts for row in rows])
    columns = [counts]
    for method in methods:
        heading = "odds ratio" if len(methods) == 1 else f"{series_words(result, method)}\nodds ratio"
        columns.append(TextColumn(heading, [_ratio_words(row, method) for row in rows]))
    return columns


def _ratio_words(row: ForestRow, method: str) -> str:
    if row.is_reference:
        return "1"
    line = row.lines.get(method)
    if line is None:
        return "" if row.is_heading else wording.NO_VALUE
    return ratio_words(line)


def _draw_row(ax: Axes, place: int, row: ForestRow, methods: list[str], edges: tuple[float, float]) -> None:
    if row.is_reference:
        ax.plot(1, place, marker="D", markersize=5.5, color="white", markeredgecolor=style.INK, zorder=3)
        return
    step = 0.26 if len(methods) > 1 else 0.0
    for series, method in enumerate(methods):
        line = row.lines.get(method)
        if line is None:
            continue
        values = (line["conf_low"], line["estimate"], line["conf_high"])
        offset = step * (series - (len(methods) - 1) / 2)
        interval(ax, place + offset, values, edges, colour=_colour(series, methods), mark=MARKS[series % len(MARKS)])


def _colour(series: int, methods: list[str]) -> str:
    """Return the quiet colour for the crude series when an adjusted one stands beside it."""
    return style.COLOURS[0] if series == len(methods) - 1 or len(methods) == 1 else style.COLOURS[(1, 2)[series % 2]]


def _heading_inches(labels: list[str], rows: list[ForestRow]) -> float:
    """Return the room that the widest heading needs; headings are measured as they would be without their weight."""
    headings = [label for label, row in zip(labels, rows, strict=True) if row.is_heading]
    return BOLDER * style.column_inches(headings, gap=0.25) if headings else 0.0


def _signs_below(labels: list[str]) -> int:
    """Return how many signs a line under the axis can hold."""
    left = min(style.column_inches(labels, gap=0.3), style.WIDTH / 2)
    return int((style.WIDTH - left - 0.2) / SIGN_INCHES)


def _axis_words(result: OddsRatios, methods: list[str], signs: int) -> str:
    level = f"{result.conf_level * 100:g} % limits"
    alone = result.table["exposure"].nunique() == 1
    what = f"odds of {spoken_outcome(result.outcome)}"
    if not alone:
        what += " against each reference"
    else:
        what += f" by {wording.column_words(result.exposure)}"
        if result.reference:
            what += f", against {wording.label(result.reference, column=result.exposure)}"
    if result.among:
        what += f"; only {spoken_outcome(result.among)}"
    how = f"odds ratio, log axis; {level}{f' ({wording.label(methods[0])})' if len(methods) == 1 else ''}"
    return "\n".join([*textwrap.wrap(what, signs), *textwrap.wrap(how, signs)])


def _legend_words(result: OddsRatios, methods: list[str], signs: int) -> list[str]:
    if len(methods) < 2:
        return []
    covariates = spoken_covariates(result)
    words = []
    for method in methods:
        named = series_words(result, method)
        for_what = f" for {covariates}" if covariates and method in MODEL_METHODS else ""
        if named == "pooled" and result.strata:
            for_what = f" over {wording.column_words(result.strata)}"
        words.append("\n".join(textwrap.wrap(f"{named}{for_what} ({wording.label(method)})", signs - 6)))
    return words


def _draw_legend(ax: Axes, methods: list[str], words: list[str], *, under: float) -> None:
    from matplotlib.lines import Line2D

    handles = []
    for series in range(len(methods)):
        colour, mark = _colour(series, methods), MARKS[series % len(MARKS)]
        handles.append(Line2D([], [], color=colour, marker=mark, markersize=6, linewidth=1.6))
    inches = ax.get_position().height * style.figure_of(ax).get_figheight()
    ax.legend(handles, words, loc="upper left", bbox_to_anchor=(0, -under / inches), borderaxespad=0, handlelength=2.2)
