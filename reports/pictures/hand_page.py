"""The page that drawings of the hand stand on: counts as shades in five steps, words that fit, and the foot."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np

from reports import rounding, wording
from reports.frames import records
from reports.pictures import style
from reports.pictures.hand_outline import Points

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from analysis.results import Distribution

Size = Literal["slide", "column"]
MARKED_RESIDUAL: Final = 2.0
"""An adjusted residual beyond this is marked where the table has no marks of its own (Agresti A 2002, Categorical Data
Analysis, section 3.3: "exceeding about 2 or 3"; from memory)."""
STEP_WIDTHS: Final = (0.001, 0.002, 0.005, 0.01, 0.02, 0.03, 0.04, 0.05, 0.06, 0.08, 0.1, 0.12, 0.15, 0.2, 0.25)
"""The first that takes four steps beyond the largest share is the step of the shades."""
MINUS: Final = "−"
MORE_OR_FEWER: Final = "+\N{NO-BREAK SPACE}more, −\N{NO-BREAK SPACE}fewer than expected if the two were unrelated"
SMALLEST_WORDS: Final = 5.2
"""Points; a count that would need less is drawn at this size and may touch its neighbour."""


@dataclass(frozen=True)
class Look:
    """Inches and points of one size of the picture."""

    width: float
    words: float
    small: float
    line: float


LOOKS: Final[dict[str, Look]] = {
    "slide": Look(style.WIDTH, 9.5, 8.0, 0.15),
    "column": Look(3.3, 7.5, 6.8, 0.125),
}


@dataclass(frozen=True)
class Cell:
    """One count of the table."""

    n: int
    of: int
    share: float
    mark: str
    impossible: bool

    @property
    def count(self) -> str:
        """The count in words, with the sign of its residual."""
        return f"{rounding.count(self.n)} {self.mark}".rstrip()

    @property
    def percent(self) -> str:
        """Its share in words."""
        return rounding.percent(self.share, of=self.of)


NOTHING: Final = Cell(0, 0, 0.0, "", False)


def cells(result: Distribution, names: Sequence[str]) -> dict[tuple[Any, ...], Cell]:
    """Return the cells of a distribution by their values of the named columns; a missing value is None."""
    return {tuple(plain_value(row[name]) for name in names): _cell(row) for row in records(result.table)}


def plain_value(value: Any) -> Any:
    """Return the value, or None where it is missing."""
    return None if wording.is_missing(value) else value


def _cell(row: dict[str, Any]) -> Cell:
    share = float(row["estimate"])
    return Cell(
        n=int(row["n"]),
        of=int(row["of"]),
        share=0.0 if wording.is_missing(share) else share,
        mark=sign(row),
        impossible=bool(row.get("impossible", False)),
    )


def sign(row: dict[str, Any]) -> str:
    """Return the sign of a cell with more or fewer than expected: the table's own mark, or that of its residual.

    Examples
    --------
    >>> sign({"residual": 3.1}), sign({"residual": -2.4}), sign({"residual": 1.0}), sign({"residual": 9, "marked": ""})
    ('+', '−', '', '')
    """
    if "marked" in row:
        own = row["marked"]
        return "" if wording.is_missing(own) else str(own).replace("-", MINUS)
    residual = row.get("residual")
    if residual is None or wording.is_missing(residual) or abs(residual) < MARKED_RESIDUAL:
        return ""
    return "+" if residual > 0 else MINUS


@dataclass(frozen=True)
class Steps:
    """The five shades: none, and four steps of one width."""

    width: float

    def fill(self, cell: Cell) -> str:
        """Return the colour of a cell."""
        return style.SHADES[self.place(cell.n, cell.share)]

    def place(self, n: int, share: float) -> int:
        """Return which shade a share has, 0 (none) to 4.

        Examples
        --------
        >>> [Steps(0.1).place(n, share) for n, share in ((0, 0), (1, 0.001), (5, 0.1), (6, 0.11), (9, 0.4))]
        [0, 1, 1, 2, 4]
        """
        if not n:
            return 0
        return int(min(4, max(1, np.ceil(share / self.width - 1e-9))))


def steps_for(drawn: Iterable[Cell]) -> Steps:
    """Return the steps that reach the largest share drawn."""
    most = max((cell.share for cell in drawn), default=0.0)
    return Steps(next((width for width in STEP_WIDTHS if 4 * width >= most - 1e-9), STEP_WIDTHS[-1]))


def ink_on(colour: str) -> str:
    """Return white or ink, whichever stands out more on the colour (WCAG 2.1 contrast ratio).

    Examples
    --------
    >>> ink_on("#ffffff") == style.INK, ink_on("#1d5c63")
    (True, 'white')
    """
    here = luminance(colour)
    on_ink, on_white = (here + 0.05) / (luminance(style.INK) + 0.05), 1.05 / (here + 0.05)
    return style.INK if on_ink >= on_white else "white"


def luminance(colour: str) -> float:
    """Return the relative luminance of a colour, 0 (black) to 1 (white)."""
    from matplotlib.colors import to_rgb

    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in to_rgb(colour)]
    return float(np.dot(linear, (0.2126, 0.7152, 0.0722)))


@dataclass(frozen=True)
class Frame:
    """Where a drawing stands on the page: inches of its origin, and inches per unit."""

    x: float
    y: float
    across: float
    up: float

    def at(self, points: Points) -> Points:
        """Return places in inches."""
        return np.asarray(points) * [self.across, self.up] + [self.x, self.y]


@dataclass(frozen=True)
class Page:
    """Axes whose coordinates are inches from the lower left corner."""

    ax: Axes
    look: Look
    height: float
    factor: float
    """Of the sizes of letters, where the caller's axes are not of the picture's own size."""

    def shape(self, outline: Points, fill: str, *, edge: str = style.INK, line: float = 0.7, **more: Any) -> None:
        """Fill a closed outline."""
        from matplotlib.patches import Polygon

        patch = Polygon(outline, closed=True, facecolor=fill, edgecolor=edge, linewidth=line * self.factor, **more)
        patch.set_joinstyle("round")
        self.ax.add_patch(patch)

    def part(self, outline: Points, cell: Cell, steps: Steps, *, line: float = 0.7, order: float = 3) -> None:
        """Fill a structure by its share; what cannot be is hatched."""
        if cell.impossible and not cell.n:
            self.shape(outline, "white", edge=style.LINE, line=line, hatch="/////", zorder=order)
        else:
            self.shape(outline, steps.fill(cell), line=line, zorder=order)

    def line(self, points: Points, *, colour: str = style.SOFT, width: float = 0.6, order: float = 2) -> None:
        """Draw an open line."""
        self.ax.plot(
            points[:, 0],
            points[:, 1],
            color=colour,
            linewidth=width * self.factor,
            zorder=order,
            solid_capstyle="round",
        )

    def words(self, x: float, y: float, text: str, *, size: float | None = None, room: float = 0, **more: Any) -> None:
        """Write words; with ``room`` (inches) they shrink until they fit."""
        points = size or self.look.words
        if room:
            points = fitting(text, points, room)
        settings = {"ha": "center", "va": "center", "zorder": 6, "color": style.INK, **more}
        self.ax.text(x, y, text, fontsize=points * self.factor, **settings)


def new_page(look: Look, height: float, ax: Axes | None) -> Page:
    """Return the page on a figure of its own, or inside the caller's axes."""
    factor = 1.0
    if ax is None:
        ax = style.new_axes(height=height, width=look.width, left=0, right=0, top=0, bottom=0)
    else:
        box, figure = ax.get_position(), style.figure_of(ax)
        wide, high = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
        factor = min(wide / look.width, high / height)
    ax.set_xlim(0, look.width)
    ax.set_ylim(0, height)
    ax.set_aspect("equal")
    ax.set_xticks([])
    ax.set_yticks([])
    ax.axis("off")
    return Page(ax, look, height, factor)


def look_for(size: Size | None, ax: Axes | None, *, stacked: bool = False) -> Look:
    """Return the sizes asked for; inside the caller's axes those that suit their inches.

    A ``stacked`` drawing is tall in a column and broad on a slide, so that the form of the axes decides.
    """
    if size is None and ax is not None:
        box, figure = ax.get_position(), style.figure_of(ax)
        wide, high = box.width * figure.get_figwidth(), box.height * figure.get_figheight()
        narrow = wide < (LOOKS["slide"].width + LOOKS["column"].width) / 2
        size = "column" if (high > STACKED_FORM * wide if stacked else narrow) else "slide"
    return LOOKS[size or "slide"]


@dataclass(frozen=True)
class Foot:
    """What stands under a drawing: the steps of the shades, and lines of small print."""

    title: str
    steps: Steps
    lines: tuple[str, ...]
    hatched: bool

    def height(self, look: Look) -> float:
        """Return the inches that the foot needs."""
        return LEGEND_INCHES + len(self.lines) * look.line + 0.1


STACKED_FORM: Final = 1.3
MEASURED_AT: Final = 100.0
LEGEND_INCHES: Final = 0.56


def foot(look: Look, title: str, steps: Steps, sentences: Sequence[str], *, hatched: bool = False) -> Foot:
    """Return the foot with its sentences broken into lines that fit."""
    lines = [line for words in sentences if words for line in wrapped(words, (look.width - 0.2) * 0.97, look.small)]
    return Foot(title, steps, tuple(lines), hatched)


def inches_of(words: str, size: float) -> float:
    """Return the width of a text in inches: measured large, because small letters are rounded to whole pixels.

    Examples
    --------
    >>> round(inches_of("ring", 7.0) / inches_of("ring", 14.0), 3)
    0.5
    """
    return style.text_inches(words, size=MEASURED_AT) * size / MEASURED_AT


def fitting(words: str, size: float, inches: float) -> float:
    """Return the size of letters (points) at which the words fit into the inches.

    It is no larger than asked for, and no smaller than can be read.

    Examples
    --------
    >>> fitting("12", 7.0, 1.0), fitting("12 345 678", 7.0, 0.05) == SMALLEST_WORDS
    (7.0, True)
    """
    return max(SMALLEST_WORDS, min(size, size * inches / max(inches_of(words, size), 1e-6)))


def wrapped(words: str, inches: float, size: float) -> list[str]:
    """Break words into lines no wider than the inches; a per-cent sign stays with its number."""
    lines: list[str] = []
    for word in words.replace(" %", "\N{NO-BREAK SPACE}%").split(" "):
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and inches_of(longer, size) <= inches:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def write_foot(page: Page, under: Foot) -> None:
    """Write the foot at the lower edge of the page."""
    look, left = page.look, 0.1
    for place, line in enumerate(reversed(under.lines)):
        page.words(left, 0.1 + (place + 0.5) * look.line, line, size=look.small, ha="left", color=style.SOFT)
    base = 0.1 + len(under.lines) * look.line + 0.2
    wide, high = (0.55, 0.14) if look.width > 5 else (0.4, 0.12)
    small = {"size": look.small}
    page.words(left, base + high + 0.1, f"{under.title}, in percent", ha="left", **small)
    page.shape(_swatch(left, base, wide * 0.8, high), style.SHADES[0], edge=style.SOFT, line=0.6)
    page.words(left + wide * 0.4, base - 0.08, "none", **small)
    start = left + wide * 1.25
    for step in range(1, 5):
        page.shape(_swatch(start + (step - 1) * wide, base, wide, high), style.SHADES[step], edge=style.SOFT, line=0.6)
    for edge in range(5):
        percent = f"{edge * under.steps.width * 100:g}" + (" %" if edge == 4 else "")
        page.words(start + edge * wide, base - 0.08, percent, **small)
    if under.hatched:
        x = start + 4.6 * wide
        page.shape(_swatch(x, base, wide * 0.8, high), "white", edge=style.LINE, line=0.6, hatch="/////")
        page.words(x + wide * 0.4, base - 0.08, "cannot be", **small)


def _swatch(x: float, y: float, wide: float, high: float) -> Points:
    return np.array([(x, y), (x + wide, y), (x + wide, y + high), (x, y + high)])


def not_drawn(counted: dict[str, Cell], *, what: str = "Not in the drawing") -> str:
    """Return the counts that have no place in the drawing, as one sentence; empty when there are none."""
    said = [f"{name} {cell.count}\N{NO-BREAK SPACE}({cell.percent})" for name, cell in counted.items() if cell.n]
    return f"{what}: {', '.join(said)}." if said else ""


def share_words(result: Distribution) -> str:
    """Say of what the shades show a share."""
    what = "cases with a finding" if result.unit == "findings" else wording.unit(result.unit)
    return f"share of {rounding.count(total_of(result))} {what}"


def total_of(result: Distribution) -> int:
    """Return the denominator of the shares."""
    return int(result.table["of"].iloc[0]) if len(result.table) else 0


def marks_words(drawn: Iterable[Cell]) -> str:
    """Explain the signs, where there are any."""
    return f"{MORE_OR_FEWER}." if any(cell.mark for cell in drawn) else ""


def any_hatched(drawn: Iterable[Cell]) -> bool:
    """Tell whether a drawn cell cannot be."""
    return any(cell.impossible and not cell.n for cell in drawn)
