"""Distribution over two columns: a heat table with its counts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from reports import rounding, wording
from reports.pictures import style

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Distribution

CELL_HIGH = 0.29
MOST_ROWS, MOST_COLUMNS = 12, 8


def draw_heat(result: Distribution, ax: Axes | None = None) -> Figure:
    """Draw the counts of a cross-table; the darker a cell, the larger its count.

    Cells that no hand has are hatched; cells without a case are left blank. The first
    column runs down unless the second has too many values.

    Parameters
    ----------
    result
        A distribution by two columns.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        table = result.table
        down, across = order(table, result.by)
        table, left_blank = _without_blank_rows(table, down)
        rows, columns = list(dict.fromkeys(table[down])), list(dict.fromkeys(table[across]))
        row_labels = [wording.label(value, column=down) for value in rows]
        column_labels = [_wrapped(wording.label(value, column=across)) for value in columns]
        if ax is None:
            left = min(style.column_inches(row_labels, gap=0.3), 3.0)
            width = min(style.WIDTH, left + 0.35 + 0.95 * len(columns))
            deep = max(label.count("\n") for label in column_labels) + 1
            ax = style.new_axes(
                height=CELL_HIGH * len(rows),
                width=max(width, 4.2),
                left=left,
                top=0.25 + 0.17 * deep,
                bottom=0.4,
            )
        _fill(ax, table, (down, across), rows, columns)
        ax.set_xticks(range(len(columns)), column_labels)
        ax.set_yticks(range(len(rows)), row_labels)
        ax.xaxis.tick_top()
        style.plain(ax, keep=())
        ax.tick_params(length=0)
        ax.text(
            0,
            -0.1 / (CELL_HIGH * len(rows)),
            f"number of {result.unit}" + ("; hatched: cannot be" if _has_impossible(table) else "") + left_blank,
            transform=ax.transAxes,
            va="top",
            fontsize=8.5,
            color=style.SOFT,
        )
        return style.figure_of(ax)


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


def _wrapped(words: str, *, width: int = 13) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(words, width)) or words


def _fill(ax: Axes, table: pd.DataFrame, by: tuple[str, str], rows: list[Any], columns: list[Any]) -> None:
    from matplotlib.patches import Rectangle

    most = max(1, int(table["n"].max()))
    places = {(_key(row[by[0]]), _key(row[by[1]])): row for row in table.to_dict("records")}
    for y, down in enumerate(rows):
        for x, across in enumerate(columns):
            cell = places.get((_key(down), _key(across)))
            n = 0 if cell is None else int(cell["n"])
            impossible = cell is not None and bool(cell.get("impossible", False))
            shade = 0 if n == 0 else min(4, 1 + int(4 * (n - 1) / most))
            ax.add_patch(
                Rectangle(
                    (x - 0.5, y - 0.5),
                    1,
                    1,
                    facecolor="white" if impossible else style.SHADES[shade],
                    edgecolor=style.LINE if impossible else "white",
                    hatch="////" if impossible else None,
                    linewidth=1.0,
                )
            )
            if n:
                colour = "white" if shade >= 3 else style.INK
                ax.text(x, y, rounding.count(n), ha="center", va="center", color=colour, fontsize=9)
    ax.set_xlim(-0.5, len(columns) - 0.5)
    ax.set_ylim(len(rows) - 0.5, -0.5)


def _key(value: Any) -> Any:
    return None if wording.is_missing(value) else value
