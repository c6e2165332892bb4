"""Agreement: the table of two readers' grades with its diagonal marked; of more readers, kappa a pair."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.hand_page import ink_on, wrapped
from reports.pictures.rows import TextColumn, row_axes
from reports.tables.agreement import kappa_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from analysis.results import Agreement

CELL_WIDE, CELL_HIGH = 0.62, 0.4
LETTERS, LINE = 8.5, 0.155
LEAST_WIDTH: Final = 4.6


def draw_agreement(result: Agreement, ax: Axes | None = None) -> Figure:
    """Draw how far readers agree.

    Parameters
    ----------
    result
        Of two readers: the counts of their grades, darker where there are more, the same grade of both in a frame,
        totals at the edges. Of more readers: each kappa with its limits, a row a pair.
    ax
        Axes to draw into; new ones when None.

    Returns
    -------
    The figure that holds the axes.
    """
    with style.house_style():
        if result.cells.empty:
            return _draw_kappas(result, ax)
        return _draw_table(result, ax)


def _draw_table(result: Agreement, ax: Axes | None) -> Figure:
    grades = list(dict.fromkeys(result.cells["first"]))
    words = [wording.label(grade).replace(" ", "\n") for grade in grades]
    foot = _foot(result)
    if ax is None:
        ax = _table_axes(words, foot)
    counts = {(row["first"], row["second"]): int(row["n"]) for row in records(result.cells)}
    most = max(1, *counts.values())
    for y, first in enumerate(grades):
        for x, second in enumerate(grades):
            _draw_cell(ax, x, y, counts[first, second], most)
    ax.set_xlim(-0.55, len(grades) - 0.45)
    ax.set_ylim(len(grades) - 0.45, -0.55)
    _name(ax, words, result, counts, grades)
    _write_foot(ax, foot)
    return style.figure_of(ax)


def _table_axes(words: list[str], foot: str) -> Axes:
    left = style.column_inches(words, gap=0.55)
    inside = CELL_WIDE * len(words)
    width = max(LEAST_WIDTH, left + inside + 0.55)
    deep = len(wrapped(foot, width - 0.2, LETTERS))
    return style.new_axes(
        height=CELL_HIGH * len(words),
        width=width,
        left=left,
        right=width - left - inside,
        top=0.42 + 0.15 * max(word.count("\n") + 1 for word in words),
        bottom=0.4 + LINE * deep,
    )


def _draw_cell(ax: Axes, x: int, y: int, n: int, most: int) -> None:
    from matplotlib.patches import Rectangle

    fill = style.SHADES[0 if n == 0 else min(4, 1 + int(4 * (n - 1) / most))]
    same = x == y
    look: dict[str, Any] = {"facecolor": fill, "edgecolor": style.INK if same else "white"}
    inset = 0.47 if same else 0.5
    ax.add_patch(
        Rectangle((x - inset, y - inset), 2 * inset, 2 * inset, linewidth=1.8 if same else 1.0, **look, zorder=2 + same)
    )
    if n:
        weight = "bold" if same else "normal"
        ax.text(x, y, rounding.count(n), ha="center", va="center", weight=weight, color=ink_on(fill), zorder=4)


def _name(ax: Axes, words: list[str], result: Agreement, counts: dict[tuple[str, str], int], grades: list[str]) -> None:
    first, second = result.readers
    places = range(len(grades))
    ax.set_xticks(places, words)
    ax.set_yticks(places, words)
    ax.xaxis.tick_top()
    ax.xaxis.set_label_position("top")
    ax.set_xlabel(second, weight="bold")
    ax.set_ylabel(first, weight="bold")
    style.plain(ax, keep=())
    ax.tick_params(length=0)
    down = [sum(counts[grade, other] for other in grades) for grade in grades]
    across = [sum(counts[other, grade] for other in grades) for grade in grades]
    quiet: dict[str, Any] = {"color": style.SOFT, "fontsize": LETTERS}
    for place, (row, column) in enumerate(zip(down, across, strict=True)):
        ax.text(len(grades) - 0.4, place, rounding.count(row), ha="left", va="center", **quiet)
        ax.text(place, len(grades) - 0.4, rounding.count(column), ha="center", va="top", **quiet)
    ax.text(len(grades) - 0.4, len(grades) - 0.4, rounding.count(sum(down)), ha="left", va="top", **quiet)


def _foot(result: Agreement) -> str:
    """Say what the picture shows, and kappa with its limits."""
    said = []
    for row in records(result.table):
        kind = "kappa" if row["method"] == "cohen_kappa" else f"{row['weights']} weights"
        said.append(f"{kind} {kappa_words(row['estimate'], row['conf_low'], row['conf_high'])}")
    same = rounding.percent(_same(result), of=result.n_rows_used)
    return (
        f"{wording.sentence_case(wording.unit(result.unit))} by the grades of two readers; framed: the same grade "
        f"({same}). {wording.sentence_case('; '.join(said))} ({result.conf_level * 100:g} % limits)."
    )


def _same(result: Agreement) -> float:
    same = result.cells.loc[result.cells["first"] == result.cells["second"], "n"].sum()
    return float(same / result.cells["n"].sum())


def _write_foot(ax: Axes, words: str) -> None:
    figure, box = style.figure_of(ax), ax.get_position()
    wide, high = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
    ax.text(
        (0.1 - box.x0 * figure.get_figwidth()) / wide,
        -0.28 / high,
        "\n".join(wrapped(words, figure.get_figwidth() - 0.2, LETTERS)),
        transform=ax.transAxes,
        va="top",
        fontsize=LETTERS,
        color=style.SOFT,
    )


def _draw_kappas(result: Agreement, ax: Axes | None) -> Figure:
    rows = records(result.table)
    labels = [_label(row, result) for row in rows]
    columns = [
        TextColumn(wording.unit(result.unit), [rounding.count(row["n"]) for row in rows]),
        TextColumn("kappa", [kappa_words(row["estimate"], row["conf_low"], row["conf_high"]) for row in rows]),
    ]
    ax = row_axes(labels, columns, ax=ax)
    ax.axvline(0, color=style.SOFT, linewidth=0.8, linestyle=(0, (3, 2)))
    for place, row in enumerate(rows):
        if wording.is_missing(row["estimate"]):
            continue
        everyone = row["method"] == "fleiss_kappa"
        if not wording.is_missing(row["conf_low"]):
            ax.plot([row["conf_low"], row["conf_high"]], [place] * 2, color=style.COLOURS[0], linewidth=1.4)
        ax.plot(row["estimate"], place, marker="D" if everyone else "o", markersize=5.5, color=style.COLOURS[0])
    ends = [row["conf_low"] for row in rows if not wording.is_missing(row["conf_low"])]
    low = min([0.0, *ends])
    ax.set_xlim(low - 0.05, 1.02)
    ax.set_xlabel(
        f"kappa: 0 no agreement beyond chance, 1 full agreement\n(line: {result.conf_level * 100:g} % limits)",
        loc="left",
    )
    return style.figure_of(ax)


def _label(row: dict[str, Any], result: Agreement) -> str:
    if row["method"] == "fleiss_kappa":
        return f"all {len(result.readers)} readers (Fleiss)"
    pair = str(row["readers"]).replace(", ", " and ")
    return pair if row["weights"] == "none" else f"{pair}, {row['weights']} weights"
