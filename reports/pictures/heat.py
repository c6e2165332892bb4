"""Distribution over two columns: a heat table with its counts, their totals and the cells that stand out."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.hand_page import (
    LOOKS,
    MORE_OR_FEWER,
    Size,
    fitting,
    inches_of,
    ink_on,
    plain_value,
    sign,
    wrapped,
)

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution

CELL_HIGH, SMALL_CELL_HIGH = 0.29, 0.22
LETTERS, SMALL_LETTERS, LINE = 9.0, 7.0, 1.35
MOST_ROWS, MOST_COLUMNS = 12, 8
NARROW: Final = 4.5
"""Inches: caller's axes below this are written in the letters of a printed column."""


def draw_heat(result: Distribution, ax: Axes | None = None, *, size: Size | None = None) -> Figure:
    """Draw the counts of a cross-table; the darker a cell, the larger its count.

    Cells that no hand has are hatched; cells without a case are left blank. A plus or minus marks cells with more or
    fewer than expected. Totals stand at the right and below. The first column runs down unless the second has too
    many values.

    Parameters
    ----------
    result
        A distribution by two columns.
    ax
        Axes to draw into; new ones when None.
    size
        'slide' (up to 7 inches wide) or 'column' (3.3 inches, for a printed column). None: a slide, or what suits
        the width of ``ax``.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        table = result.table
        down, across = order(table, result.by)
        table, left_blank = _without_blank_rows(table, down)
        small = size == "column" or (size is None and ax is not None and _inches(ax)[0] < NARROW)
        letters = SMALL_LETTERS if small else LETTERS
        words = foot_words(result, table) + left_blank
        grid = Grid(table, down, across, letters)
        if ax is None:
            ax = _new_axes(grid, words, small=small)
        _fill(ax, grid)
        _name(ax, grid)
        _write_foot(ax, words, letters)
        return style.figure_of(ax)


@dataclass(frozen=True, eq=False)
class Grid:
    """The cells as they are drawn: which column runs down, which across, and the size of the letters (points)."""

    table: pd.DataFrame
    down: str
    across: str
    letters: float

    @property
    def rows(self) -> list[Any]:
        """The values that run down."""
        return list(dict.fromkeys(self.table[self.down]))

    @property
    def columns(self) -> list[Any]:
        """The values that run across."""
        return list(dict.fromkeys(self.table[self.across]))

    def totals(self, name: str, values: list[Any]) -> list[str]:
        """Sums of the counts of each value of a column."""
        sums = {plain_value(value): int(n) for value, n in self.table.groupby(name, dropna=False)["n"].sum().items()}
        return [rounding.count(sums[plain_value(value)]) for value in values]

    def row_labels(self, inches: float) -> list[str]:
        """Names of the rows, broken into lines no wider than the inches."""
        names = [wording.label(value, column=self.down) for value in self.rows]
        return ["\n".join(wrapped(name, inches, self.letters)) for name in names]

    def column_labels(self, inches: float) -> tuple[list[str], bool]:
        """Names of the columns, and whether they stand upright because a word is wider than its column."""
        names = [wording.label(value, column=self.across) for value in self.columns]
        upright = max(inches_of(word, self.letters) for name in names for word in name.split()) > inches - 0.02
        return (names if upright else ["\n".join(wrapped(name, inches, self.letters)) for name in names]), upright


def _new_axes(grid: Grid, words: str, *, small: bool) -> Axes:
    letters = grid.letters
    most = 1.0 if small else 2.9
    labels = grid.row_labels(most)
    left = max(inches_of(label, letters) for label in labels) + (0.13 if small else 0.25)
    right = max(inches_of(total, letters) for total in grid.totals(grid.down, grid.rows)) + (0.13 if small else 0.25)
    width = LOOKS["column"].width
    if not small:
        width = max(4.2, min(style.WIDTH, left + right + 0.95 * len(grid.columns)))
    names, upright = grid.column_labels((width - left - right) / len(grid.columns))
    top = max(inches_of(name, letters) for name in names) + 0.2
    if not upright:
        top = 0.2 + letters * LINE / 72 * (max(name.count("\n") for name in names) + 1)
    lines = len(wrapped(words, width - 0.16, letters - 0.5))
    return style.new_axes(
        height=(SMALL_CELL_HIGH if small else CELL_HIGH) * len(grid.rows),
        width=width,
        left=left,
        right=right,
        top=top,
        bottom=0.12 + letters * LINE / 72 * (lines + 1),
    )


def _inches(ax: Axes) -> tuple[float, float]:
    figure, box = style.figure_of(ax), ax.get_position()
    return box.width * figure.get_figwidth(), box.height * figure.get_figheight()


def foot_words(result: Distribution, table: pd.DataFrame) -> str:
    """Say what the numbers and signs of the table are."""
    words = (
        f"number of {wording.unit(result.unit)} by {' and '.join(wording.column_words(name) for name in result.by)}"
        + ("; hatched: cannot be" if _has_impossible(table) else "")
    )
    if any(sign(row) for row in records(table)):
        words += f"; {MORE_OR_FEWER}"
    return f"{words}; totals at the edges"


def _has_impossible(table: pd.DataFrame) -> bool:
    return "impossible" in table.columns and bool(table["impossible"].any())


def order(table: pd.DataFrame, by: tuple[str, ...]) -> tuple[str, str]:
    """Return the column that runs down and the one that runs across."""
    first, second = by
    return (second, first) if table[second].nunique() > MOST_COLUMNS else (first, second)


def _without_blank_rows(table: pd.DataFrame, down: str) -> tuple[pd.DataFrame, str]:
    """Leave out rows without any count when there are too many rows to read."""
    if table[down].nunique(dropna=False) <= MOST_ROWS:
        return table, ""
    counted = table.groupby(down, dropna=False, sort=False)["n"].transform("sum") > 0
    blank = table.loc[~counted, down].nunique(dropna=False)
    return (table[counted], f"; {blank} rows without any are not drawn") if blank else (table, "")


def _fill(ax: Axes, grid: Grid) -> None:
    most = max(1, int(grid.table["n"].max()))
    places = {(plain_value(row[grid.down]), plain_value(row[grid.across])): row for row in records(grid.table)}
    for y, down in enumerate(grid.rows):
        for x, across in enumerate(grid.columns):
            cell = places.get((plain_value(down), plain_value(across)), {"n": 0})
            _draw_cell(ax, x, y, cell, most, letters=grid.letters, columns=len(grid.columns))
    ax.set_xlim(-0.5, len(grid.columns) - 0.5)
    ax.set_ylim(len(grid.rows) - 0.5, -0.5)


def _draw_cell(ax: Axes, x: int, y: int, cell: dict[str, Any], most: int, *, letters: float, columns: int) -> None:
    from matplotlib.patches import Rectangle

    n, impossible = int(cell["n"]), bool(cell.get("impossible", False))
    fill = style.SHADES[0 if n == 0 else min(4, 1 + int(4 * (n - 1) / most))]
    ax.add_patch(
        Rectangle(
            (x - 0.5, y - 0.5),
            1,
            1,
            facecolor="white" if impossible else fill,
            edgecolor=style.LINE if impossible else "white",
            hatch="////" if impossible else None,
            linewidth=1.0,
        )
    )
    look: dict[str, Any] = {"va": "center_baseline", "color": ink_on("white" if impossible else fill)}
    wide = _inches(ax)[0] / columns
    mark, count = sign(cell), rounding.count(n)
    beside = (inches_of("+", letters) + 0.03) if mark else 0.0
    # A count keeps the middle of its cell unless its sign needs the room.
    moved = beside / 2 if inches_of(count, letters) > wide - 2 * beside - 0.03 else 0.0
    if n:
        points = fitting(count, letters, wide - beside - 0.03)
        ax.text(x - moved / wide, y, count, ha="center", fontsize=points, **look)
    if mark:
        # At the edge of the cell, so that the counts stay in line.
        ax.text(x + 0.5 - 0.015 / wide, y, mark, ha="right", fontsize=letters, weight="bold", **look)


def _name(ax: Axes, grid: Grid) -> None:
    """Name rows and columns, and write their totals as labels of the other two edges."""
    figure, box = style.figure_of(ax), ax.get_position()
    names, upright = grid.column_labels(_inches(ax)[0] / max(1, len(grid.columns)))
    ax.set_xticks(range(len(grid.columns)), names)
    ax.set_yticks(range(len(grid.rows)), grid.row_labels(box.x0 * figure.get_figwidth() - 0.12))
    ax.xaxis.tick_top()
    style.plain(ax, keep=())
    ax.tick_params(length=0, labelsize=grid.letters)
    if upright:
        ax.tick_params(axis="x", labelrotation=90)
    totals = {"y": grid.totals(grid.down, grid.rows), "x": grid.totals(grid.across, grid.columns)}
    for axis, shown in ((ax.yaxis, totals["y"]), (ax.xaxis, totals["x"])):
        # Otherwise a minor tick at the place of a major one is dropped.
        axis.remove_overlapping_locs = False
        axis.set_ticks(range(len(shown)), shown, minor=True)
    room = _inches(ax)[0] / max(1, len(grid.columns)) - 0.04
    below = min(fitting(total, grid.letters, room) for total in totals["x"])
    quiet: dict[str, Any] = {"which": "minor", "length": 0, "labelcolor": style.SOFT}
    ax.tick_params(axis="y", labelleft=False, labelright=True, labelsize=grid.letters, **quiet)
    ax.tick_params(axis="x", labeltop=False, labelbottom=True, labelrotation=0, labelsize=below, **quiet)


def _write_foot(ax: Axes, words: str, letters: float) -> None:
    wide, high = _inches(ax)
    figure, box = style.figure_of(ax), ax.get_position()
    ax.text(
        (0.08 - box.x0 * figure.get_figwidth()) / wide,
        -(0.08 + letters * LINE / 72) / high,
        "\n".join(wrapped(words, figure.get_figwidth() - 0.16, letters - 0.5)),
        transform=ax.transAxes,
        va="top",
        fontsize=letters - 0.5,
        color=style.SOFT,
    )
