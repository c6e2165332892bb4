"""Rows of labels, marks and aligned columns of text: the frame that bars, rates and forest plots share."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from reports.pictures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ROW_INCHES = 0.27
MARKS_INCHES = 2.6
"""What the marks need beside their labels and columns."""


@dataclass(frozen=True)
class TextColumn:
    """Texts to the right of the marks, one a row, under a heading."""

    heading: str
    texts: list[str]


def row_axes(
    labels: list[str],
    columns: list[TextColumn],
    *,
    ax: Axes | None,
    row_inches: float = ROW_INCHES,
    widest: float = style.WIDTH,
    below: float = 0.0,
    beside: float = 0.0,
) -> Axes:
    """Return axes with one row a label, room for the labels at the left and for the columns at the right.

    Rows run from the top; row i stands at y = i. The figure grows up to ``widest`` inches where the columns would
    leave the marks too little room; ``below`` are inches kept free under the axis' words,
    ``beside`` those that the labels need at least.
    """
    widths = [style.column_inches([column.heading, *column.texts], gap=0.22) for column in columns]
    if ax is None:
        left = max(min(style.column_inches(labels, gap=0.3), 2.9), 0.9, beside)
        right = sum(widths) + 0.15
        ax = style.new_axes(
            height=max(len(labels), 2) * row_inches + 0.1,
            width=min(widest, max(style.WIDTH, left + right + MARKS_INCHES)),
            left=left,
            right=right,
            top=0.32 + 0.16 * max((column.heading.count("\n") for column in columns), default=0),
            bottom=0.62 + below,
        )
    ax.set_ylim(len(labels) - 0.4, -0.6)
    ax.set_yticks(range(len(labels)), labels)
    style.plain(ax, keep=("bottom",))
    ax.tick_params(axis="y", length=0, pad=8)
    for row in range(1, len(labels)):
        ax.axhline(row - 0.5, color=style.LINE, linewidth=0.5, zorder=0)
    _write_columns(ax, columns, widths)
    return ax


def _write_columns(ax: Axes, columns: list[TextColumn], widths: list[float]) -> None:
    figure = style.figure_of(ax)
    axes_inches = ax.get_position().width * figure.get_figwidth()
    edge = 0.0
    for column, width in zip(columns, widths, strict=True):
        edge += width
        place = 1 + edge / axes_inches
        ax.text(
            place,
            -0.85,
            column.heading,
            transform=ax.get_yaxis_transform(),
            ha="right",
            va="bottom",
            fontsize=8.5,
            color=style.SOFT,
        )
        for row, words in enumerate(column.texts):
            ax.text(place, row, words, transform=ax.get_yaxis_transform(), ha="right", va="center", fontsize=9)
